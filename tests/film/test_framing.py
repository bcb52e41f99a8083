"""What a pane shows by itself: the whole print, above the words."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from twinlapse.film.framing import framed
from twinlapse.film.layout import arrange
from twinlapse.film.options import CameraOptions
from twinlapse.film.pane import make_view
from twinlapse.frames.sequence import FrameFile
from twinlapse.imaging.transforms import still
from twinlapse.rig.film_settings import SHAPES, CameraFilming, Filming
from twinlapse.tracking.stabilise import Track

SIZE = (1280, 720)
FOOT = (820.0, 500.0)
TRACK = Track(
    camera="wide",
    files=(FrameFile(path=Path("000001.jpg"), shot=1),),
    size=SIZE,
    faults=("",),
    motions=(still(SIZE),),
    gain=np.ones((1, 3)),
    action=(0.3, 0.3, 0.45, 0.45),
    foot_px=FOOT,
)


@pytest.mark.parametrize("shape", SHAPES)
@pytest.mark.parametrize("layout", ["single", "inset", "side", "stack"])
@pytest.mark.parametrize("rotate", [0, 90])
def test_the_foot_of_the_print_is_in_the_middle_and_above_the_words(
    shape: str, layout: str, rotate: int
) -> None:
    filming = Filming(shape=shape, layout=layout)
    made = arrange(filming, {"wide": 16 / 9, "nozzle": 4 / 3}, words=True)
    pane, options = made.panes[0], CameraOptions(rotate_deg=rotate)
    view = make_view(TRACK, framed(TRACK, options, pane, made, words=True), pane)
    turn, way = view.matrix[:, :2], view.matrix[:, 2]
    corners = np.array([[0, 0], [pane.box.width - 1, 0], [0, pane.box.height - 1]]) @ turn.T + way
    assert (corners >= -1).all() and (corners <= np.array(SIZE)).all()  # nothing from outside the picture
    x, y = np.linalg.solve(turn, np.array(FOOT) - way)
    assert 0.25 * pane.box.width < x < 0.75 * pane.box.width
    assert 0 < y < pane.box.height
    if made.over_pictures:
        assert pane.box.y + y < made.band.y


def test_what_the_maker_has_set_stays() -> None:
    made = arrange(Filming(), {"wide": 16 / 9}, words=True)
    for filming in (CameraFilming(crop=(0.1, 0.1, 0.5, 0.5)), CameraFilming(focus=(0.2, 0.5))):
        options = CameraOptions(filming=filming)
        assert framed(TRACK, options, made.panes[0], made, words=True) is options
    riding = replace(TRACK, riding=True)
    assert framed(riding, CameraOptions(), made.panes[0], made, words=True) == CameraOptions()
