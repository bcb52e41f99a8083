"""What goes wrong in a rehearsal, in figures, and the dice that decide when."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np

__all__ = ["PERFECT", "Faults", "FileState", "Mishap", "mishaps", "parking_error"]

FileState = Literal["ok", "missing", "damaged"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Faults:
    """How imperfect the machine and the cameras are; spreads are standard deviations."""

    parking_mm: float = 0.2  # of X and of Y at every stop
    parking_z_mm: float = 0.01  # a lead screw repeats far better than a belt
    shake_deg: float = 0.02  # of a camera about each of its axes
    flicker: float = 0.08  # greatest change of exposure from frame to frame, share of the light
    noise: float = 1.5  # of a pixel, in steps of 255
    missing: int = 2  # frames of each camera that never come, at most one in eight
    damaged: int = 2  # frames of each camera that break off in the middle, at most one in eight


PERFECT = Faults(parking_mm=0, parking_z_mm=0, shake_deg=0, flicker=0, noise=0, missing=0, damaged=0)


@dataclass(frozen=True, slots=True, kw_only=True)
class Mishap:
    """What goes wrong at one frame."""

    shake_rad: tuple[float, float, float]  # about the camera's own right, down and forward axis
    gain: float  # of the light
    state: FileState
    seed: int  # of the noise


def parking_error(seed: int, shot: int, stop: int, faults: Faults) -> tuple[float, float, float]:
    """Return by how much the machine misses a stop along X, Y and Z, mm."""
    dice = np.random.default_rng([seed, 1, shot, stop])
    x, y, z = dice.standard_normal(3)
    return faults.parking_mm * x, faults.parking_mm * y, faults.parking_z_mm * z


def mishaps(seed: int, camera: int, count: int, faults: Faults) -> list[Mishap]:
    """Return what goes wrong at each of the frames of a camera.

    The first frame is always whole: a job must have something to show.
    """
    dice = np.random.default_rng([seed, 2, camera])
    states: list[FileState] = ["ok"] * count
    missing, damaged = min(faults.missing, count // 8), min(faults.damaged, count // 8)
    for place, at in enumerate(dice.choice(np.arange(1, max(count, 2)), missing + damaged, replace=False)):
        states[int(at)] = "missing" if place < missing else "damaged"
    shakes = np.radians(faults.shake_deg) * dice.standard_normal((count, 3))
    gains = 1 + faults.flicker * dice.uniform(-1, 1, count)
    return [
        Mishap(
            shake_rad=(float(shake[0]), float(shake[1]), float(shake[2])),
            gain=float(gain),
            state=state,
            seed=place,
        )
        for place, (shake, gain, state) in enumerate(zip(shakes, gains, states, strict=True))
    ]
