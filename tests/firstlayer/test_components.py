"""Pieces of a mask, measured, against SciPy's labels and opening."""

import numpy as np
from scipy import ndimage

from twinlapse.firstlayer.canvas import Canvas
from twinlapse.firstlayer.components import components_of

CANVAS = Canvas(left_mm=50.0, back_mm=90.0, step_mm=0.1, width=80, height=60)


def test_pieces_lie_where_an_independent_library_finds_them() -> None:
    rng = np.random.default_rng(3)
    mask = ndimage.gaussian_filter(rng.normal(size=CANVAS.shape), 2.0) > 0.12
    mask[30, :] = True  # a hair of one pixel is left out where it runs alone
    labels, count = ndimage.label(ndimage.binary_opening(mask, np.ones((2, 2))), np.ones((3, 3)))
    expected = []
    for rows, columns in ndimage.find_objects(labels, count):
        left, front = CANVAS.to_mm(np.array([columns.start - 0.5, rows.stop - 0.5]))
        size = (columns.stop - columns.start, rows.stop - rows.start)
        expected.append((round(left, 2), round(front, 2), round(size[0] * 0.1, 2), round(size[1] * 0.1, 2)))
    found = [piece.box_mm for piece in components_of(mask, np.zeros(CANVAS.shape, np.float32), CANVAS, 0.0)]
    assert len(found) > 5
    assert sorted(found) == sorted(expected)
