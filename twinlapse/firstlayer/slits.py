"""Slits that the sliced file itself leaves between lines: bed that shows in them is no missing material.

Between a wall and the filling a file may leave part of a line's width free. In the map such a slit is blurred
over the lines beside it. How it should look follows from the toolpath: the share of each pixel that lines
cover, blurred as the outline in the map is, and the colours of filament and bed mixed in linear light.
"""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np

from twinlapse.arrays import Float, Float32
from twinlapse.firstlayer.canvas import Canvas
from twinlapse.firstlayer.expected import Lines, drawn
from twinlapse.firstlayer.linear_light import codes_of, light_of

__all__ = ["WIDEST_MM", "slits_in_score"]

WIDEST_MM = 1.0  # what is wider is bed that should show
_FINE = 3  # parts of a pixel's side that are drawn by themselves
_USUAL_BLUR_MM = 0.2  # where the map does not show its own


def slits_in_score(lines: Lines, canvas: Canvas, blur_mm: float, filament: Float, bed: Float) -> Float32:
    """Return by how much slits lower the score of a sound layer, (h, w), 0 to 1.

    Parameters
    ----------
    lines : Lines
    canvas : Canvas
        The map's, on the toolpath.
    blur_mm : float
        Of the outline in the map, one standard deviation; NaN: not known.
    filament, bed : ndarray of shape (3,)
        Their colours in the map, 0 to 255.
    """
    fine = replace(
        canvas, step_mm=canvas.step_mm / _FINE, width=canvas.width * _FINE, height=canvas.height * _FINE
    )
    ink = 255 * drawn(lines, fine).view(np.uint8)
    covered = cv2.resize(ink, (canvas.width, canvas.height), interpolation=cv2.INTER_AREA)
    covered = np.asarray(covered / np.float32(255), np.float32)
    side = round(WIDEST_MM / canvas.step_mm) | 1
    closed = cv2.morphologyEx(covered, cv2.MORPH_CLOSE, np.ones((side, side), np.uint8))
    sigma = (blur_mm if np.isfinite(blur_mm) else _USUAL_BLUR_MM) / canvas.step_mm
    shown = [
        _looks_like(np.asarray(cv2.GaussianBlur(some, (0, 0), sigma), np.float32), filament, bed)
        for some in (closed, covered)
    ]
    return np.asarray(np.maximum(shown[0] - shown[1], 0), np.float32)


def _looks_like(share: Float32, filament: Float, bed: Float) -> Float32:
    """Return the score, 0 bed to 1 filament in CIE Lab, of pixels that show a share of filament."""
    steps = np.linspace(0, 1, 65)
    light = light_of(np.stack([bed, filament]))
    mixed = codes_of(light[0] + steps[:, None] * (light[1] - light[0]))
    lab = cv2.cvtColor(mixed[None].astype(np.float32), cv2.COLOR_RGB2LAB)[0].astype(np.float64)
    way = lab[-1] - lab[0]
    score = (lab - lab[0]) @ way / max(float(way @ way), 1e-9)
    return np.asarray(np.interp(share, steps, score), np.float32)
