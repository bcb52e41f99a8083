"""Lamps: on for the shots, off for the night, off after a crash; commands that misbehave."""

from __future__ import annotations

import math
import os
import signal
import subprocess
import sys
import time
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import pytest

from twinlapse.capture.forecast import Forecast
from twinlapse.capture.lights import Lamp, Lights, is_steady
from twinlapse.capture.power import bring_up
from twinlapse.capture.rig_commands import run
from twinlapse.capture.watchdog import Watchdog
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

    def __call__(self, command: Sequence[str], limit_s: float) -> str:
        self.said.append(command[-1])
        return f"{command[-1]} failed" if command[-1] in self.broken else ""


LIGHT = Light(on=("/bin/led", "on"), off=("/bin/led", "off"))


def test_a_command_ends_well_or_says_why(tmp_path: Path) -> None:
    assert run([PYTHON, "-c", "pass"], 10) == ""
    assert run(["/no/such/led"], 1) == "led: No such file or directory"
    fault = run([PYTHON, "-c", "import sys; sys.exit('the relay is stuck')"], 10)
    assert fault.endswith("ended with 1 the relay is stuck")


def test_no_shell_reads_the_arguments(tmp_path: Path) -> None:
    words = ["$(touch pwned)", "; touch pwned", "`touch pwned`", "--on"]
    code = "import sys, pathlib; pathlib.Path(sys.argv[1]).write_text(repr(sys.argv[2:]))"
    assert run([PYTHON, "-c", code, str(tmp_path / "told"), *words], 10) == ""
    assert (tmp_path / "told").read_text() == repr(words)
    assert not list(tmp_path.glob("pwned"))


def test_a_command_that_hangs_is_ended_with_its_children(tmp_path: Path) -> None:
    child = "import signal, time; signal.signal(signal.SIGTERM, signal.SIG_IGN); time.sleep(60)"
    code = f"import subprocess, sys, pathlib, time\np = subprocess.Popen([sys.executable, '-c', {child!r}])\n"
    code += "pathlib.Path(sys.argv[1]).write_text(str(p.pid))\np.wait()"
    began_s = time.monotonic()
    assert "took longer than 0.8 s" in run([PYTHON, "-c", code, str(tmp_path / "pid")], 0.8)
    assert time.monotonic() - began_s < 5


def test_a_talkative_command_neither_blocks_nor_fills_memory() -> None:
    code = "import sys; sys.stderr.write('x' * 3_000_000); sys.exit(3)"
    fault = run([PYTHON, "-c", code], 20)
    assert "ended with 3" in fault and len(fault) < 300


def test_secrets_of_the_service_are_not_handed_on(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("CLUB_TOKEN", "secret")
    assert run([PYTHON, "-c", "import os, sys; sys.exit('CLUB_TOKEN' in os.environ)"], 10) == ""


def test_a_lamp_follows_the_plan() -> None:
    clock, board = Clock(), Switchboard()
    lamp = Lamp(LIGHT, clock, board)
    said: list[bool] = []
    for due_in_s in (100, 4, 3, 1, 0, 20, 29, 31, 2):
        lamp.tick(due_in_s)
        said.append(lamp.is_on)
        clock.now_s += 1
    assert said == [False, False, True, True, True, True, True, False, True]
    assert board.said == ["on", "off", "on"]


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
    assert lights.shine("wide", 1001.0) == lights.shine("nozzle", 1001.0) == "no light (on failed)"
    assert lights.shine("attic", 1001.0) == ""
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


def test_on_time_of_a_night_is_a_few_percent() -> None:
    """12 h, 300 shots: the figure that the documentation states, counted."""
    clock, board = Clock(), Switchboard()
    lamp = Lamp(LIGHT, clock, board)
    for _ in range(300):
        for second in range(144):
            lamp.tick(143.0 - second)
            clock.now_s += 1
    share = lamp.on_s / (300 * 144)
    assert 0.01 < share < 0.04


def test_a_steady_exposure() -> None:
    assert not is_steady([100, 100])
    assert not is_steady([80, 90, 95])
    assert is_steady([20, 60, 99.5, 100, 100.2])


def test_the_light_is_off_after_the_service_is_killed(tmp_path: Path) -> None:
    told = tmp_path / "told"
    off = [PYTHON, "-c", "import sys, pathlib; pathlib.Path(sys.argv[1]).touch()", str(told)]
    code = "import json, sys, time\nfrom twinlapse.capture.watchdog import Watchdog\n"
    code += "w = Watchdog([json.loads(sys.argv[1])])\nprint('up', flush=True)\ntime.sleep(60)"
    import json

    service = subprocess.Popen([PYTHON, "-c", code, json.dumps(off)], stdout=subprocess.PIPE)
    assert service.stdout is not None and service.stdout.readline() == b"up\n"
    os.kill(service.pid, signal.SIGKILL)
    service.wait()
    service.stdout.close()
    for _ in range(200):
        if told.exists():
            break
        time.sleep(0.05)
    assert told.exists()


def test_a_dismissed_watchdog_does_nothing(tmp_path: Path) -> None:
    told = tmp_path / "told"
    off = [PYTHON, "-c", "import sys, pathlib; pathlib.Path(sys.argv[1]).touch()", str(told)]
    watchdog = Watchdog([off])
    assert watchdog.alive
    watchdog.dismiss()
    assert not watchdog.alive or watchdog._child is None
    assert not told.exists()


def test_power_goes_through_its_steps_whatever_fails(tmp_path: Path) -> None:
    board, clock = Switchboard("up"), Clock()

    def pause(seconds: float) -> None:
        clock.now_s += seconds

    power = Power(
        on=("/bin/relay", "up"), off=("/bin/relay", "down"), restart=("/bin/service", "again"),
        device=str(tmp_path / "video0"), limit_s=2,
    )  # fmt: skip
    fault = bring_up(power, None, clock.mono_s, runner=board, pause=pause)
    assert fault == f"up failed; {tmp_path / 'video0'} did not appear"
    assert board.said == ["up", "again"]
    (tmp_path / "video0").touch()
    assert bring_up(power, None, clock.mono_s, runner=Switchboard(), pause=pause) == ""


def test_power_ends_with_a_real_picture(cameras: Any) -> None:
    from twinlapse.cameras.latest_frame import LatestFrame
    from twinlapse.cameras.sources import open_source
    from twinlapse.rig.model import Camera

    camera = Camera(name="wide", mount="frame", source=cameras().stream)
    drain = LatestFrame("wide", lambda: open_source(camera))
    drain.start()
    assert bring_up(Power(limit_s=5), drain) == ""
    drain.stop()
    assert "no picture" in bring_up(Power(limit_s=0.3), drain)


def test_the_forecast(a_plan: Any) -> None:
    forecast = Forecast(a_plan(3, gap_s=40.0))
    assert forecast.due_in_s(0.0) == math.inf  # nobody knows when the print begins
    forecast.answered(1, 500.0)
    assert forecast.upcoming is not None and forecast.upcoming.number == 2
    assert forecast.due_in_s(510.0) == pytest.approx(30.0)
    assert forecast.due_in_s(550.0) == 0.0
    assert forecast.due_in_s(640.0) == math.inf  # paused by a person
    forecast.answered(3, 700.0)
    assert forecast.upcoming is None and forecast.due_in_s(700.0) == math.inf
    forecast.answered(2, 710.0)  # out of order
    assert forecast.done == 3
