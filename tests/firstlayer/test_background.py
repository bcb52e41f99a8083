"""The bare bed as the background of a layer."""

from __future__ import annotations

import numpy as np

from twinlapse.firstlayer.background import Background, like_print, overexposed
from twinlapse.firstlayer.canvas import Canvas
from twinlapse.firstlayer.classify import Judgement, judge
from twinlapse.firstlayer.expected import Lines, drawn
from twinlapse.firstlayer.mosaic import Mosaic
from twinlapse.firstlayer.report import verdict


def test_an_overexposed_bare_bed_tells_nothing_there() -> None:
    colours = np.full((60, 60, 3), (120, 100, 90), np.uint8)
    colours[20:40, 20:40] = (255, 252, 205)
    colours[5, 5] = (255, 255, 255)  # a single grain is no reflection
    bright = overexposed(colours, 0.1)
    assert bright[22:38, 22:38].all()
    assert not bright[:17].any() and not bright[:, 43:].any()


CANVAS = Canvas(left_mm=0.0, back_mm=25.0, step_mm=0.1, width=250, height=250)
_Y_MM = np.arange(5.2, 20.0, 0.4)
SQUARE = Lines(
    first_mm=np.stack([np.full(len(_Y_MM), 5.0), _Y_MM], axis=1),
    last_mm=np.stack([np.full(len(_Y_MM), 20.0), _Y_MM], axis=1),
    width_mm=np.full(len(_Y_MM), 0.45),
    file_line=np.arange(len(_Y_MM)),
)


def _map_of(colours: np.ndarray) -> Mosaic:
    """A map of a square of lines, all of it seen."""
    return Mosaic(
        canvas=CANVAS,
        colours=colours.clip(0, 255).astype(np.uint8),
        seen=np.ones(CANVAS.shape, np.bool_),
        shifts_mm=np.zeros((1, 2)),
        links=(),
        residual_mm=0.0,
        gains=np.ones(1),
    )


def _looked_over(gap: bool) -> Judgement:
    """A square of lines, a third of it where the lamp dazzled the bare bed; the gap is there, too."""
    dice = np.random.default_rng(8)
    bed = dice.normal(90, 4, (250, 250, 3)).clip(0, 255).astype(np.uint8)
    printed = drawn(SQUARE, CANVAS)
    if gap:
        printed[118:126, 80:100] = False
    colours = np.where(printed[..., None], dice.normal(200, 4, bed.shape).clip(0, 255).astype(np.uint8), bed)
    dazzled = np.zeros(CANVAS.shape, np.bool_)
    dazzled[100:150] = True
    bare = Background(
        colours=np.where(dazzled[..., None], np.uint8(255), bed),
        seen=~dazzled,
        alike=dazzled,
        placed=1,
        frames=1,
    )
    mosaic = _map_of(colours)
    return judge(mosaic, SQUARE, bare=bare, furthest_mm=0.0)


def test_where_the_bare_bed_was_dazzled_the_map_alone_tells() -> None:
    sound, faulty = _looked_over(gap=False), _looked_over(gap=True)
    assert sound.seen_share == 1.0 and sound.can_tell and not sound.defects
    (defect,) = faulty.defects
    assert np.abs(np.array(defect.at_mm) - (9.0, 12.8)).max() < 0.3


def _on_residue(gap: bool, told: bool | None, share: float = 0.55) -> Judgement:
    """A square of lines, part of it on a film of its own colour that was there before, and beside it.

    `told`: whether the bare bed is said to look like the print there; None: the bare bed is not known.
    """
    dice = np.random.default_rng(8)
    bed = dice.normal((150, 130, 70), 4, (250, 250, 3))
    bed[90:130, 180:240] += share * (np.array([110, 190, 120]) - bed[90:130, 180:240])
    bed = bed.clip(0, 255).astype(np.uint8)
    printed = drawn(SQUARE, CANVAS)
    if gap:
        printed[158:166, 80:100] = False
    filament = dice.normal((110, 190, 120), 4, bed.shape).clip(0, 255).astype(np.uint8)
    everywhere = np.ones(CANVAS.shape, np.bool_)
    mosaic = _map_of(np.where(printed[..., None], filament, bed))
    bare = Background(
        colours=bed,
        seen=everywhere,
        alike=like_print(bed, mosaic, SQUARE) if told else np.zeros_like(everywhere),
        placed=1,
        frames=1,
    )
    return judge(mosaic, SQUARE, bare=None if told is None else bare, furthest_mm=0.0)


def test_a_print_on_residue_of_its_own_colour_is_there() -> None:
    untold, sound, faulty = (_on_residue(*some) for some in ((False, False), (False, True), (True, True)))
    film = untold.wanted & (np.arange(250) > 183) & (np.arange(250) < 198) & (np.arange(250)[:, None] == 110)
    assert (
        untold.score[film].mean() < 0.65 < 0.8 < sound.score[film].mean()
    )  # it differs little from the film
    assert not sound.defects and not sound.patches
    (defect,) = faulty.defects
    assert np.abs(np.array(defect.at_mm) - (9.0, 8.8)).max() < 0.3


def test_without_the_bare_bed_a_film_beside_the_print_is_a_remark() -> None:
    film, lump = _on_residue(gap=False, told=None), _on_residue(gap=False, told=None, share=1.0)
    assert not film.defects
    ((x, y, wide, deep),) = film.patches
    assert 20 < x < 20.8 and abs(y - 12) < 0.3 and 23.5 < x + wide < 24.3 and abs(deep - 4) < 0.6
    assert "X22 Y14 the bed beside the print is part of the way to the filament's colour" in verdict(film)
    assert [defect.kind for defect in lump.defects] == ["blob"] and not lump.patches


def _beside(
    spot: tuple[int, int, int], filament: tuple[int, int, int], bed: tuple[int, int, int]
) -> Judgement:
    """A square of lines, 3 x 2 mm of the bed beside it in another colour."""
    dice = np.random.default_rng(8)
    colours = np.where(drawn(SQUARE, CANVAS)[..., None], filament, bed) + dice.normal(0, 4, (250, 250, 3))
    colours[100:130, 215:235] = spot + dice.normal(0, 4, (30, 20, 3))
    mosaic = _map_of(colours)
    return judge(mosaic, SQUARE, furthest_mm=0.0)


def test_what_is_brighter_than_filament_and_bed_beside_the_print_is_the_lamp() -> None:
    blue, white, black = (150, 150, 170), (225, 225, 220), (60, 60, 65)
    lamp = _beside((255, 255, 248), blue, black)
    assert not lamp.defects and not lamp.patches
    for blob in (_beside(blue, blue, black), _beside((252, 252, 248), white, black)):
        (defect,) = blob.defects
        assert defect.kind == "blob" and np.abs(np.array(defect.at_mm) - (22.5, 13.5)).max() < 0.3


def _square(shown: int, bed: int = 150, filament: int = 45) -> Judgement:
    """A square of lines, black on grey, 1.2 mm of the outermost one in another light."""
    dice = np.random.default_rng(8)
    colours = dice.normal(bed, 10, (250, 250, 3))
    printed = drawn(SQUARE, CANVAS)
    colours[printed] = dice.normal(filament, 3, (int(printed.sum()), 3))
    colours[195:200, 100:112] = dice.normal(shown, 3, (5, 12, 3))
    mosaic = _map_of(colours)
    return judge(mosaic, SQUARE, furthest_mm=0.0)


def test_what_is_brighter_than_the_bed_beside_it_is_no_gap() -> None:
    (defect,) = _square(150).defects
    assert defect.kind == "gap" and abs(defect.at_mm[0] - 10.6) < 0.3
    assert not _square(205).defects  # the line mirrors a lamp


def test_a_gap_between_light_lines_may_be_brighter_than_the_bed() -> None:
    (defect,) = _square(110, bed=60, filament=210).defects  # in the map it is a mixture with its neighbours
    assert defect.kind == "gap" and abs(defect.at_mm[0] - 10.6) < 0.3


def test_at_full_scale_beside_bed_that_nearly_is_a_dark_line_is_not_seen() -> None:
    gap, clipped = _square(235, bed=245), _square(260, bed=245)
    assert [defect.kind for defect in gap.defects] == ["gap"] and gap.seen_share == 1.0
    assert not clipped.defects and clipped.seen_share < 1.0
    assert not clipped.seen[196:199, 102:110].any() and clipped.seen[196:199, 80:95].all()
