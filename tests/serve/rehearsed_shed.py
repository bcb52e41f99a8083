"""A shed where a file is printed many times as fast as in truth, before cameras that see what it prints.

The nozzle camera has a lamp and a supply: without the lamp its pictures are dark. Between the stops both
cameras show something else, so that a frame of the wrong moment is not taken for a right one.
"""

from __future__ import annotations

import os
import threading
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import ExitStack, contextmanager, suppress
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
from PIL import Image

from twinlapse.frames.journal import read_journal
from twinlapse.gcode import read_toolpath
from twinlapse.rehearsal.beads import Beads, beads_of
from twinlapse.rehearsal.defects import Kind, chosen, layer_beads, put_in
from twinlapse.rehearsal.execution import rest_place
from twinlapse.rehearsal.faults import Mishap
from twinlapse.rehearsal.http_camera import HttpCamera
from twinlapse.rehearsal.scene import Scene, VirtualCamera
from twinlapse.rehearsal.virtual_machine import laid_before, standings
from twinlapse.rehearsal.virtual_printer import VirtualPrinter
from twinlapse.rig import Rig
from twinlapse.shots import read_plan

DARK = 0.05  # of the lamp's light
Key = tuple[int, int, str]  # shot, stop, camera


def shed_rig(sample: str, folder: Path, wide: str, nozzle: str) -> str:
    """Return the sample's rig with these cameras, a lamp, a supply, a serial line, a wait behind layer 1."""
    for of, name, become in (("wide", "stream", wide), ("nozzle", "nozzle", nozzle)):
        old = f'source = "http://camera.local/{name}"'
        assert old in sample, of
        sample = sample.replace(old, f'source = "{become}"')
    sample = sample.replace("width_px = 1280, height_px = 720", "width_px = 640, height_px = 360")

    def command(what: str, state: str) -> str:
        noted = f"echo {what} $(date +%s.%N) >> {folder}/switched"
        return f'["/bin/sh", "-c", "{noted}; echo {what} > {folder}/{state}"]'

    on, off = command("lamp-on", "lamp"), command("lamp-off", "lamp")
    lamp = f"light = {{ on = {on}, off = {off}, stay_on_s = 3600 }}"
    power = f"power = {{ on = {command('power-on', 'power')}, off = {command('power-off', 'power')} }}"
    # a machine that runs the tests of others beside this one is slower than a board with its cameras
    return f"""{sample}
dwell_s = 1.2
{lamp}
{power}

[plan]
survey_layers = [1]
hold = true

[capture]
serial = "{folder}/port"
send_folder = "{folder}/card"
"""


@dataclass
class Shed:
    """Two cameras and what stands before them."""

    folder: Path
    pictures: dict[Key, np.ndarray] = field(default_factory=dict)
    now: Key | None = None  # the stop at which the machine stands, without its camera
    began_s: float = 0.0
    ended_s: float = 0.0
    told: bytes = b""  # what the machine was sent

    def scene(self, camera: str, size: tuple[int, int]) -> Callable[[float], np.ndarray]:
        """Return what a camera sees at a monotonic time."""
        moving = np.full((size[1], size[0], 3), 90, np.uint8)
        moving[::7] = 140

        def seen(_: float) -> np.ndarray:
            picture = moving if self.now is None else self.pictures.get((*self.now[:2], camera), moving)
            lit = camera != "nozzle" or self.is_lit
            return picture if lit else (picture * DARK).astype(np.uint8)

        return seen

    @property
    def is_lit(self) -> bool:
        try:
            return (self.folder / "lamp").read_text().strip() == "lamp-on"
        except OSError:
            return False

    def switched(self) -> list[tuple[str, float]]:
        """Return what was switched, with the time of day."""
        lines = (
            (self.folder / "switched").read_text().split("\n") if (self.folder / "switched").exists() else []
        )
        return [(line.split()[0], float(line.split()[1])) for line in lines if line]

    def paint(self, written: Path, rig: Rig, defects: Sequence[tuple[Kind, float]] = ()) -> None:
        """Render what each camera sees at each of its stops."""
        path = read_toolpath(written, firmware=rig.printer.firmware)
        beads = beads_of(path, rig.printer.filament_mm, rig.printer.nozzle_mm)
        first = layer_beads(beads, path)
        spoilt, _ = put_in(first, defects, np.random.default_rng(7))
        later = chosen(beads, np.flatnonzero(beads.row > first.row[-1]))
        both = {name: np.concatenate([getattr(spoilt, name), getattr(later, name)]) for name in FIELDS}
        scene = Scene.of(Beads(**both), path, rig.printer, rest_place(rig))
        for camera in rig.cameras:
            virtual = VirtualCamera(scene, camera)
            for stand in standings(path):
                if camera.name not in stand.cue.cameras:
                    continue
                mishap = Mishap(shake_rad=(0.0, 0.0, 0.0), gain=1.0, state="ok", seed=stand.cue.shot)
                count = laid_before(scene.beads.row, stand)
                picture = virtual.take(stand.nozzle_mm, (0.0, 0.0, 0.0), count, mishap)
                self.pictures[stand.cue.shot, stand.cue.stop, camera.name] = picture

    def wrong_frames(self, job: Path) -> list[Key]:
        """Return the frames of a job that do not show what stood before their camera at their stop."""
        wrong = []
        for key, file in taken(job).items():
            got = np.asarray(Image.open(file).convert("RGB"), float)[16:]  # below the camera's time stamp
            off = np.abs(got - self.pictures[key][16:]).mean()
            if off > 4.0:  # a JPEG's loss is near 2; a dark, moving or neighbouring picture is beyond 8
                wrong.append(key)
        return wrong


FIELDS = tuple(Beads.__dataclass_fields__)


def taken(job: Path) -> dict[Key, Path]:
    """Return the frames that a job's journal says were taken."""
    return {
        (row.key.shot, row.key.stop, row.key.camera): job / "frames" / row.file
        for row in read_journal(job / "journal.db", read_plan(job / "plan.json").original_sha256)
        if row.state in ("taken", "adopted")
    }


@contextmanager
def open_shed(folder: Path) -> Iterator[tuple[Shed, HttpCamera, HttpCamera]]:
    """Two cameras that serve what stands before them."""
    shed = Shed(folder)
    (folder / "card").mkdir()
    with ExitStack() as stack:
        wide = stack.enter_context(HttpCamera(shed.scene("wide", (640, 360)), quality=92))
        nozzle = stack.enter_context(HttpCamera(shed.scene("nozzle", (640, 480)), quality=92))
        yield shed, wide, nozzle


class PausedTime:
    """The time of a machine that stands still now and then."""

    def __init__(self) -> None:
        self._paused_s = 0.0

    def mono_s(self) -> float:
        return time.monotonic() - self._paused_s

    def wait(self, stopped: threading.Event, seconds: float) -> bool:
        return stopped.wait(seconds)

    def pause(self, until: Callable[[], bool]) -> None:
        """Stand still until something holds."""
        began_s = time.monotonic()
        while not until():
            time.sleep(0.05)
        self._paused_s += time.monotonic() - began_s


@contextmanager
def printed(shed: Shed, written: Path, rig: Rig, *, speed: float = 100.0) -> Iterator[VirtualPrinter]:
    """Print a file over a serial line; the cameras follow it.

    Behind the last stop of layer 1 the machine waits, as its M0 says, for M108 from the serial line (Marlin's
    G-code documentation); what it is told is kept in `Shed.told`.
    """
    machine_time = PausedTime()
    with VirtualPrinter(written, rig, speed=speed, clock=machine_time) as printer:
        surveyed = max(stand.cue.stop for stand in printer.stands)
        os.set_blocking(printer._master, False)

        def told_to_go_on() -> bool:
            with suppress(BlockingIOError):
                shed.told += os.read(printer._master, 4096)
            return b"M108" in shed.told or printer._stop.is_set()

        (shed.folder / "port").symlink_to(printer.port)
        stands = iter(printer.stands)
        leaving: list[threading.Timer] = []

        def stands_now(words: str) -> None:
            stand = next(stands)
            shed.now = here = (stand.cue.shot, stand.cue.stop, "")

            def leave() -> None:
                if shed.now is here:
                    shed.now = None

            leaving.append(threading.Timer(max(0.05, stand.stands_s - 0.02), leave))
            leaving[-1].start()
            if stand.cue.stop == surveyed:
                machine_time.pause(told_to_go_on)

        def start() -> None:
            shed.began_s = time.time()
            begin(stands_now)

        begin, printer.start = printer.start, start  # type: ignore[method-assign, assignment]
        try:
            yield printer
            shed.ended_s = time.time()
        finally:
            for timer in leaving:
                timer.cancel()
            (shed.folder / "port").unlink()
