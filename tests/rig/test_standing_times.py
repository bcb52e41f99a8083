"""Waits that follow from measurements, against closed forms."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from twinlapse.rig import Rig, rig_from_mapping
from twinlapse.rig.standing_times import STILL_MM


def rig_of(camera: dict[str, Any], **printer: Any) -> Rig:
    machine = {"bed_mm": [220, 220], "height_mm": 250, "accel_mm_s2": 4000, **printer}
    return rig_from_mapping({"printer": machine, "camera": [{"name": "wide", "mount": "frame", **camera}]})


def swing_mm(accel_mm_s2: float, frequency_hz: float, damping: float, seconds: float) -> float:
    """Return how far a mass on a damped spring swings after the base stops braking, by small time steps."""
    turn, step_s = 2 * np.pi * frequency_hz, 1e-5
    place, speed = accel_mm_s2 / turn**2, 0.0  # deflected by the braking that just ended
    peak = 0.0
    for k in range(int((seconds + 1 / frequency_hz) / step_s)):
        speed += (-(turn**2) * place - 2 * damping * turn * speed) * step_s
        place += speed * step_s
        if k * step_s >= seconds:
            peak = max(peak, abs(place))
    return peak


@pytest.mark.parametrize(("frequency_hz", "damping"), [(18.0, 0.05), (25.0, 0.08), (35.0, 0.04)])
def test_the_machine_has_settled_when_the_picture_is_taken(frequency_hz: float, damping: float) -> None:
    """A simulated mass on a spring is the second judge of the closed form."""
    rig = rig_of({}, ringing={"frequency_hz": frequency_hz, "damping": damping})
    settle_s = rig.cameras[0].settle_s
    assert swing_mm(4000, frequency_hz, damping, settle_s) <= 1.05 * STILL_MM
    assert swing_mm(4000, frequency_hz, damping, 0.6 * settle_s) > STILL_MM


def test_what_is_written_counts() -> None:
    camera = rig_of({"settle_s": 0.7, "dwell_s": 0.9, "age_s": 0.2}, ringing={}).cameras[0]
    assert (camera.settle_s, camera.dwell_s) == (0.7, 0.9)


def test_without_measurements_the_safe_waits_hold() -> None:
    camera = rig_of({}).cameras[0]
    assert (camera.settle_s, camera.dwell_s) == (0.3, 1.0)


def test_a_measured_age_shortens_the_dwell() -> None:
    assert rig_of({"age_s": 0.25}).cameras[0].dwell_s == pytest.approx(0.4)
