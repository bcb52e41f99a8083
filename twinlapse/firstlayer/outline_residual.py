"""How far the outline of the print lies beside the toolpath, piece by piece."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from twinlapse.arrays import Float, Float32
from twinlapse.firstlayer.canvas import Canvas
from twinlapse.firstlayer.picture_ground import PictureGround
from twinlapse.firstlayer.solid import SolidMask, solid_mask

__all__ = ["MOST_GROWN_MM", "PIECE_MM", "Outline", "outline_of", "pieces_of", "residual_of"]

PIECE_MM = 3.0  # of outline that is asked for its own residual
MOST_GROWN_MM = 0.3
_FEWEST_PX = 25  # of a piece
_STEEP = 0.25  # per mm: slope of the blurred mask at an outline
_SLIT_PX = 11  # of the mask: a slit narrower than this is no outline


@dataclass(frozen=True, slots=True)
class Outline:
    """The outline of a print on a canvas."""

    canvas: Canvas
    mask: SolidMask  # where the print should be seen
    solid: SolidMask  # the same without slits: how bright the bed is in a slit, says nothing of places
    piece: NDArray[np.int64]  # (h, w) number of the piece that each place is next to


def outline_of(
    sharp: Sequence[Float32], depths_mm: Sequence[float], canvas: Canvas, blur_mm: float
) -> Outline:
    """Return the outline of masks (h, w) of layers, the highest first; see `solid_mask`."""
    slit = np.ones((_SLIT_PX, _SLIT_PX), np.uint8)
    closed = [np.asarray(cv2.morphologyEx(each, cv2.MORPH_CLOSE, slit), np.float32) for each in sharp]
    mask, solid = (solid_mask(some, depths_mm, canvas, blur_mm) for some in (sharp, closed))
    return Outline(
        canvas=canvas, mask=mask, solid=solid, piece=pieces_of(np.maximum.reduce(closed), canvas.step_mm)
    )


def pieces_of(solid: Float32, step_mm: float) -> NDArray[np.int64]:
    """Return the number of the piece of outline, `PIECE_MM` long, next to each pixel of a mask (h, w).

    A piece takes in both sides of the outline: half an edge, softer than it should be, looks displaced.
    """
    piece = np.zeros(solid.shape, np.int64)
    last = 0
    for outline in cv2.findContours(solid.astype(np.uint8), cv2.RETR_CCOMP, cv2.CHAIN_APPROX_NONE)[0]:
        x, y = outline.reshape(-1, 2).T
        number = last + 1 + (np.arange(len(x)) * step_mm / PIECE_MM).astype(np.int64)
        piece[y, x], last = number, int(number[-1])
    if not last:
        return piece
    _, nearest = cv2.distanceTransformWithLabels(
        (piece == 0).astype(np.uint8), cv2.DIST_L2, 5, labelType=cv2.DIST_LABEL_PIXEL
    )
    numbers = np.zeros(int(nearest.max()) + 1, np.int64)
    numbers[nearest[piece > 0]] = piece[piece > 0]
    return np.asarray(numbers[nearest])


def residual_of(
    outline: Outline,
    geometry: PictureGround,
    grown_mm: float,
    offs_mm: Sequence[Float],
    scores: Sequence[Float32],
    weights: Sequence[Float32],
) -> tuple[float, int]:
    """Return how far pieces of outline lie beside the toolpath, robust RMS in mm, and how many were asked.

    Each piece in each frame shifts by what its own pixels say, along the outline's normal.

    Parameters
    ----------
    outline : Outline
    geometry : PictureGround
    grown_mm : float
        By which lines lie wider than the toolpath says, on each side.
    offs_mm : sequence of ndarray of shape (2,)
        Where the nozzle stood, for each frame.
    scores, weights : sequence of ndarray of shape (n,)
        Of the pixels of each frame: 0 bed to 1 filament; 0 where a pixel says nothing.
    """
    off: list[float] = []
    canvas = outline.canvas
    for here, score, weight in zip(offs_mm, scores, weights, strict=True):
        value, sx, sy = outline.mask.at(geometry, here)
        steep = np.hypot(sx, sy)
        _, ox, oy = outline.solid.at(geometry, here)
        chosen = np.flatnonzero(geometry.good & (weight > 0) & (np.minimum(steep, np.hypot(ox, oy)) > _STEEP))
        if not len(chosen):
            continue
        rest = score[chosen] - np.clip(value[chosen] + grown_mm * steep[chosen], 0, 1)
        x, y = np.rint(canvas.to_px(geometry.places[chosen] + here)).astype(np.int64).T
        number = outline.piece[np.clip(y, 0, canvas.height - 1), np.clip(x, 0, canvas.width - 1)]
        angle = np.round(np.arctan2(sy[chosen], sx[chosen]) / (math.pi / 4)).astype(np.int64) % 8
        _, piece = np.unique(np.column_stack([number, angle]), axis=0, return_inverse=True)
        piece = piece.ravel()
        above = np.bincount(piece, rest * steep[chosen])
        below = np.bincount(piece, steep[chosen] ** 2)
        counted = np.bincount(piece) >= _FEWEST_PX
        off += (above[counted] / np.maximum(below[counted], 1e-9)).tolist()
    if not off:
        return math.nan, 0
    # lines that are wider or narrower than the toolpath says, all alike, do not lie beside it
    wider = float(np.clip(np.median(off), -MOST_GROWN_MM, MOST_GROWN_MM))
    return 1.4826 * float(np.median(np.abs(np.array(off) - wider))), len(off)
