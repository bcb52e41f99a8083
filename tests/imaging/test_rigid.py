"""A nozzle in its own picture is found by itself and held to a hundredth of a pixel."""

from __future__ import annotations

import cv2
import numpy as np
import pytest
from skimage import data

from twinlapse.imaging.rigid_body import _in_one_place as in_one_place
from twinlapse.imaging.rigid_body import enlarged, find_rigid
from twinlapse.imaging.transforms import motion_of

SIZE = (480, 360)
COUNT = 14


@pytest.fixture(scope="module")
def ride() -> tuple[list[np.ndarray], np.ndarray, np.ndarray]:
    """Pictures with a nozzle before ever new gravel, how far it shook (n, 2) px and turned (n,) degrees."""
    rng = np.random.default_rng(12)
    gravel = data.gravel()
    outline = np.array([[150, -40], [330, -40], [330, 130], [265, 150], [245, 190], [235, 190], [215, 150],
                        [150, 130]])  # fmt: skip
    covered = cv2.fillPoly(np.zeros((SIZE[1], SIZE[0]), np.uint8), [outline], 255)
    metal = np.full(covered.shape, 150.0, np.float32)
    metal[:, :240] = 90
    metal[95:] += 60
    ways, turns = rng.normal(0, 0.5, (COUNT, 2)), rng.normal(0, 0.1, COUNT)
    pictures = []
    for way, turn in zip(ways, turns, strict=True):
        x, y = rng.integers(0, 512 - 360, 2)
        back = cv2.resize(gravel[y : y + 300, x : x + 300], SIZE).astype(np.float32)
        move = cv2.getRotationMatrix2D((240, 180), -float(turn), 1)
        move[:, 2] += way
        laid, inside = (
            cv2.warpAffine(part.astype(np.float32), move, SIZE, flags=cv2.INTER_CUBIC,
                           borderMode=cv2.BORDER_REPLICATE)
            for part in (metal, covered / 255)
        )  # fmt: skip
        inside = np.clip(inside, 0, 1)
        light = np.exp(rng.normal(0, 0.05))
        codes = (back * (1 - inside) + laid * inside) * light + rng.normal(0, 1.5, covered.shape)
        pictures.append(np.clip(np.rint(codes), 0, 255).astype(np.uint8))
    return pictures, ways, turns


def assert_held(pictures: list[np.ndarray], ways: np.ndarray, middle: np.ndarray) -> None:
    """The rigid part is found, and a point of it is led back along its ways, surely."""
    rigid = find_rigid(pictures)
    assert rigid is not None
    read = [rigid.read(picture) for picture in pictures]
    left = np.array([way[:, :2] @ middle + way[:, 2] - middle for way, _ in read]) - ways
    left -= np.median(left, axis=0)
    assert np.abs(left).max() < 0.25 and min(sure for _, sure in read) > 0.5


def test_the_nozzle_is_found_and_held(ride) -> None:
    pictures, ways, turns = ride
    rigid = find_rigid(pictures[:8])
    assert rigid is not None
    read = [rigid.read(picture) for picture in pictures]
    assert min(sure for _, sure in read) > 0.8
    motions = [motion_of(matrix, SIZE, sure) for matrix, sure in read]
    left = np.array([(motion.dx_px, motion.dy_px) for motion in motions]) - ways
    left -= left.mean(axis=0)
    assert np.sqrt((ways**2).mean()) > 0.3  # the control
    assert np.sqrt((left**2).mean()) < 0.05 and np.abs(left).max() < 0.15
    turned = np.array([motion.angle_deg for motion in motions]) - turns
    assert np.std(turned) < 0.02 < np.std(turns)


def test_its_place_is_where_it_is(ride) -> None:
    rigid = find_rigid(ride[0][:8])
    assert rigid is not None
    outline = rigid.outline > 0
    assert outline[40:130, 160:320].mean() > 0.9
    assert outline[230:].mean() < 0.02
    assert all(x >= 0 and x + width <= 1 and y + height <= 0.65 for x, y, width, height in rigid.boxes())


def test_something_else_is_not_taken_for_it(ride) -> None:
    rigid = find_rigid(ride[0][:8])
    assert rigid is not None
    for stranger in (ride[0][0][::-1], np.full(SIZE[::-1], 120, np.uint8)):
        assert rigid.read(np.ascontiguousarray(stranger))[1] < 0.3


def test_a_scene_that_stands_still_is_no_body_in_it() -> None:
    rng = np.random.default_rng(3)
    still = cv2.resize(data.gravel(), SIZE)
    pictures = [np.clip(still + rng.normal(0, 2, still.shape), 0, 255).astype(np.uint8) for _ in range(8)]
    assert find_rigid(pictures) is None
    assert find_rigid([cv2.resize(data.gravel()[n * 20 :, n * 10 :], SIZE) for n in range(8)]) is None


def test_a_map_of_reduced_pictures_is_told_for_full_ones() -> None:
    turn = np.deg2rad(0.3)
    small = np.array([[np.cos(turn), -np.sin(turn), 1.25], [np.sin(turn), np.cos(turn), -0.5]])
    large = enlarged(small, 2)
    place = np.array([100.0, 40.0])
    whole = 2 * place + 0.5  # the middle of the two by two pixels that were averaged
    moved = 2 * (small[:, :2] @ place + small[:, 2]) + 0.5
    assert np.allclose(large[:, :2] @ whole + large[:, 2], moved)


@pytest.mark.parametrize("shake_px", [0.3, 1.5])
@pytest.mark.parametrize("dazzled", [True, False])
def test_a_soft_dirty_nozzle_seen_level_is_found(shake_px: float, dazzled: bool) -> None:
    """A third of the width, out of focus at its rim, before glare and print that are new in every picture."""
    rng = np.random.default_rng(5)
    width, height = SIZE
    outline = np.array([[130, -30], [300, -30], [300, 120], [230, 215], [205, 215], [130, 120]])
    covered = cv2.fillPoly(np.zeros((height, width), np.uint8), [outline], 1).astype(np.float32)
    covered = cv2.GaussianBlur(covered, (0, 0), 2.5)
    metal = cv2.GaussianBlur(rng.uniform(20, 130, (height, width)).astype(np.float32), (0, 0), 6)
    metal = 60 + 3 * (metal - metal.mean())  # dirt
    metal[:, 175:180] += 90  # an edge that shines
    ways, pictures = rng.normal(0, shake_px, (12, 2)), []
    for way in ways:
        blobs = rng.uniform(0, 1, (3, 4)).astype(np.float32)
        back = cv2.resize(blobs, SIZE, interpolation=cv2.INTER_CUBIC) * (500 if dazzled else 160)
        print_ = cv2.resize(rng.uniform(30, 160, (40, 60)).astype(np.float32), SIZE)
        back[200:] = print_[200:]
        view = np.clip(back, 0, 255) * (1 - covered) + metal * covered
        move = np.array([[1, 0, way[0]], [0, 1, way[1]]])
        moved = cv2.warpAffine(view, move, SIZE, flags=cv2.INTER_CUBIC, borderMode=cv2.BORDER_REFLECT)
        pictures.append(np.clip(moved + rng.normal(0, 1.5, view.shape), 0, 255).astype(np.uint8))
    assert_held(pictures, ways, np.array([215.0, 100.0]))


@pytest.mark.parametrize("spots", [15, 40])
def test_a_pale_nozzle_is_found_before_what_is_now_bright_and_now_dark(spots: int) -> None:
    """What most of the picture does is not what the light did; spots of dirt lie apart from each other."""
    rng = np.random.default_rng(6)
    width, height = SIZE
    outline = np.array([[140, -30], [290, -30], [290, 130], [225, 225], [205, 225], [140, 130]])
    covered = cv2.fillPoly(np.zeros((height, width), np.uint8), [outline], 1).astype(np.float32)
    covered = cv2.GaussianBlur(covered, (0, 0), 2.0)
    metal = np.full((height, width), 140, np.float32)
    metal[:, 180:] += 25
    for x, y in rng.uniform([150, 0], [280, 180], (spots, 2)).astype(int).tolist():
        cv2.circle(metal, (x, y), 5, 60.0, -1)
    metal = cv2.GaussianBlur(metal, (0, 0), 1.5)
    ways, pictures = rng.normal(0, 1.0, (12, 2)), []
    for way in ways:
        back = cv2.resize(rng.uniform(0.5, 1, (20, 30)).astype(np.float32), SIZE) * rng.uniform(30, 240)
        move = np.array([[1, 0, way[0]], [0, 1, way[1]]])
        view = back * (1 - covered) + metal * covered
        moved = cv2.warpAffine(view, move, SIZE, flags=cv2.INTER_CUBIC, borderMode=cv2.BORDER_REFLECT)
        pictures.append(np.clip(moved + rng.normal(0, 1.5, view.shape), 0, 255).astype(np.uint8))
    assert_held(pictures, ways, np.array([215.0, 110.0]))


@pytest.mark.parametrize(("pieces", "one"), [(3, True), (9, False)])
def test_edges_that_lie_all_over_the_picture_are_no_body(pieces: int, one: bool) -> None:
    outline = np.zeros((480, 640), np.uint8)
    for number in range(pieces):
        outline[40 + 45 * number : 70 + 45 * number, 60 * number : 60 * number + 50] = 255
    outline[470:474, 600:604] = 255
    assert in_one_place(outline) is one
