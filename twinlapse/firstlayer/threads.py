"""Threads over the print and hairs on the bed: thin, long, and across the way the lines run.

Lines of a layer make ridges and grooves of their own, but only the way they run. What is thin and long and
runs another way is no line: a thread of oozed filament, or a hair. On the bed it is looked for where the bare
bed was photographed, since a bed may have lines of its own.
"""

from __future__ import annotations

import math

import cv2
import numpy as np

from twinlapse.arrays import Bool, Float32
from twinlapse.firstlayer.canvas import Canvas
from twinlapse.firstlayer.components import Component, components_of, grown, shrunk
from twinlapse.firstlayer.expected import Lines, drawn

__all__ = ["CLEAR_MM", "LEAST_L", "LONG_MM", "SPREADS", "WIDEST_MM", "threads"]

_WAYS = 12  # directions that are looked into
_ACROSS_MM, _ALONG_MM = 0.13, 1.3  # of the ridge that is looked for, standard deviations
_LIGHT_MM = 1.5  # what is wider is light
CLEAR_MM = 0.9  # from lines that run the same way, from the outline, from what is not seen
SPREADS = 8.0  # of the layer's own spread that a ridge must be high, somewhere
_RIDGE = 0.5  # of this, all along
LEAST_L = 2.0  # of 100, of lightness
LONG_MM, WIDEST_MM = 3.0, 1.2  # of its piece on the map


def threads(
    lightness: Float32, lines: Lines, canvas: Canvas, wanted: Bool, seen: Bool, bed: Float32 | None
) -> tuple[list[tuple[Component, float]], Bool]:
    """Return threads and hairs, how sure each is, 0 to 1, and where on the map they lie, (h, w).

    Parameters
    ----------
    lightness : ndarray of shape (h, w)
        Of the map, in an even light.
    lines : Lines
    canvas : Canvas
        On the toolpath.
    wanted, seen : ndarray of bool
    bed : ndarray of shape (h, w), optional
        By how much the map is lighter than the bare bed; None: the bed is left out.
    """
    clear = CLEAR_MM / canvas.step_mm
    inner = seen & ~grown(~seen, clear / 2)
    regions = [(lightness, shrunk(wanted, 0.4 * clear) & inner)]
    if bed is not None:
        regions.append((bed, ~grown(wanted, clear) & inner))
    masks = _directions(lines, canvas)
    ridge = np.zeros(canvas.shape, np.float32)
    for light, where in regions:
        if where.sum() < 500:
            continue
        rest = _fine(light, where, canvas)
        for k in range(_WAYS):
            high = np.abs(cv2.filter2D(rest, cv2.CV_32F, _kernel(k, canvas.step_mm)))
            spread = max(1.4826 * float(np.median(high[where])) / 0.6745, LEAST_L / SPREADS)
            free = where & ~masks[k]
            ridge = np.where(free, np.maximum(ridge, high / spread), ridge)
    found = components_of(ridge > _RIDGE * SPREADS, -ridge, canvas, 0.2)
    kept = [
        piece
        for piece in found
        if -piece.lowest > SPREADS
        and piece.length_mm >= LONG_MM
        and piece.area_mm2 / piece.length_mm <= WIDEST_MM
    ]
    where = np.zeros(canvas.shape, np.bool_)
    for piece in kept:
        x, y, wide, deep = piece.box_mm
        (left, top), (right, low) = canvas.to_px(np.array([[x, y + deep], [x + wide, y]])) + 0.5
        box = (slice(max(0, round(top)), round(low)), slice(max(0, round(left)), round(right)))
        where[box] |= (ridge > _RIDGE * SPREADS)[box]
    return [(piece, min(1.0, -piece.lowest / (2 * SPREADS))) for piece in kept], where


def _fine(light: Float32, where: Bool, canvas: Canvas) -> Float32:
    """Return what is finer than the light, 0 where nothing is known."""
    known = where.astype(np.float32)
    sigma = _LIGHT_MM / canvas.step_mm
    usual = cv2.GaussianBlur(light * known, (0, 0), sigma) / np.maximum(
        cv2.GaussianBlur(known, (0, 0), sigma), 1e-3
    )
    return np.asarray((light - usual) * known, np.float32)


def _directions(lines: Lines, canvas: Canvas) -> list[Bool]:
    """Return for each direction that is looked into where lines run nearly that way."""
    way = lines.last_mm - lines.first_mm
    angle = np.arctan2(way[:, 1], way[:, 0]) % math.pi
    masks = []
    for k in range(_WAYS):
        off = np.abs((angle - k * math.pi / _WAYS + math.pi / 2) % math.pi - math.pi / 2)
        near = off < 1.6 * math.pi / _WAYS
        some = Lines(
            first_mm=lines.first_mm[near],
            last_mm=lines.last_mm[near],
            width_mm=lines.width_mm[near],
            file_line=lines.file_line[near],
        )
        masks.append(drawn(some, canvas, 2 * CLEAR_MM) if near.any() else np.zeros(canvas.shape, np.bool_))
    return masks


def _kernel(way: int, step_mm: float) -> Float32:
    """Return a ridge of one direction (second derivative of a Gaussian across it) of response 1."""
    across, along = _ACROSS_MM / step_mm, _ALONG_MM / step_mm
    reach = math.ceil(2.5 * along)
    row, column = np.mgrid[-reach : reach + 1, -reach : reach + 1].astype(np.float64)
    turn = way * math.pi / _WAYS
    u = column * math.cos(turn) - row * math.sin(turn)  # rows run toward the front
    v = column * math.sin(turn) + row * math.cos(turn)
    ridge = (1 - (v / across) ** 2) * np.exp(-(v**2) / (2 * across**2) - u**2 / (2 * along**2))
    ridge -= ridge.mean()
    return np.asarray(ridge / np.abs(ridge).sum() * 2, np.float32)
