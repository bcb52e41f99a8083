"""Frames that are called fresh are fresh, judged by delays drawn at random (simulated time)."""

from __future__ import annotations

import importlib.util
import math
import random
import sys
from collections import Counter
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest

from twinlapse.cameras import latest_frame
from twinlapse.cameras.latest_frame import LatestFrame
from twinlapse.cameras.sources import CameraPicture
from twinlapse.capture.shot_window import ShotWindow

_spec = importlib.util.spec_from_file_location("delay_models", Path(__file__).with_name("delay_models.py"))
assert _spec and _spec.loader
delay_models = importlib.util.module_from_spec(_spec)
sys.modules["delay_models"] = delay_models
_spec.loader.exec_module(delay_models)
KINDS, TROUBLES = delay_models.KINDS, delay_models.TROUBLES
if TYPE_CHECKING:
    from tests.capture.delay_models import Camera, Exposure, Queue, Shot
else:
    Camera, Exposure = delay_models.Camera, delay_models.Exposure
    Queue, Shot = delay_models.Queue, delay_models.Shot

LEAD_S = 1.5


class Clock:
    now_s = 0.0

    def mono_s(self) -> float:
        return self.now_s

    def wall_s(self) -> float:
        return 0.0


class Print:
    """One print seen by one camera of one kind, played through the real reader's logic."""

    def __init__(self, dice: random.Random, kind: str, trouble: str, shots: int) -> None:
        self.dice, self.kind, self.clock, self.lamp = dice, kind, Clock(), delay_models.Lamp()
        self.shots = delay_models.draw_shots(dice, shots)
        span_s = self.shots[-1].cue_s + 20
        self.camera = Camera(dice, trouble, span_s)
        self.frame = LatestFrame("wide", lambda: None, self.clock, age_s=None if kind == "nothing" else 0.4)
        self.frame._begin_connection()
        self.ambient, self.gain = dice.uniform(10, 80), dice.uniform(15, 90)
        self.jump_s = dice.uniform(0, span_s)  # somebody switches the room's light
        self.lights = "light" in kind
        self.on = False
        self.free_s = 0.0  # one command at a time
        self.seen: dict[int, Exposure] = {}
        self.count: Counter[str] = Counter()

    def luma(self, exposure: Exposure) -> float:
        share = self.lamp.share(exposure.begin_s, exposure.exposure_s, exposure.readout_s)
        room = 25.0 if exposure.begin_s > self.jump_s else 0.0
        daylight = 5 * math.sin(exposure.begin_s / 200)
        return self.ambient + room + daylight + self.gain * share + self.dice.gauss(0, 0.5)

    def switch(self, on: bool) -> float:
        """Return when the command has ended."""
        now_s, takes_s = max(self.clock.now_s, self.free_s), self.dice.uniform(0.02, 0.09)
        self.free_s = now_s + takes_s
        really_s = now_s + self.dice.uniform(0, takes_s)
        self.frame.switching_light(on)
        if on:
            self.lamp.intervals.append([really_s, math.inf])
        elif self.lamp.intervals:
            self.lamp.intervals[-1][1] = really_s
        self.on = on
        return now_s + takes_s

    def play(self) -> Counter[str]:
        queue = Queue()
        for exposure in self.camera.exposures():
            queue.put(exposure.arrives_s, exposure)
        for shot in self.shots:
            queue.put(shot.cue_s, shot)
            if self.lights:
                lead_s = 0.0 if self.kind.startswith("asked") else LEAD_S
                queue.put(min(shot.foreseen_s - lead_s, shot.cue_s), "on")
        windows: list[tuple[Shot, ShotWindow]] = []
        for at_s, event in queue:
            self.clock.now_s = max(self.clock.now_s, at_s)
            if isinstance(event, Exposure):
                self.arrive(event, windows, queue)
            elif isinstance(event, Shot):
                if self.lights and self.on and not self.frame.counts:  # a dip, as the service does
                    out_s = self.switch(False)
                    queue.put(out_s, "is off")
                    queue.put(out_s + 1.5 * self.frame._pipeline.longest_period_s, "on")
                elif self.lights and not self.on:
                    queue.put(self.switch(True), "is on")
                window = ShotWindow(event.cue_s, event.leave_s, self.frame.patience_s)
                windows.append((event, window))
                queue.put(window.deadline_s, window)
                if self.lights:
                    early_s = min(0.1 + 0.45 * self.frame._pipeline.period_s, 0.25 * event.dwell_s)
                    queue.put(event.leave_s - early_s, ("off", window))
            elif event == "on" and not self.on:
                queue.put(self.switch(True), "is on")
            elif event == "is on":
                self.frame.switched_light(True)
            elif event == "is off":
                self.frame.switched_light(False)
            elif isinstance(event, tuple) and self.on and any(w is event[1] for _, w in windows):
                queue.put(self.switch(False), "is off")
            elif isinstance(event, ShotWindow):
                for pair in [one for one in windows if one[1] is event]:
                    windows.remove(pair)
                    self.settle(*pair)
        return self.count

    def arrive(self, exposure: Exposure, windows: list[Any], queue: Queue) -> None:
        number = len(self.seen) + 1
        self.seen[number] = exposure
        arrived_s = exposure.arrives_s
        asked = self.kind.startswith("asked")
        picture = CameraPicture(
            data=b"%d" % number,
            arrived_s=arrived_s - (self.dice.uniform(0.005, 0.05) if asked else 0.0),
            exposed_s=exposure.stamp_s - exposure.exposure_s if self.kind == "stamp" else None,
            stamped_s=exposure.stamp_s if self.kind == "stamp" else None,
            sender_s=exposure.sender_s if self.kind.startswith("sender") else None,
            waited_s=None if asked else 0.02,
            asked=asked,
        )
        seen = self.frame.keep(picture)
        for shot, window in list(windows):
            if window.offer(seen):
                windows.remove((shot, window))
                self.settle(shot, window)
                if self.on:
                    queue.put(self.switch(False), "is off")

    def settle(self, shot: Shot, window: ShotWindow) -> None:
        possible = any(
            one.begin_s >= shot.cue_s
            and one.end_s <= shot.leave_s
            and one.arrives_s <= shot.leave_s + latest_frame.LATE_S
            for one in self.seen.values()
            if one.end_s > shot.cue_s - 5
        )
        self.count["shots"] += 1
        self.count["possible"] += possible
        if window.patience_s and not window.proven:
            self.frame.missed_light()
        if window.best is None:
            return
        truth = self.seen[window.best.number]
        stale = truth.begin_s < shot.cue_s or truth.end_s > shot.leave_s
        called = "fresh" if window.proven else "unproven"
        self.count[called] += 1
        self.count[f"stale {called}"] += stale
        if stale and called == "fresh":
            camera, bounds = self.camera, window.best.bounds
            early, over = truth.begin_s - shot.cue_s, truth.end_s - shot.leave_s
            print(
                f"STALE {self.kind}: {early:.3f} after the cue, {over:.3f} after leaving; latency "
                f"{truth.arrives_s - truth.end_s:.2f}, {camera.fps} fps, batch {camera.batch}, jump "
                f"{self.jump_s - shot.cue_s:.1f}, period {self.frame._pipeline.period_s:.3f}, bounds "
                f"{bounds.earliest_s - truth.begin_s:.3f} {bounds.latest_s - truth.end_s:.3f}"
            )
        self.count["fresh possible"] += window.proven and possible


@pytest.fixture
def by_data(monkeypatch: pytest.MonkeyPatch) -> list[Print]:
    """The print at hand gives pictures their brightness."""
    at_hand: list[Print] = []

    def luma(picture: CameraPicture) -> float:
        number = int(picture.data)
        return at_hand[-1].luma(at_hand[-1].seen[number])

    monkeypatch.setattr(latest_frame, "_luma", luma)
    return at_hand


def judged(by_data: list[Print], seeds: range, shots: int) -> dict[tuple[str, str], Counter[str]]:
    table: dict[tuple[str, str], Counter[str]] = {}
    for seed in seeds:
        for kind in KINDS:
            for trouble in TROUBLES:
                one = Print(random.Random(f"{seed} {kind} {trouble}"), kind, trouble, shots)
                by_data.append(one)
                table.setdefault((kind, trouble), Counter()).update(one.play())
    return table


def show(table: dict[tuple[str, str], Counter[str]]) -> Counter[str]:
    whole: Counter[str] = Counter()
    for (kind, trouble), count in table.items():
        print(
            f"{kind:17} {trouble:7} shots {count['shots']:5} possible {count['possible']:5} "
            f"fresh {count['fresh']:5} stale {count['stale fresh']:3} "
            f"unproven {count['unproven']:5} stale {count['stale unproven']:4}"
        )
        if kind != "nothing":
            whole.update(count)
    print(dict(whole))
    return whole


def test_nothing_called_fresh_is_stale(by_data: list[Print]) -> None:
    table = judged(by_data, range(1), 6)
    whole = show(table)
    assert whole["stale fresh"] == 0
    assert whole["fresh possible"] >= 0.9 * whole["possible"]
    assert all(count["fresh"] == 0 for (kind, _), count in table.items() if kind == "nothing")


@pytest.mark.slow
def test_none_of_5000_called_fresh_is_stale(by_data: list[Print]) -> None:
    table = judged(by_data, range(100, 110), 24)
    whole = show(table)
    assert whole["fresh"] >= 5000
    assert whole["stale fresh"] == 0
    assert whole["fresh possible"] >= 0.95 * whole["possible"]


class Backlog(Camera):
    """15 pictures a second, 60 ms late; before every other shot it stalls for 1.2 s, then pays at `pace`."""

    def __init__(self, dice: random.Random, shots: list[Any], pace: float, growth_s: float = 0.0) -> None:
        super().__init__(dice, "none", shots[-1].cue_s + 20)
        self.fps, self.exposure_s, self.readout_s, self.latency_s = 15.0, 0.02, 0.02, 0.06
        self.growth = growth_s / self.span_s
        self.stalls = [] if growth_s else [(shot.cue_s - 1.0, 1.2, "paced", pace) for shot in shots[::2]]


def played(by_data: list[Print], kind: str, **habits: float) -> Counter[str]:
    one = Print(random.Random(f"{kind} {habits}"), kind, "none", 40)
    one.camera = Backlog(random.Random(1), one.shots, **habits)
    by_data.append(one)
    count = one.play()
    print(kind, habits, dict(count))
    return count


@pytest.mark.parametrize("pace", [1.2, 2.0, 5.0, 20.0])
def test_a_stall_and_its_backlog(by_data: list[Print], pace: float) -> None:
    """A light proves all; without one the debt is seen, and no frame of a backlog is kept at all."""
    count = played(by_data, "light", pace=pace)
    assert count["stale fresh"] == 0 and count["fresh possible"] >= 36
    count = played(by_data, "nothing", pace=pace)
    assert count["fresh"] == 0
    assert count["stale unproven"] <= 1 and count["unproven"] >= 20


def test_a_latency_that_grows(by_data: list[Print]) -> None:
    """From 60 to 900 ms over 40 shots: only evidence can tell it, and without any nothing is called fresh."""
    count = played(by_data, "light", pace=2.0, growth_s=0.84)
    assert count["stale fresh"] == 0 and count["fresh possible"] >= 38
    count = played(by_data, "nothing", pace=2.0, growth_s=0.84)
    assert (
        count["fresh"] == 0 and count["stale unproven"] > 0
    )  # the control: the age that was stated is wrong
