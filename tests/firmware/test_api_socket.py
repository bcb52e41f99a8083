"""The channel of Klipper's API socket against the firmware's own host code: webhooks, console and scripts.

The firmware runs with a live clock and no controller (see `klipper_oracle`); its own reader of files prints.
"""

from __future__ import annotations

import time
from collections.abc import Callable
from pathlib import Path

import pytest

from twinlapse.errors import CaptureError
from twinlapse.serve.channels.klipper_api import KlipperApi, run_script

pytestmark = [pytest.mark.slow, pytest.mark.usefixtures("firmware")]


def until(true: Callable[[], object], seconds: float = 60.0) -> None:
    end = time.monotonic() + seconds
    while not true():
        assert time.monotonic() < end, "waited too long"
        time.sleep(0.02)


def ready(api: Path) -> bool:
    try:
        run_script(api, ["M115"])
    except CaptureError:
        return False  # it is starting
    return True


def test_lines_of_a_print_arrive_and_a_wait_is_answered(tmp_path: Path) -> None:
    from klipper_oracle import SECTIONS, LiveFirmware, Machine

    from twinlapse.inject.dialects import dialect_of

    wait = dialect_of("klipper").to_hold("Look at layer 1, then go on", 60, 600)
    gcode = tmp_path / "label.gcode"
    gcode.write_text(
        "\n".join(
            [
                "M118 twinlapse begin a1b2c3", "SET_KINEMATIC_POSITION X=0 Y=0 Z=0",
                "G90", "G1 Z5 F600", "G1 X50 Y50 F6000", "M400",
                "M118 twinlapse cue 1.1 wide a1b2c3", "G4 P500", "M400", *wait, "G1 X60 F6000", "M400",
                "M118 twinlapse cue 2.1 wide a1b2c3", "G4 P500", "M118 twinlapse end a1b2c3",
            ]
        )
        + "\n"
    )  # fmt: skip
    # without an input file the firmware waits for endstops that are not there: its place is told instead
    machine = Machine(sections=SECTIONS + "[force_move]\nenable_force_move: true\n")
    api = tmp_path / "klippy"
    said: list[tuple[float, str]] = []
    channel = KlipperApi(api, lambda text: said.append((time.monotonic(), text)), pause_s=0.1)
    channel.start()
    try:
        with LiveFirmware(gcode, machine, api=api):
            until(lambda: channel.fault == "")
            until(lambda: ready(api))
            with pytest.raises(CaptureError, match="refuses it"):
                run_script(api, ["SDCARD_PRINT_FILE FILENAME=none.gcode"])
            run_script(api, ["SDCARD_PRINT_FILE FILENAME=print.gcode"])
            until(lambda: any("cue 1.1" in text for _, text in said))
            time.sleep(4.0)
            assert not any("cue 2.1" in text for _, text in said)  # it waits
            asked_s = time.monotonic()
            run_script(api, ["RESUME"])
            until(lambda: any("end a1b2c3" in text for _, text in said))
            heard = [text for _, text in said if "twinlapse" in text]
            assert heard == [
                "echo: twinlapse begin a1b2c3", "echo: twinlapse cue 1.1 wide a1b2c3",
                "echo: twinlapse cue 2.1 wide a1b2c3", "echo: twinlapse end a1b2c3",
            ]  # fmt: skip
            assert next(at for at, text in said if "cue 2.1" in text) > asked_s
        until(lambda: channel.fault != "")  # the host is gone, and that is said
    finally:
        channel.stop()
