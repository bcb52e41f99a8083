"""A bed over most of the picture, seen from two references: the machine's frame is held all the same."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from twinlapse.imaging.transforms import still
from twinlapse.tracking.held_body import held_body, of_the_print, standing
from twinlapse.tracking.link_references import tied
from twinlapse.tracking.measurements import Looks
from twinlapse.tracking.stabilise import _print_against as print_against

FRAMES, TIE = 30, np.array([3.0, -2.0])


def looks_of_two_bodies() -> tuple[Looks, np.ndarray, np.ndarray]:
    """Six tiles of the frame, ten of the bed, four between them; each reference anew."""
    rng = np.random.default_rng(5)
    shake, bed = rng.normal(0, 1, (FRAMES, 2)), rng.normal(0, 2, (FRAMES, 2))
    x, y = np.meshgrid(np.linspace(100, 860, 5), np.linspace(60, 480, 4))
    at = np.stack([x.ravel(), y.ravel()], axis=1)
    share = np.array([0.0] * 6 + [0.5] * 4 + [1.0] * 10)  # of the bed's motion
    centres, part = np.concatenate([at, at + TIE]), np.repeat([0, 1], len(at))
    share = np.tile(share, 2)
    shifts = shake[:, None] + share[:, None] * bed[:, None]
    # the second picture was taken with the bed parked elsewhere
    shifts = shifts - np.where(part[:, None] == 1, TIE + share[:, None] * [2.5, 1.5], 0)
    weights = np.full((FRAMES, len(part)), 0.6)
    weights[18:, part == 0], weights[:12, part == 1] = 0, 0
    shifts = shifts + rng.normal(0, 0.02, shifts.shape)
    looks = Looks(
        size=np.array([960, 540]), foot=np.array([480.0, 1400]), centres=centres, part=part,
        coarse=np.ones(len(part), bool), shifts=shifts, weights=weights, faults=np.full(FRAMES, ""),
        ratio=np.ones((FRAMES, 3)), white=np.full((FRAMES, 3), 255.0), ratio_sure=np.ones(FRAMES),
        scene=np.array(True), body=np.zeros((FRAMES, 2, 3)), blur=np.zeros(FRAMES),
        tone=np.zeros((FRAMES, 4)), curve=np.zeros(18), alike=np.ones(FRAMES),
        body_sure=np.zeros(FRAMES), lit=np.ones((30, 40)),
        plain=np.zeros(0, np.int64), left=np.zeros((FRAMES, 0, 3), np.int8),
    )  # fmt: skip
    return looks, share, shake


def test_only_tiles_of_the_body_that_moves_least_are_held() -> None:
    looks, share, _ = looks_of_two_bodies()
    held, alone = held_body(looks, "scale")
    assert held.tolist() == (share == 0).tolist()
    assert 0.3 < alone < 0.5


def test_references_are_tied_by_the_body_that_is_held() -> None:
    looks, share, shake = looks_of_two_bodies()
    laid = tied(looks, "shift", held_body(looks, "shift")[0])
    frame = share == 0
    left = (laid.shifts - shake[:, None])[:, frame][laid.weights[:, frame] > 0]
    assert np.sqrt((left**2).mean()) < 0.03
    by_all = tied(looks, "shift", np.ones(len(share), bool))
    wrong = (by_all.shifts - shake[:, None])[:, frame][by_all.weights[:, frame] > 0]
    assert np.sqrt((wrong**2).mean()) > 1  # by all tiles the bed in the majority ties


def test_tiles_beside_the_bed_do_not_outvote_the_print() -> None:
    """Nine tiles that stand still beside the foot, three on the rim, five on the bed: the five speak."""
    rng = np.random.default_rng(8)
    bed = rng.normal(0, 2, (FRAMES, 2))
    share = np.array([0.0] * 9 + [0.4] * 3 + [1.0] * 5)
    centres = np.stack([np.linspace(400, 560, len(share)), np.full(len(share), 300.0)], axis=1)
    shifts = share[:, None] * bed[:, None] + rng.normal(0, 0.02, (FRAMES, len(share), 2))
    weights, held = np.full((FRAMES, len(share)), 0.6), np.ones(FRAMES, bool)
    assert of_the_print(centres, shifts, weights, held).tolist() == (share == 1).tolist()
    still = shifts - share[:, None] * bed[:, None]
    assert of_the_print(centres, still, weights, held).all()


def test_a_print_parked_off_in_the_reference_is_known_as_well_as_its_tiles_agree() -> None:
    """The bed stood aside in the reference: its usual way is taken out, and its tiles agree all the same."""
    rng = np.random.default_rng(9)
    bed = rng.normal((6.0, -4.0), 2, (FRAMES, 2))
    x, y = np.meshgrid(np.linspace(430, 530, 4), np.linspace(260, 340, 4))
    centres = np.stack([x.ravel(), y.ravel()], axis=1)
    looks, _, _ = looks_of_two_bodies()
    looks = replace(
        looks, foot=np.array([480.0, 300]), centres=centres, part=np.zeros(16, np.int64),
        coarse=np.zeros(16, bool), weights=np.full((FRAMES, 16), 0.6),
        shifts=bed[:, None] + rng.normal(0, 0.02, (FRAMES, 16, 2)),
    )  # fmt: skip
    motions = [still((960, 540), 0.9) for _ in range(FRAMES)]
    extra, sure, certain, apart_px = print_against(looks, np.arange(FRAMES), motions)
    assert sure.all() and certain.min() > 0.8 and apart_px > 1
    assert np.abs(extra - (bed - np.median(bed, axis=0))).max() < 0.1


def test_tiles_that_the_rim_of_a_print_drags_along_are_no_body() -> None:
    """Six tiles beside the foot stand still, six are dragged by what grows into them, each its own way."""
    rng = np.random.default_rng(10)
    shake = rng.normal(0, 1, (FRAMES, 2))
    x, y = np.meshgrid(np.linspace(400, 560, 6), [300.0, 330.0])
    centres = np.stack([x.ravel(), y.ravel()], axis=1)
    shifts = rng.normal(0, 0.02, (FRAMES, 12, 2))
    shifts[:, :6] -= rng.uniform(0, 0.8, (FRAMES, 6, 1)) * shake[:, None]
    weights, held = np.full((FRAMES, 12), 0.6), np.ones(FRAMES, bool)
    assert of_the_print(centres, shifts, weights, held).all()
    # the control: as far from each other, but with a bed that they share
    shifts[:, :6] += rng.normal(0, 2, (FRAMES, 1, 2))
    assert of_the_print(centres, shifts, weights, held).tolist() == [True] * 6 + [False] * 6


def test_a_frame_in_a_strip_of_the_picture_is_held_though_the_bed_fills_the_rest() -> None:
    """Five tiles of the frame, twenty of the bed: less than a quarter, and more than dirt on the lens."""
    rng = np.random.default_rng(11)
    shake, bed = rng.normal(0, 1, (FRAMES, 2)), rng.normal(0, 2, (FRAMES, 2))
    x, y = np.meshgrid(np.linspace(100, 860, 5), np.linspace(60, 480, 5))
    centres = np.stack([x.ravel(), y.ravel()], axis=1)
    share = np.array([0.0] * 5 + [1.0] * 20)
    shifts = shake[:, None] + share[:, None] * bed[:, None] + rng.normal(0, 0.02, (FRAMES, 25, 2))
    looks, _, _ = looks_of_two_bodies()
    looks = replace(
        looks, centres=centres, shifts=shifts, part=np.zeros(25, np.int64), coarse=np.ones(25, bool),
        weights=np.tile(np.where(share > 0, 0.74, 0.6), (FRAMES, 1)),
    )  # fmt: skip
    held, alone = held_body(looks, "scale")
    assert held.tolist() == (share == 0).tolist() and alone < 0.2


def test_tiles_with_what_stands_still_in_the_picture_are_told_from_those_of_something_near() -> None:
    """The time in a corner of the picture does not shake; a print before far surroundings shakes more."""
    rng = np.random.default_rng(7)
    ways = np.repeat(rng.normal(0, 1, (FRAMES, 1, 2)), 10, axis=1)
    weights = np.full((FRAMES, 10), 0.5)
    share = np.array([0.0] * 6 + [0.3, 0.5, 0.7, 1.0])
    dragged = -share[:, None] * ways * [0, 1] + rng.normal(0, 0.03, ways.shape)  # by level edges
    assert standing(dragged, ways, weights).tolist() == (share > 0).tolist()
    assert not standing(-0.4 * ways + rng.normal(0, 0.03, ways.shape), ways, weights).any()
    assert not standing(0.4 * ways + rng.normal(0, 0.03, ways.shape), ways, weights).any()
