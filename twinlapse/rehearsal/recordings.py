"""Continuous recordings of a rehearsed print, for finding the shots where nothing cued the cameras.

Each camera records by a clock of its own that starts at its own moment and runs a little fast or slow. The
machine also stands still where no shot is (a person waits, filament is checked) and hurries through some of
its stops.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import asdict, dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np

from twinlapse.arrays import Float
from twinlapse.files import write_bytes, write_json
from twinlapse.gcode import Toolpath, read_toolpath
from twinlapse.motion import time_toolpath
from twinlapse.rehearsal.beads import beads_of
from twinlapse.rehearsal.execution import EPOCH_S, encode, rest_place
from twinlapse.rehearsal.faults import Mishap
from twinlapse.rehearsal.scene import Scene, VirtualCamera
from twinlapse.rehearsal.virtual_machine import standings
from twinlapse.rig import Rig

__all__ = ["Course", "Night", "Stand", "record", "stands_of"]

_FILE = "recording.json"


@dataclass(frozen=True, slots=True, kw_only=True)
class Night:
    """What makes a recording hard to read."""

    fps: float = 5.0
    size_px: tuple[int, int] = (160, 120)
    clock: tuple[float, ...] = (1.01, 0.995)  # of each camera in turn: its seconds for one of the machine's
    pauses: int = 2  # whiles of half a minute to a minute and a half in which nothing moves
    false_share: float = 0.3  # stands that are no shot, as a share of the stops
    missed_share: float = 0.05  # of the stops at which the machine does not stand
    dropped: float = 0.05  # share of the pictures that are not there
    noise: float = 1.5
    flicker: float = 0.04


@dataclass(frozen=True, slots=True, kw_only=True)
class Stand:
    """A while in which the machine stands, in its own seconds of the print."""

    start_s: float
    end_s: float
    shot: int
    stop: int
    cameras: tuple[str, ...]


def stands_of(path: Toolpath, end_s: Float) -> list[Stand]:
    """Return when the machine stands for each cue of a written file."""
    moving = np.flatnonzero(path.length_mm > 1e-6)
    found = []
    for standing in standings(path):
        place = int(np.searchsorted(moving, standing.row, "right"))
        start = float(end_s[moving[place - 1]]) if place else 0.0
        last = int(moving[place]) - 1 if place < len(moving) else len(path) - 1
        cue = standing.cue
        found.append(
            Stand(start_s=start, end_s=float(end_s[last]), shot=cue.shot, stop=cue.stop, cameras=cue.cameras)
        )
    return found


@dataclass(frozen=True, slots=True, kw_only=True)
class Course:
    """How the machine's time runs against the file's: where it waits, and what it leaves out."""

    at_s: Float  # (k,) file time of events, rising
    add_s: Float  # (k,) how long it waits there; negative: so much of what follows is left out

    def file_time(self, real_s: float) -> float:
        """Return the file's time at a moment of the machine's."""
        knots_file, knots_real = [0.0], [0.0]
        shift = 0.0
        for at, add in zip(self.at_s, self.add_s, strict=True):
            knots_file += [at, at if add >= 0 else at - add]
            knots_real += [at + shift, at + shift + max(add, 0.0)]
            shift += add
        knots_file.append(knots_file[-1] + 1e7)
        knots_real.append(knots_real[-1] + 1e7)
        return float(np.interp(real_s, knots_real, knots_file))

    def real_time(self, file_s: float) -> float:
        """Return the machine's time when it has just reached a moment of the file."""
        return float(file_s + self.add_s[self.at_s < file_s].sum())


def record(
    gcode: Path,
    rig: Rig,
    folder: Path,
    *,
    seed: int = 1,
    night: Night | None = None,
    shots: int | None = None,
    progress: Callable[[float], None] | None = None,
) -> dict[str, Any]:
    """Record a rehearsed print with every camera of the rig.

    Parameters
    ----------
    gcode : Path
        A written file.
    rig : Rig
    folder : Path
        Gets one folder a camera with pictures named by their time in ms, and ``recording.json``, the truth.
    seed : int
    night : Night, optional
    shots : int, optional
        Record the first so many shots only.
    progress : callable, optional

    Returns
    -------
    dict
        What ``recording.json`` holds: ``missed`` stops, ``false`` stands, and by camera its ``clock`` and its
        ``stands``: shot, stop, cameras, ``start_s`` and ``end_s`` by the camera's own clock.
    """
    night = night or Night()
    path = read_toolpath(gcode, firmware=rig.printer.firmware)
    end_s = np.asarray(time_toolpath(path, rig.printer).end_s)
    stands = [stand for stand in stands_of(path, end_s) if shots is None or stand.shot <= shots]
    dice = np.random.default_rng([seed, 3])
    course, missed, false = _course(stands, night, dice)
    beads = beads_of(path, rig.printer.filament_mm, rig.printer.nozzle_mm)
    scene = Scene.of(beads, path, rig.printer, rest_place(rig))
    last_s = course.real_time(stands[-1].end_s) + 5.0
    truth: dict[str, Any] = {
        "night": asdict(night),
        "missed": [[stands[k].shot, stands[k].stop] for k in missed],
        "false": false,
        "cameras": {},
    }
    for index, camera in enumerate(rig.cameras):
        small = replace(
            camera, lens=replace(camera.lens, width_px=night.size_px[0], height_px=night.size_px[1])
        )
        clock = night.clock[index % len(night.clock)]
        begin_s = float(dice.uniform(0, 3))
        times = np.arange(begin_s, last_s, 1 / night.fps)
        times = times[dice.random(len(times)) >= night.dropped]
        (folder / camera.name).mkdir(parents=True, exist_ok=True)
        virtual = VirtualCamera(scene, small)
        for k, real_s in enumerate(times):
            data = _picture(virtual, path, end_s, course.file_time(float(real_s)), k, night, dice)
            stamp = 1000 * (EPOCH_S + clock * (real_s - begin_s))
            write_bytes(folder / camera.name / f"{stamp:.0f}.jpg", data)
            if progress is not None:
                progress((index + (k + 1) / len(times)) / len(rig.cameras))
        first_s = float(times[0])
        truth["cameras"][camera.name] = {
            "clock": clock,
            "stands": [
                {
                    "shot": stand.shot,
                    "stop": stand.stop,
                    "cameras": list(stand.cameras),
                    "start_s": clock * (course.real_time(stand.start_s) - first_s),
                    "end_s": clock * (course.real_time(stand.end_s) - first_s),
                }
                for k, stand in enumerate(stands)
                if k not in missed
            ],
        }
    write_json(folder / _FILE, truth)
    return truth


def _course(
    stands: list[Stand], night: Night, dice: np.random.Generator
) -> tuple[Course, list[int], list[list[float]]]:
    """Return the course of time, the stops left out, and file time and length of false stands and pauses."""
    count = len(stands)
    missed = sorted(int(k) for k in dice.choice(count, round(night.missed_share * count), replace=False))
    events = [(stands[k].start_s, stands[k].start_s - stands[k].end_s) for k in missed]
    false = []
    waits = [float(dice.uniform(0.8, 3)) for _ in range(round(night.false_share * count))]
    waits += [float(dice.uniform(30, 90)) for _ in range(night.pauses)]
    for wait in waits:
        k = int(dice.integers(0, max(1, count - 1)))
        low, high = stands[k].end_s, stands[min(k + 1, count - 1)].start_s
        at = float(dice.uniform(low + 0.2 * (high - low), high - 0.2 * (high - low)))
        events.append((at, wait))
        false.append([at, wait])
    events.sort()
    return (
        Course(at_s=np.array([a for a, _ in events]), add_s=np.array([b for _, b in events])),
        missed,
        false,
    )


def _picture(
    virtual: VirtualCamera,
    path: Toolpath,
    end_s: Float,
    file_s: float,
    number: int,
    night: Night,
    dice: np.random.Generator,
) -> bytes:
    """Return the picture at a moment of the file, the machine on its way between two places."""
    row = int(np.searchsorted(end_s, file_s, "right"))
    x, y, z = (float(np.interp(file_s, end_s[max(0, row - 2) : row + 1], axis[max(0, row - 2) : row + 1]))
               for axis in (path.x_mm, path.y_mm, path.z_mm))  # fmt: skip
    laid = int(np.searchsorted(virtual.scene.beads.row, row, "left"))
    gain = 1 + night.flicker * float(dice.uniform(-1, 1))
    mishap = Mishap(shake_rad=(0.0, 0.0, 0.0), gain=gain, state="ok", seed=number)
    return encode(virtual.take((x, y, z), (0.0, 0.0, 0.0), laid, mishap, night.noise), 85)
