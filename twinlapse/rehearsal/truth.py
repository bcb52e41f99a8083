"""The truth about a rehearsal's frames, and how far a film's corrections are from it."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import asdict, dataclass, field
from pathlib import Path
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from twinlapse.arrays import Float
from twinlapse.errors import JobError
from twinlapse.files import read_json, write_json
from twinlapse.optics.pose import Pose, see_with_depth
from twinlapse.records import ArrayRecord
from twinlapse.rehearsal.faults import FileState
from twinlapse.rig import Lens

__all__ = [
    "Body",
    "FrameTruth",
    "Shift",
    "Truth",
    "read_truth",
    "residual_px",
    "rms_px",
    "shift_between",
    "write_truth",
]

Body = Literal["print", "surroundings"]
_SCHEMA = "twinlapse.truth/1"
_FILE = "truth.json"


@dataclass(frozen=True, slots=True, kw_only=True)
class Shift:
    """How far something stands in a picture from where it stands in the ideal one.

    The ideal picture is that of the same stop with no error of machine or camera. ``angle_deg`` is clockwise
    on the screen.
    """

    at_px: tuple[float, float]  # its middle in the ideal picture
    dx_px: float
    dy_px: float
    angle_deg: float
    scale: float


@dataclass(frozen=True, slots=True, kw_only=True)
class FrameTruth:
    """One frame as it should be known."""

    shot: int
    stop: int
    repeat: int
    state: FileState
    gain: float  # of the light, linear
    error_mm: tuple[
        float, float, float
    ]  # of the nozzle against the bed: where it stands less where it should
    shake_deg: tuple[float, float, float]
    print: Shift  # the foot of the print; for a camera on head or gantry the place under the tip
    surroundings: Shift  # what moves with the camera: the room of a frame camera, the nozzle of a head camera


@dataclass(frozen=True, slots=True, kw_only=True, eq=False, repr=False)
class Truth(ArrayRecord):
    """All frames of a rehearsal by camera, in the order of shooting."""

    seed: int
    faults: Mapping[str, Any]
    sizes: Mapping[str, tuple[int, int]]  # width, height by camera
    frames: Mapping[str, tuple[FrameTruth, ...]]
    nuisances: Mapping[str, Any] = field(default_factory=dict)  # of camera and machine; empty: none


def shift_between(
    points_mm: Float, ideal: Pose, actual: Pose, lens: Lens, moved_mm: Float | None = None
) -> Shift:
    """Return how points shift between two pictures: the similarity that fits best (Umeyama 1991).

    Parameters
    ----------
    points_mm : ndarray of shape (n, 3)
    ideal, actual : Pose
    moved_mm : ndarray of shape (3,), optional
        How far the points themselves moved.
    """
    before, _ = see_with_depth(points_mm, ideal, lens)
    after, _ = see_with_depth(points_mm if moved_mm is None else points_mm + moved_mm, actual, lens)
    a = before[:, 0] + 1j * before[:, 1]
    b = after[:, 0] + 1j * after[:, 1]
    arms_a, arms_b = a - a.mean(), b - b.mean()
    ratio = (arms_b * arms_a.conj()).sum() / (np.abs(arms_a) ** 2).sum()
    return Shift(
        at_px=(float(a.mean().real), float(a.mean().imag)),
        dx_px=float((b - a).mean().real),
        dy_px=float((b - a).mean().imag),
        angle_deg=float(np.degrees(np.angle(ratio))),
        scale=float(abs(ratio)),
    )


def write_truth(folder: Path, truth: Truth) -> None:
    """Write ``truth.json`` into a job folder."""
    write_json(folder / _FILE, {"schema": _SCHEMA, **asdict(truth)})


def read_truth(folder: Path) -> Truth:
    """Read ``truth.json`` of a job folder.

    Raises
    ------
    JobError
        when the file is not what `write_truth` wrote.
    """
    path = folder / _FILE
    value = read_json(path, "truth of a rehearsal")
    if not isinstance(value, dict) or value.get("schema") != _SCHEMA:
        raise JobError("this is no truth of a rehearsal", "rehearse again", path=path)
    try:
        frames = {name: tuple(map(_frame, rows)) for name, rows in value["frames"].items()}
        sizes = {name: (int(size[0]), int(size[1])) for name, size in value["sizes"].items()}
        return Truth(
            seed=value["seed"],
            faults=value["faults"],
            sizes=sizes,
            frames=frames,
            nuisances=value.get("nuisances", {}),
        )
    except (KeyError, TypeError) as error:
        raise JobError(f"a field is missing or wrong: {error}", "rehearse again", path=path) from None


def _frame(row: Mapping[str, Any]) -> FrameTruth:
    shifts = {
        body: Shift(**{**row[body], "at_px": tuple(row[body]["at_px"])}) for body in ("print", "surroundings")
    }
    triples = {name: tuple(row[name]) for name in ("error_mm", "shake_deg")}
    return FrameTruth(**{**row, **shifts, **triples})


def residual_px(
    rows: Iterable[Sequence[float]], truth: Truth, camera: str, body: Body = "print"
) -> tuple[NDArray[np.int64], Float]:
    """Return what shaking is left in a film when its corrections are as reported.

    Parameters
    ----------
    rows : iterable of (shot, dx_px, dy_px, angle_deg, ...)
        The shift of each picture's middle against a reference, as ``render --json`` reports it.
    truth : Truth
    camera : str
    body : {"print", "surroundings"}
        What is meant to stand still.

    Returns
    -------
    shots : ndarray of shape (n,)
    left_px : ndarray of shape (n, 2)
        Shift of the body's middle that stays, its median over the film taken out.
    """
    known = {frame.shot: getattr(frame, body) for frame in truth.frames[camera] if frame.state == "ok"}
    middle = (np.array(truth.sizes[camera]) - 1) / 2
    shots, left = [], []
    for row in rows:
        shot, dx, dy, angle = int(row[0]), *map(float, row[1:4])
        if shot not in known:
            continue
        shift: Shift = known[shot]
        arm = np.array(shift.at_px) - middle
        turn = np.radians(angle)
        turned = np.array(
            [np.cos(turn) * arm[0] - np.sin(turn) * arm[1], np.sin(turn) * arm[0] + np.cos(turn) * arm[1]]
        )
        shots.append(shot)
        left.append(np.array([shift.dx_px, shift.dy_px]) - (np.array([dx, dy]) + turned - arm))
    left_px = np.array(left, dtype=np.float64).reshape(-1, 2)
    return np.array(shots, dtype=np.int64), left_px - np.median(left_px, axis=0) if len(left_px) else left_px


def rms_px(left_px: Float) -> float:
    """Return the root mean square of shifts per axis."""
    return float(np.sqrt(np.mean(np.square(left_px)))) if len(left_px) else 0.0
