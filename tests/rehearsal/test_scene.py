"""What is seen: places, shifts, occlusion, and the axes that move the print in each camera's picture."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pytest

from twinlapse.gcode import read_toolpath
from twinlapse.optics.pose import rest_of, see_with_depth
from twinlapse.rehearsal.beads import Beads, beads_of
from twinlapse.rehearsal.faults import Mishap
from twinlapse.rehearsal.scene import Scene, VirtualCamera
from twinlapse.rig import Rig, shift_axes
from twinlapse.rig.kinematics import SHIFT_AXES

STILL = Mishap(shake_rad=(0, 0, 0), gain=1.0, state="ok", seed=0)
NONE = (0.0, 0.0, 0.0)


@pytest.fixture(scope="module")
def scene_of(label_file: Path, small_rig: Callable[..., Rig]) -> Callable[..., tuple[Scene, Rig]]:
    toolpath = read_toolpath(label_file, firmware="marlin")

    def make(beads: Beads | None = None, **changes: Any) -> tuple[Scene, Rig]:
        rig = small_rig(**changes)
        laid = beads or beads_of(toolpath, 1.75, 0.4)
        return Scene.of(laid, toolpath, rig.printer, rest_of(rig.cameras[0], rig.printer)), rig

    return make


def make_beads(*ends: tuple[tuple[float, float, float], tuple[float, float, float]]) -> Beads:
    first, last = np.array([a for a, _ in ends], np.float32), np.array([b for _, b in ends], np.float32)
    size = np.full(len(ends), 0.25, np.float32)
    return Beads(
        first_mm=first, last_mm=last, half_width_mm=size, half_height_mm=size, row=np.arange(len(ends))
    )


def picture(virtual: VirtualCamera, at: tuple[float, float, float], count: int, **more: Any) -> np.ndarray:
    return virtual.expose(at, more.get("error", NONE), count, more.get("shake", NONE)).copy()


@pytest.mark.parametrize(
    "lens", [{}, {"kind": "fisheye", "across_deg": 100, "distortion": [0.02, 0.0, 0.0, 0.0]}]
)
def test_a_bead_is_painted_where_it_is_projected(scene_of: Callable, lens: dict) -> None:
    wide = {"lens": {"width_px": 320, "height_px": 240, "across_deg": 60, **lens}}
    beads = make_beads(((58, 70, 10), (62, 70, 10)))
    scene, rig = scene_of(beads, wide=wide)
    virtual = VirtualCamera(scene, rig.cameras[0])
    at = (10.0, 60.0, 40.0)
    virtual.expose(at, NONE, 0, NONE)
    virtual.studio.shade.lay(beads, 1)
    pose = virtual.pose(at)
    virtual.studio.begin((0.0, 0.0, 0.0))
    virtual.studio.paint_print(pose, 1)
    weight = virtual.studio.picture.sum(axis=2) > 0
    rows, columns = np.nonzero(weight)
    expected, _ = see_with_depth(np.array([[60.0, 70.0, 10.0]]), pose, virtual.lens)
    assert (columns.mean(), rows.mean()) == pytest.approx(tuple(expected[0]), abs=0.5)
    assert len(rows) > 5


def test_what_is_behind_is_hidden(scene_of: Callable) -> None:
    wall = [((50.0, 50.0, 0.25 + 0.4 * k), (70.0, 50.0, 0.25 + 0.4 * k)) for k in range(50)]
    hidden = ((59.0, 56.0, 1.0), (61.0, 56.0, 1.0))
    above = ((59.0, 56.0, 40.0), (61.0, 56.0, 40.0))
    wide = {"place_mm": [60, -80, 25], "look_mm": [60, 60, 5]}
    for extra, visible in ((hidden, False), (above, True)):
        scene, rig = scene_of(make_beads(*wall, extra), wide=wide)
        virtual = VirtualCamera(scene, rig.cameras[0])
        at = (10.0, 110.0, 60.0)
        virtual.studio.shade.lay(scene.beads, len(scene.beads))  # equal shade, so that only the bead differs
        without = picture(virtual, at, len(wall))
        with_it = VirtualCamera(scene, rig.cameras[0])
        assert bool(np.abs(picture(with_it, at, len(wall) + 1) - without).max() > 0.02) is visible


def test_the_print_shifts_as_the_truth_says(scene_of: Callable) -> None:
    scene, rig = scene_of()
    count = len(scene.beads)
    for camera, at in zip(rig.cameras, ((10.0, 100.0, 20.0), (60.0, 74.0, 3.0)), strict=True):
        error = (0.5, 1.1, 0.0) if camera.name == "wide" else (0.1, 0.15, 0.0)
        shake = (0.0006, -0.0004, 0.0002)
        ideal = VirtualCamera(scene, camera)
        before = ideal.develop(picture(ideal, at, count), STILL)
        other = VirtualCamera(scene, camera)
        after = other.develop(picture(other, at, count, error=error, shake=shake), STILL)
        shift, _ = ideal.shifts(at, error, shake)
        place = np.add(scene.foot_mm, (0, 0, 2.4)) if camera.name == "wide" else np.array([60.0, 60.0, 2.4])
        foot, _ = see_with_depth(place[None], ideal.pose(at), camera.lens)
        moved = measured_shift(before, after, foot[0], (shift.dx_px, shift.dy_px))
        assert tuple(moved) == pytest.approx(
            (shift.dx_px, shift.dy_px), abs=0.15 if camera.name == "wide" else 0.4
        )
        assert np.hypot(*moved) > 1.0


def measured_shift(
    before: np.ndarray, after: np.ndarray, middle: np.ndarray, guess: tuple[float, float]
) -> Any:
    """By OpenCV's ECC (Evangelidis and Psarakis 2008) on the part of the picture around the print."""
    size = 60
    x, y = (int(np.clip(v - size / 2, 0, limit - size)) for v, limit in zip(middle, (320, 240), strict=True))
    parts = [cv2.cvtColor(shot, cv2.COLOR_RGB2GRAY)[y : y + size, x : x + size] for shot in (before, after)]
    way = np.array([[1, 0, round(guess[0])], [0, 1, round(guess[1])]], np.float32)
    criteria = (cv2.TERM_CRITERIA_COUNT | cv2.TERM_CRITERIA_EPS, 200, 1e-6)
    _, way = cv2.findTransformECC(parts[0], parts[1], way, cv2.MOTION_TRANSLATION, criteria)
    return way[:, 2]


@pytest.mark.parametrize(
    ("mount", "kinematics"), [key for key, axes in SHIFT_AXES.items() if axes is not None]
)
def test_the_axes_that_shift_the_print(scene_of: Callable, mount: str, kinematics: str) -> None:
    """Design table: moving a shift axis moves the foot in the picture, moving another does not."""
    scene, rig = scene_of(wide={"mount": mount, "stance": "last"}, kinematics=kinematics)
    virtual = VirtualCamera(scene, rig.cameras[0])
    at = (60.0, 60.0, 10.0)
    for index, axis in enumerate("xyz"):
        error = tuple(2.0 if k == index else 0.0 for k in range(3))
        before, depth_before = see_with_depth(scene.foot_mm[None], virtual.pose(at), virtual.lens)
        there = tuple(a + e for a, e in zip(at, error, strict=True))
        after, depth_after = see_with_depth(scene.foot_mm[None], virtual.pose(there), virtual.lens)
        moved = np.abs(after - before).max() + abs(depth_after - depth_before)[0] > 0.1
        assert moved == (axis in shift_axes(kinematics, mount))


def test_the_nozzle_stands_still_in_its_own_picture(scene_of: Callable) -> None:
    scene, rig = scene_of()
    virtual = VirtualCamera(scene, rig.cameras[1])
    tips = []
    for at in ((60.0, 60.0, 3.0), (70.0, 50.0, 20.0)):
        shot = picture(virtual, at, len(scene.beads))
        tips.append(shot[60:105, 140:180])
    tip, _ = see_with_depth(np.zeros((1, 3)), virtual.pose(NONE), virtual.lens)
    assert tip[0] == pytest.approx((159.5, 119.5), abs=0.01)
    np.testing.assert_allclose(tips[0], tips[1], atol=1e-3)


def test_printing_on_adds_and_never_takes_away(scene_of: Callable) -> None:
    """Culling what is hidden changes nothing: a camera that saw every step sees what a fresh one sees."""
    scene, rig = scene_of()
    for camera, x in zip(rig.cameras, (10.0, 64.0), strict=True):
        walked = VirtualCamera(scene, camera)
        for share in np.linspace(0.1, 1, 12):
            count = int(share * len(scene.beads))
            z = float(scene.beads.last_mm[count - 1, 2]) + 0.5
            last = picture(walked, (x, 60.0, z), count)
        fresh = picture(VirtualCamera(scene, camera), (x, 60.0, z), len(scene.beads))
        assert np.abs(last - fresh).max() < 1e-5


def test_room_and_bed_on_every_kind_of_machine(scene_of: Callable) -> None:
    for kinematics, more in (("bed-moves-z", {}), ("bed-fixed", {"bed_shape": "round", "origin": "center"})):
        wide = {"place_mm": [-60, -160, 120], "look_mm": [0, 0, 0] if more else [60, 60, -5]}
        scene, rig = scene_of(wide=wide, kinematics=kinematics, **more)
        shot = VirtualCamera(scene, rig.cameras[0]).take((30.0, 40.0, 10.0), NONE, len(scene.beads), STILL)
        assert shot.shape == (240, 320, 3) and shot.std() > 15
