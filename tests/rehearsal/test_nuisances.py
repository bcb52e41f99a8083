"""What spoils a rehearsed nozzle picture: each does what its name says, and none is on by itself."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from twinlapse.optics.lens import focal_px
from twinlapse.optics.pose import pose_on_mount
from twinlapse.rehearsal.beads import Beads, with_strings
from twinlapse.rehearsal.nuisances import HARD, NO_NUISANCES, Nuisances, nuisances_of, spoilt, true_camera
from twinlapse.rig import Camera, Lens, Printer

CAMERA = Camera(
    name="nozzle",
    mount="toolhead",
    place_mm=(0.0, -40.0, 12.0),
    look_mm=(0.0, 0.0, 0.0),
    lens=Lens(focus_mm=40),
)
PRINTER = Printer(bed_mm=(220, 220), height_mm=250)


def _dots() -> np.ndarray:
    picture = np.zeros((480, 640, 3), np.float32)
    picture[240, ::40] = 1.0
    return picture


def test_an_exact_camera_changes_nothing() -> None:
    picture = _dots()
    depth = np.full((480, 640), 40.0, np.float32)
    assert np.array_equal(spoilt(picture, depth, CAMERA.lens, 40.0, NO_NUISANCES), picture)
    assert true_camera(CAMERA, PRINTER, NO_NUISANCES, 3) is CAMERA


def test_blur_of_depth_follows_the_thin_lens() -> None:
    """The circle of confusion f^2 / N |s - d| / (d (s - f)), handbook formula (from memory), in pixels."""
    far = 70.0
    lens = Lens(focus_mm=40, f_number=1.0)
    f_mm = focal_px(lens) * lens.pixel_um / 1000
    disc_px = f_mm**2 / lens.f_number * (far - 40) / (far * (40 - f_mm)) / (lens.pixel_um / 1000)
    depth = np.full((480, 640), far, np.float32)
    out = spoilt(_dots(), depth, lens, 40.0, Nuisances(aperture=1.0))[..., 1]
    spot = out[220:261, 300:341]
    _, x = np.indices(spot.shape)
    spread = np.sqrt((spot * (x - 20) ** 2).sum() / spot.sum())
    assert spread == pytest.approx(disc_px / 4, rel=0.35)  # a disc of diameter d spreads by d / 4
    sharp = spoilt(_dots(), np.full((480, 640), 40.0, np.float32), lens, 40.0, Nuisances(aperture=1.0))
    assert np.allclose(sharp, _dots(), atol=1e-5)


def test_the_true_camera_is_off_by_what_was_asked() -> None:
    how = Nuisances(place_mm=1.5, turn_deg=2.0, focal_share=0.05, k1=-0.1)
    off = true_camera(CAMERA, PRINTER, how, 5)
    said, true = pose_on_mount(CAMERA, PRINTER), pose_on_mount(off, PRINTER)
    assert np.linalg.norm(true.place_mm - said.place_mm) == pytest.approx(1.5)
    turn = np.degrees(np.arccos((np.trace(true.axes @ said.axes.T) - 1) / 2))
    assert turn == pytest.approx(2.0, abs=0.05)
    assert abs(focal_px(off.lens) / focal_px(CAMERA.lens) - 1) == pytest.approx(0.05)
    assert off.lens.distortion[0] == pytest.approx(-0.1)


def test_nuisances_are_named() -> None:
    assert nuisances_of([]) == NO_NUISANCES
    assert nuisances_of(["strings", "pebbled-sheet"]) == Nuisances(strings=0.15, pebbled=True)
    assert nuisances_of(["hard", "parking-mm=0.3", "missing-frames=5", "strings=0.5"]) == replace(
        HARD, parking_mm=0.3, missing_frames=5, strings=0.5
    )
    assert HARD.dirty_nozzle and HARD.aperture > 0 and HARD.k1 < 0
    for wrong in ("rain", "parking-mm", "parking-mm=far", "parking-mm=-1", "optics=2"):
        with pytest.raises(ValueError, match=r"parking-mm|rain|optics"):
            nuisances_of([wrong])


def test_threads_hang_along_travel_moves_and_come_with_the_next_line() -> None:
    ends = np.array(
        [[[0, 0, 0.1], [10, 0, 0.1]], [[10, 8, 0.1], [0, 8, 0.1]], [[0, 8.4, 0.1], [10, 8.4, 0.1]]]
    )
    beads = Beads(
        first_mm=ends[:, 0].astype(np.float32),
        last_mm=ends[:, 1].astype(np.float32),
        half_width_mm=np.full(3, 0.2, np.float32),
        half_height_mm=np.full(3, 0.1, np.float32),
        row=np.array([4, 9, 12]),
    )
    more = with_strings(beads, 1.0, np.random.default_rng(1))
    thread = more.half_width_mm < 0.1
    assert thread.sum() == 6 and (np.diff(more.row) >= 0).all()
    assert (more.row[thread] == 9).all()  # the hop of 0.4 mm leaves none
    assert more.first_mm[thread][0] == pytest.approx([10, 0, 0.1], abs=1e-6)
    assert more.last_mm[thread][-1] == pytest.approx([10, 8, 0.1], abs=1e-6)
    assert with_strings(beads, 0.0, np.random.default_rng(1)) is beads
