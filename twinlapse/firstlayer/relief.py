"""What stands up from the lines of a layer though it has their colour: the shading along them is broken.

A line that lies as it should looks the same all along: its back is lit as it is lit a few millimetres on. A
lump on it has flanks that turn away from the light. So every line is followed at its middle, and what is off
its own neighbourhood is laid out over the map; neighbouring lines are taken together. A reflection only adds
light: the flank of a lump must be darker than even the dark quarter of its neighbourhood.
"""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from twinlapse.arrays import Float, Float32
from twinlapse.firstlayer.canvas import Canvas
from twinlapse.firstlayer.components import Component, Mask, components_of
from twinlapse.firstlayer.expected import Lines

__all__ = [
    "CHUNK",
    "LARGEST_MM",
    "PART",
    "SLIMMEST",
    "SMALLEST_MM",
    "SMALLEST_MM2",
    "SPREADS",
    "SPREAD_MM",
    "lumps",
    "relief",
]

_STEP_MM = 0.1
_AROUND_MM = 4.0  # of a line that says what it should look like, each way
SPREAD_MM = 0.3  # over which neighbouring lines are taken together
_JOINED_MM = 0.02
_LIT = 55.0  # lightness, of 100: of what is darker a small share is a code or two, which noise and JPEG reach
_DARK = 0.038  # share of the light that the flank of a lump lacks; sound rehearsed layers: 0.03 at most
PART = 0.03  # share by which what belongs to a lump is off
SPREADS = 8.0  # of the layer's own spread that a lump must be off
SMALLEST_MM, SMALLEST_MM2 = 0.8, 0.6
LARGEST_MM = 4.5  # what is wider is light: the lamps mirrored in the layer
SLIMMEST = 3.0  # length over width, above which it is a line in the shade of another
CHUNK = 100_000


def relief(light: Float32, lines: Lines, canvas: Canvas, told: Mask) -> tuple[Float32, Float32]:
    """Return by what share the lines are brighter than usual, and than their dark quarter, (height, width).

    Parameters
    ----------
    light : ndarray (height, width)
        Lightness of the map.
    lines : Lines
    canvas : Canvas
        The map's, on the toolpath.
    told : ndarray of bool
        Where the map shows filament; elsewhere nothing is said.
    """
    places, chain = _followed(lines)
    pixels = canvas.to_px(places)
    column, row = np.rint(pixels).astype(np.int64).T
    inside = (column >= 0) & (row >= 0) & (column < canvas.width) & (row < canvas.height)
    known = np.zeros(len(places), np.bool_)
    known[inside] = told[row[inside], column[inside]]
    shown = cv2.remap(
        light, pixels[None, :, 0].astype(np.float32), pixels[None, :, 1].astype(np.float32), cv2.INTER_LINEAR
    )
    values = np.where(known, np.asarray(shown[0]), np.nan)
    cell = np.where(inside, row * canvas.width + column, 0)
    off, under = ((values - usual) / np.maximum(usual, _LIT) for usual in _usual(values, chain))
    return _laid_out(off, cell, canvas), _laid_out(under, cell, canvas)


def _laid_out(off: Float, cell: NDArray[np.int64], canvas: Canvas) -> Float32:
    """Return the mean of what is said around every pixel, 0 where nothing is."""
    good, size = np.isfinite(off), canvas.width * canvas.height
    total, weight = (
        np.bincount(cell[good], some, size).reshape(canvas.shape).astype(np.float32)
        for some in (off[good], np.ones(int(good.sum())))
    )
    sigma = SPREAD_MM / canvas.step_mm
    above, below = cv2.GaussianBlur(total, (0, 0), sigma), cv2.GaussianBlur(weight, (0, 0), sigma)
    return np.asarray(np.where(below > 0.02, above / np.maximum(below, 1e-6), 0), np.float32)


def lumps(off: Float32, under: Float32, canvas: Canvas) -> list[tuple[Component, float]]:
    """Return what stands up from the lines, and how sure that is, 0 to 1; see `relief` for `off`, `under`."""
    told = off[off != 0]
    if not len(told):
        return []
    # 1.4826: of a normal distribution the standard deviation over the median absolute deviation
    least = max(_DARK, SPREADS * 1.4826 * float(np.median(np.abs(told))))
    odd = (np.abs(off) > least * PART / _DARK).astype(np.uint8)
    joined = cv2.morphologyEx(odd, cv2.MORPH_CLOSE, np.ones((5, 5), np.uint8)).astype(np.bool_)
    return [
        (piece, -piece.lowest / (2 * least))
        for piece in components_of(joined, under, canvas, SMALLEST_MM2)
        if piece.lowest < -least
        and piece.width_mm >= SMALLEST_MM
        and piece.length_mm <= min(LARGEST_MM, SLIMMEST * piece.width_mm)
    ]


def _followed(lines: Lines) -> tuple[Float, NDArray[np.int64]]:
    """Return points along all lines, (n, 2), and the number of the unbroken chain that each is on."""
    count = np.maximum(1, np.round(lines.length_mm / _STEP_MM)).astype(np.int64)
    piece = np.repeat(np.arange(len(lines)), count)
    share = (np.arange(len(piece)) - np.repeat(np.cumsum(count) - count, count) + 0.5) / count[piece]
    way = lines.last_mm - lines.first_mm
    unit = way / np.maximum(lines.length_mm, 1e-9)[:, None]
    joined = np.hypot(*(lines.first_mm[1:] - lines.last_mm[:-1]).T) < _JOINED_MM
    straight = (unit[1:] * unit[:-1]).sum(axis=1) > np.cos(np.radians(30))
    chain = np.concatenate([[0], np.cumsum(~(joined & straight))])
    return lines.first_mm[piece] + share[:, None] * way[piece], chain[piece]


def _usual(values: Float, chain: NDArray[np.int64]) -> Float:
    """Return median and dark quarter, (2, n), along each chain around every point; NaN counts for nothing."""
    first = np.searchsorted(chain, chain, "left")
    last = np.searchsorted(chain, chain, "right") - 1
    reach = round(_AROUND_MM / _STEP_MM)
    offsets = np.arange(-reach, reach + 1, 3)
    usual = np.empty((2, len(values)))
    for start in range(0, len(values), CHUNK):
        part = slice(start, start + CHUNK)
        at = np.arange(len(values))[part, None] + offsets
        inside = (at >= first[part, None]) & (at <= last[part, None])
        around = np.where(inside, values[np.clip(at, 0, len(values) - 1)], np.nan)
        around.sort(axis=1)  # NaN last
        have = np.isfinite(around).sum(axis=1)
        for k, share in enumerate((2, 4)):
            at_share = around[np.arange(len(around)), np.maximum(have - 1, 0) // share]
            usual[k, part] = np.where(have > 0, at_share, np.nan)
    return usual
