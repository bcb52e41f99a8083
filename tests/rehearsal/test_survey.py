"""Faults of a first layer are put in as their truth says, and the survey's pictures show them."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path

import cv2
import numpy as np
import pytest

from twinlapse.gcode import read_toolpath
from twinlapse.optics.pose import on_plane, pose_in_bed, see
from twinlapse.rehearsal import PERFECT
from twinlapse.rehearsal.beads import PRESSED, Beads, beads_of
from twinlapse.rehearsal.defects import layer_beads, put_in, runs_of
from twinlapse.rehearsal.scene import BRIGHT, CURVE, MEAN, metered_gain, tone_curve
from twinlapse.rehearsal.survey_frames import USED, Conditions, survey

EVERY = [("gap", 0.8), ("gap", 2.5), ("missing", 12.0), ("blob", 1.5), ("lifted", 1.0)]


@pytest.fixture(scope="module")
def layer(label_file: Path) -> Beads:
    path = read_toolpath(label_file, firmware="marlin")
    return layer_beads(beads_of(path, 1.75, 0.4), path)


def total_mm(beads: Beads) -> float:
    return float(np.linalg.norm(beads.last_mm - beads.first_mm, axis=1).sum())


def test_only_the_layer_is_left(layer: Beads) -> None:
    assert total_mm(layer) == pytest.approx(6 * 12 + 7 * 16, abs=0.01)  # the outline and seven lines
    assert len(runs_of(layer)) == 13


@pytest.mark.parametrize("size_mm", [0.3, 0.8, 3.0])
def test_a_gap_is_bare_for_as_long_as_it_says(layer: Beads, size_mm: float) -> None:
    for seed in range(8):
        cut, (gap,) = put_in(layer, [("gap", size_mm)], np.random.default_rng(seed))
        cut_mm = total_mm(layer) - total_mm(cut)
        bare_mm = cut_mm - 2 * PRESSED * float(layer.half_width_mm[0])  # round ends reach into it
        assert bare_mm == pytest.approx(size_mm, abs=3e-3)  # lines differ a little in width
        ends = np.concatenate([cut.first_mm, cut.last_mm])[:, :2]
        away = np.hypot(*(ends - (gap.x_mm, gap.y_mm)).T)
        assert (np.abs(away - cut_mm / 2) < 2e-3).sum() >= 2, "both ends of the gap"


def test_lines_blobs_and_corners(layer: Beads) -> None:
    dice = np.random.default_rng(2)
    without, (missing,) = put_in(layer, [("missing", 12.0)], dice)
    assert total_mm(layer) - total_mm(without) == pytest.approx(missing.size_mm, abs=1e-3)
    with_blob, (blob,) = put_in(layer, [("blob", 1.5)], dice)
    assert len(with_blob) == len(layer) + 1 and 2 * with_blob.half_width_mm[-1] == pytest.approx(blob.size_mm)
    raised, (corner,) = put_in(layer, [("lifted", 1.2)], dice)
    rise = (raised.last_mm - layer.last_mm)[:, 2]
    assert rise.max() == pytest.approx(1.2, abs=1e-5) and (rise >= 0).all() and (rise == 0).any()
    assert np.hypot(corner.x_mm - 60, corner.y_mm - 60) == pytest.approx(12, abs=0.1)


def test_faults_stand_apart(layer: Beads) -> None:
    _, defects = put_in(layer, [("gap", 0.5), ("gap", 0.5), ("blob", 1.0)], np.random.default_rng(1))
    at = np.array([(defect.x_mm, defect.y_mm) for defect in defects])
    apart = np.hypot(*(at[:, None] - at[None]).transpose(2, 0, 1))
    assert apart[~np.eye(3, dtype=bool)].min() > 6
    with pytest.raises(ValueError, match="no room"):
        put_in(layer, [("gap", 40.0)], np.random.default_rng(1))


def test_the_survey_covers_the_layer_and_shows_the_gap(
    label_file: Path, small_rig: Callable, tmp_path: Path
) -> None:
    rig = small_rig()
    sound = survey(label_file, rig, tmp_path / "sound", faults=PERFECT)
    spoilt = survey(label_file, rig, tmp_path / "spoilt", faults=PERFECT, defects=[("gap", 2.5)], seed=1)
    assert json.loads((tmp_path / "spoilt" / "survey.json").read_text())["defects"] == spoilt["defects"]
    assert [frame["nozzle_mm"] for frame in sound["frames"]] == [f["nozzle_mm"] for f in spoilt["frames"]]
    camera, (gap,) = rig.cameras[1], spoilt["defects"]
    changed = 0
    for frame in spoilt["frames"]:
        pixel = see(
            np.array([gap["x_mm"], gap["y_mm"], 0.15]),
            pose_in_bed(camera, rig.printer, frame["nozzle_mm"]),
            camera.lens,
        )
        pair = [cv2.imread(str(tmp_path / name / frame["file"])).astype(int) for name in ("sound", "spoilt")]
        x, y = np.rint(pixel).astype(int)
        if USED[0] * 320 < x < USED[2] * 320 and USED[1] * 240 < y < USED[3] * 240:
            change = np.abs(pair[0] - pair[1]).max(axis=2)[y - 2 : y + 3, x - 2 : x + 3]
            assert change.max() > 40
            changed += 1
    assert changed >= 1
    assert covered_share(sound, rig) == 1.0


def covered_share(truth: dict, rig: object) -> float:
    """Share of the layer's points that lie in the used part of some picture."""
    camera, printer = rig.cameras[1], rig.printer  # type: ignore[attr-defined]
    angle = np.linspace(0, 2 * np.pi, 40)
    points = np.concatenate(
        [
            np.column_stack([60 + r * np.cos(angle), 60 + r * np.sin(angle), 0 * angle + 0.3])
            for r in (3, 8, 11.5)
        ]
    )
    covered = np.zeros(len(points), bool)
    size = np.array([camera.lens.width_px, camera.lens.height_px])
    for frame in truth["frames"]:
        share = see(points, pose_in_bed(camera, printer, frame["nozzle_mm"]), camera.lens) / size
        covered |= (share >= (USED[0], USED[1])).all(axis=1) & (share <= (USED[2], USED[3])).all(axis=1)
    return float(covered.mean())


def test_conditions_are_seen(label_file: Path, small_rig: Callable, tmp_path: Path) -> None:
    means = {}
    for name, conditions in {
        "dark": Conditions(filament="dark", metered=False),
        "light": Conditions(filament="light", metered=False),
        "glare": Conditions(filament="dark", glare=3.0, metered=False),
        "bare": Conditions(filament="dark", textured=False, metered=False),
    }.items():
        survey(label_file, small_rig(), tmp_path / name, faults=PERFECT, conditions=conditions)
        picture = cv2.imread(str(tmp_path / name / "000001.jpg"), 0)
        means[name] = picture.mean(), cv2.Laplacian(picture[180:, :60], cv2.CV_64F).std()
    assert means["light"][0] > means["dark"][0] + 5
    assert means["glare"][0] > means["dark"][0]
    assert means["bare"][1] < 0.6 * means["dark"][1]


def test_a_camera_that_meters_keeps_its_mean_and_its_highlights() -> None:
    """A dark and a light half: the mean is held where highlights allow it, else these."""
    dice = np.random.default_rng(3)

    def developed(dark: float, light: float) -> np.ndarray:
        picture = np.full((120, 160, 3), dark, np.float32)
        picture[:, 80:] = light
        picture *= dice.uniform(0.95, 1.05, (120, 160, 1)).astype(np.float32)
        exposed = np.clip(picture * metered_gain(picture) * CURVE, 0, CURVE).astype(int)
        return tone_curve()[exposed]

    assert developed(0.05, 0.08).mean() == pytest.approx(MEAN, abs=2)
    assert np.percentile(developed(0.01, 2.0), 99) == pytest.approx(
        BRIGHT, abs=6
    )  # metered on every 36th pixel
    assert developed(1e-6, 1e-6).max() < 10  # night stays night


def test_footprint_of_the_used_part(small_rig: Callable) -> None:
    """The used part of the picture lies on the bed before the tip, some 20 mm wide."""
    rig = small_rig()
    corners = np.array([[USED[i] * 320, USED[j] * 240] for j in (1, 3) for i in (0, 2)])
    seen = on_plane(
        corners, pose_in_bed(rig.cameras[1], rig.printer, (0.0, 0.0, 0.8)), rig.cameras[1].lens, 0.3
    )
    assert (
        np.isfinite(seen).all()
        and 5 < np.ptp(seen[:, 0]) < 40
        and np.hypot(seen[:, 0], seen[:, 1]).max() < 40
    )
