"""Lamps: on for the shots, off for the night, off after a crash; commands that misbehave."""

from __future__ import annotations

import math
import random
import sys
import time
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import pytest

from twinlapse.capture.forecast import Forecast
from twinlapse.capture.lights import Lamp, Lights, is_steady
from twinlapse.capture.picture_taking import LightError
from twinlapse.capture.power import bring_up
from twinlapse.capture.rig_commands import CommandError, run
from twinlapse.rig.capture_settings import Light, Power

PYTHON = sys.executable


class Clock:
    now_s = 1000.0

    def mono_s(self) -> float:
        return self.now_s

    def wall_s(self) -> float:
        return 0.0


class Switchboard:
    """Takes commands down; fails those in `broken`."""

    def __init__(self, *broken: str) -> None:
        self.said: list[str] = []
        self.broken = broken

    def __call__(self, command: Sequence[str], limit_s: float) -> None:
        self.said.append(command[-1])
        if command[-1] in self.broken:
            raise CommandError(f"{command[-1]} failed")


LIGHT = Light(on=("/bin/led", "on"), off=("/bin/led", "off"))


def test_a_command_ends_well_or_says_why(tmp_path: Path) -> None:
    run([PYTHON, "-c", "pass"], 10)
    with pytest.raises(CommandError, match="led: No such file or directory"):
        run(["/no/such/led"], 1)
    with pytest.raises(CommandError, match="ended with 1 the relay is stuck"):
        run([PYTHON, "-c", "import sys; sys.exit('the relay is stuck')"], 10)


def test_no_shell_reads_the_arguments(tmp_path: Path) -> None:
    words = ["$(touch pwned)", "; touch pwned", "`touch pwned`", "--on"]
    code = "import sys, pathlib; pathlib.Path(sys.argv[1]).write_text(repr(sys.argv[2:]))"
    run([PYTHON, "-c", code, str(tmp_path / "told"), *words], 10)
    assert (tmp_path / "told").read_text() == repr(words)
    assert not list(tmp_path.glob("pwned"))


def test_a_command_that_hangs_is_ended_with_its_children(tmp_path: Path) -> None:
    child = "import signal, time; signal.signal(signal.SIGTERM, signal.SIG_IGN); time.sleep(60)"
    code = f"import subprocess, sys, pathlib, time\np = subprocess.Popen([sys.executable, '-c', {child!r}])\n"
    code += "pathlib.Path(sys.argv[1]).write_text(str(p.pid))\np.wait()"
    began_s = time.monotonic()
    with pytest.raises(CommandError, match="took longer than"):
        run([PYTHON, "-c", code, str(tmp_path / "pid")], 0.8)
    assert time.monotonic() - began_s < 5


def test_a_talkative_command_neither_blocks_nor_fills_memory() -> None:
    code = "import sys; sys.stderr.write('x' * 3_000_000); sys.exit(3)"
    with pytest.raises(CommandError, match="ended with 3") as caught:
        run([PYTHON, "-c", code], 20)
    assert len(str(caught.value)) < 300


def test_secrets_of_the_service_are_not_handed_on(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("CLUB_TOKEN", "secret")
    run([PYTHON, "-c", "import os, sys; sys.exit('CLUB_TOKEN' in os.environ)"], 10)


def test_a_lamp_follows_the_plan() -> None:
    clock, board = Clock(), Switchboard()
    lamp = Lamp(LIGHT, clock, board)
    said: list[bool] = []
    for due_in_s in (100, 4, 1.5, 1, 0, -1, 3, 4, 5, 1, -1.4, -2):
        lamp.tick(due_in_s)
        said.append(lamp.is_on)
        clock.now_s += 1
    # on from the lead, kept while the next one is near, off when a shot is overdue: its cue switches it on
    assert said == [False, False, *[True] * 6, False, True, True, False]
    assert board.said == ["on", "off", "on", "off"]


def test_a_lamp_is_capped_and_rests() -> None:
    clock, board = Clock(), Switchboard()
    lamp = Lamp(Light(on=LIGHT.on, off=LIGHT.off, cap_s=100), clock, board)
    states = []
    for _ in range(170):
        lamp.tick(1.0)
        states.append(lamp.is_on)
        clock.now_s += 1
    assert states.index(False) == 100
    assert states[101:159] == [False] * 58
    assert states[-1]


def test_a_person_keeps_the_light_on_and_lets_go() -> None:
    clock, board = Clock(), Switchboard()
    lamp = Lamp(LIGHT, clock, board)
    lamp.hold(600)
    for _ in range(599):
        clock.now_s += 1
        lamp.tick(math.inf)
        assert lamp.is_on
    clock.now_s += 2
    lamp.tick(math.inf)
    assert not lamp.is_on
    assert lamp.on_s == pytest.approx(601)


def test_two_cameras_share_a_lamp_and_a_broken_one_is_told() -> None:
    board = Switchboard("on")
    lights = Lights({"wide": LIGHT, "nozzle": LIGHT}, {}, Clock(), board)
    for camera in ("wide", "nozzle"):
        with pytest.raises(LightError, match="on failed"):
            lights.shine(camera, 1001.0)
    assert lights.shine("attic", 1001.0) is False
    lights.off()  # it may burn all the same
    assert board.said == ["on", "off"]


def test_an_armed_lamp_stays_on_until_its_shot_is_due() -> None:
    clock, board = Clock(), Switchboard()
    lights = Lights({"wide": LIGHT}, {}, clock, board)
    lights.arm(1025.0)
    clock.now_s = 1024.0
    lights.tick(math.inf)
    assert board.said == ["on"]
    clock.now_s = 1026.0
    lights.tick(math.inf)
    assert board.said == ["on", "off"]


def test_a_lamp_is_not_taken_away_from_a_shot_that_nobody_foresaw() -> None:
    clock, board = Clock(), Switchboard()
    lights = Lights({"wide": LIGHT}, {}, clock, board)
    lights.shine("wide", 1001.0)
    lights.tick(math.inf)
    assert board.said == ["on"]
    clock.now_s = 1001.5
    lights.tick(math.inf)
    assert board.said == ["on", "off"]


def shooting(plan: Any, period_s: float, layers: int, seed: int) -> Lamp:
    """Play a print through forecast and lamp, four looks a second; a frame is in 0.4 s after its cue."""
    dice = random.Random(seed)
    clock, board = Clock(), Switchboard()
    forecast = Forecast(plan)
    lights = Lights({"wide": LIGHT}, {}, clock, board, due_in_s=lambda: forecast.due_in_s(clock.now_s))
    cue_s = [1010.0]
    for _ in range(layers - 1):
        cue_s.append(cue_s[-1] + 1.1 * period_s * dice.uniform(0.97, 1.03))  # slower than the model, uneven
    done = 0
    while done < layers:
        if clock.now_s >= cue_s[done]:
            lights.shine("wide", clock.now_s + 1)
            forecast.answered(done + 1, clock.now_s)
            clock.now_s += 0.4
            lights.finish(["wide"])
            done += 1
        lights.tick(forecast.due_in_s(clock.now_s))
        clock.now_s += 0.25
    return lights.each[0]


@pytest.mark.parametrize(
    ("period_s", "layers", "most"), [(26.0, 100, 0.15), (144.0, 300, 0.04)], ids=["26 s layers", "12 h"]
)
def test_a_lamp_burns_for_the_shots_only(a_plan: Any, period_s: float, layers: int, most: float) -> None:
    """The figures of docs/capture.md, counted."""
    lamp = shooting(a_plan(layers, gap_s=period_s), period_s, layers, seed=7)
    share = lamp.on_s / (1.1 * period_s * layers)
    print(f"{layers} layers of {period_s:g} s: on for {100 * share:.1f} %")
    assert 0.3 / period_s < share < most


def test_a_steady_exposure() -> None:
    assert not is_steady([100, 100])
    assert not is_steady([80, 90, 95])
    assert is_steady([20, 60, 99.5, 100, 100.2])


def test_power_goes_through_its_steps_whatever_fails(tmp_path: Path) -> None:
    board, clock = Switchboard("up"), Clock()

    def pause(seconds: float) -> None:
        clock.now_s += seconds

    power = Power(
        on=("/bin/relay", "up"), off=("/bin/relay", "down"), restart=("/bin/service", "again"),
        device=str(tmp_path / "video0"), limit_s=2,
    )  # fmt: skip
    fault = bring_up(power, None, clock.mono_s, runner=board, pause=pause)
    assert fault == ["up failed", f"{tmp_path / 'video0'} did not appear"]
    assert board.said == ["up", "again"]
    (tmp_path / "video0").touch()
    assert bring_up(power, None, clock.mono_s, runner=Switchboard(), pause=pause) == []


def test_power_ends_with_a_real_picture(cameras: Any) -> None:
    from twinlapse.cameras.latest_frame import LatestFrame
    from twinlapse.cameras.sources import open_source
    from twinlapse.rig.camera import Camera

    camera = Camera(name="wide", mount="frame", source=cameras().stream)
    drain = LatestFrame("wide", lambda: open_source(camera))
    drain.start()
    assert bring_up(Power(limit_s=5), drain) == []
    drain.stop()
    assert "no picture" in bring_up(Power(limit_s=0.3), drain)[0]


def test_the_forecast(a_plan: Any) -> None:
    forecast = Forecast(a_plan(3, gap_s=40.0))  # and each shot costs 2 s
    assert forecast.due_in_s(0.0) == math.inf  # nobody knows when the print begins
    forecast.answered(1, 500.0)
    assert forecast.upcoming is not None and forecast.upcoming.number == 2
    assert forecast.due_in_s(510.0) == pytest.approx(32.0)
    assert forecast.due_in_s(552.0) == -10.0
    assert forecast.due_in_s(640.0) == math.inf  # paused by a person
    forecast.answered(3, 700.0)
    assert forecast.upcoming is None and forecast.due_in_s(700.0) == math.inf
    forecast.answered(2, 710.0)  # out of order
    assert forecast.done == 3


def test_the_forecast_learns_the_real_pace(a_plan: Any) -> None:
    forecast = Forecast(a_plan(30, gap_s=20.0))
    for shot in range(1, 12):
        forecast.answered(shot, 1000.0 + 33.0 * shot)  # the model says 22
    assert forecast.due_in_s(1000.0 + 33.0 * 11) == pytest.approx(33.0)


def test_cues_that_stop_coming_are_told(a_plan: Any) -> None:
    forecast = Forecast(a_plan(30, gap_s=20.0))
    assert forecast.silent_s(1e9) == 0.0  # before the first cue nothing is overdue
    forecast.answered(1, 1000.0)
    assert forecast.silent_s(1022.0 + 119.0) == 0.0  # a pause to look
    assert forecast.silent_s(1022.0 + 121.0) == pytest.approx(121.0)
    forecast.answered(2, 1200.0)
    assert forecast.silent_s(1200.0) == 0.0


def test_the_time_left_follows_the_prints_own_pace(a_plan: Any) -> None:
    plan = a_plan(30, gap_s=20.0)
    forecast = Forecast(plan)
    assert forecast.left_s(0.0) == math.inf
    planned_s = plan.print_s - plan.shots[0].at_s + plan.cost_s
    for k in range(10):  # each interval takes 10 % longer than planned
        forecast.answered(k + 1, 1000.0 + 1.1 * 22.0 * k)
    now_s = 1000.0 + 1.1 * 22.0 * 9
    gone_s = 22.0 * 9
    assert forecast.left_s(now_s) == pytest.approx(1.1 * (planned_s - gone_s), rel=0.02)
