"""The bare bed as the background of a layer."""

from __future__ import annotations

import numpy as np

from twinlapse.firstlayer.background import Background, overexposed
from twinlapse.firstlayer.canvas import Canvas
from twinlapse.firstlayer.classify import Judgement, judge
from twinlapse.firstlayer.expected import Lines, drawn
from twinlapse.firstlayer.mosaic import Mosaic


def test_an_overexposed_bare_bed_tells_nothing_there() -> None:
    colours = np.full((60, 60, 3), (120, 100, 90), np.uint8)
    colours[20:40, 20:40] = (255, 252, 205)
    colours[5, 5] = (255, 255, 255)  # a single grain is no reflection
    bright = overexposed(colours, 0.1)
    assert bright[22:38, 22:38].all()
    assert not bright[:17].any() and not bright[:, 43:].any()


def _looked_over(gap: bool) -> Judgement:
    """A square of lines, a third of it where the lamp dazzled the bare bed; the gap is there, too."""
    y = np.arange(5.2, 20.0, 0.4)
    lines = Lines(
        first_mm=np.stack([np.full(len(y), 5.0), y], axis=1),
        last_mm=np.stack([np.full(len(y), 20.0), y], axis=1),
        width_mm=np.full(len(y), 0.45),
        file_line=np.arange(len(y)),
    )
    canvas = Canvas(left_mm=0.0, back_mm=25.0, step_mm=0.1, width=250, height=250)
    dice = np.random.default_rng(8)
    bed = dice.normal(90, 4, (250, 250, 3)).clip(0, 255).astype(np.uint8)
    printed = drawn(lines, canvas)
    if gap:
        printed[118:126, 80:100] = False
    colours = np.where(printed[..., None], dice.normal(200, 4, bed.shape).clip(0, 255).astype(np.uint8), bed)
    everywhere = np.ones(canvas.shape, np.bool_)
    dazzled = np.zeros(canvas.shape, np.bool_)
    dazzled[100:150] = True
    bare = Background(
        colours=np.where(dazzled[..., None], np.uint8(255), bed),
        seen=~dazzled,
        dazzled=dazzled,
        placed=1,
        frames=1,
    )
    mosaic = Mosaic(
        canvas=canvas,
        colours=colours,
        seen=everywhere,
        shifts_mm=np.zeros((1, 2)),
        links=(),
        residual_mm=0.0,
        gains=np.ones(1),
    )
    return judge(mosaic, lines, bare=bare, furthest_mm=0.0)


def test_where_the_bare_bed_was_dazzled_the_map_alone_tells() -> None:
    sound, faulty = _looked_over(gap=False), _looked_over(gap=True)
    assert sound.seen_share == 1.0 and sound.can_tell and not sound.defects
    (defect,) = faulty.defects
    assert np.abs(np.array(defect.at_mm) - (9.0, 12.8)).max() < 0.3
