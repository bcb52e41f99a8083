"""How far the content of tiles of a picture has moved against a reference: phase correlation, tile by tile.

The phase of the cross-power spectrum is a plane whose slope is the shift (Kuglin and Hines 1975). Weighting
it by a Gaussian in frequency makes the correlation peak a Gaussian of known width, so that a parabola
through the logarithms of its samples finds the peak without bias; only the low quarter of the band, which
holds nearly all that rises above sensor noise, is ever transformed back.
"""

from __future__ import annotations

import functools
from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from twinlapse.imaging.motion import Float, Model, fit_map

Grey = NDArray[np.uint8]
Spectra = NDArray[np.complex64]

BAND = 0.09  # standard deviation of the weight, cycles per pixel
WEAK = 0.2  # peaks below this are as high as chance makes them


@dataclass(frozen=True, slots=True, kw_only=True)
class Reference:
    """Tiles of a picture, ready to be looked for in others."""

    size: tuple[int, int]  # width, height of the picture
    tile_px: int
    corners: NDArray[np.int64]  # (n, 2) x, y of each tile's first pixel
    spectra: Spectra  # (n, tile/2, tile/4 + 1), conjugated

    @property
    def centres(self) -> Float:
        """Middles of the tiles, (n, 2) px."""
        return self.corners.astype(np.float64) + (self.tile_px - 1) / 2


@dataclass(frozen=True, slots=True, kw_only=True)
class Votes:
    """What n tiles say."""

    shifts: Float  # (n, 2) px: content of the reference's tile lies this far away in the picture
    peaks: Float  # (n,) 0 to 1: share of the spectrum that agrees on the shift


def tile_size(width_px: int) -> int:
    """Return the edge of the tiles for a picture of this width."""
    return 128 if width_px < 900 else 192 if width_px < 1500 else 256


def make_reference(grey: Grey, *, ignore: Grey | None = None, most: int = 20) -> Reference:
    """Choose textured tiles all over a picture and transform them.

    Parameters
    ----------
    grey : ndarray of shape (height, width), uint8
    ignore : ndarray of shape (height, width), optional
        Non-zero where no tile may lie: the nozzle in its own picture.
    most : int
        Tiles are thinned to this number, the poorest in texture first.
    """
    height, width = grey.shape
    tile = min(tile_size(width), 32 * (min(height, width) // 32))
    corners = _grid(width, height, tile)
    texture = np.array([_texture(grey[y : y + tile, x : x + tile]) for x, y in corners])
    if ignore is not None:
        covered = np.array([np.mean(ignore[y : y + tile, x : x + tile] != 0) for x, y in corners])
        texture[covered > 0.1] = 0
    usable = np.flatnonzero(texture > max(2.0, 0.02 * float(texture.max(initial=0))))
    chosen = np.sort(usable[np.argsort(-texture[usable], kind="stable")][:most])
    corners = corners[chosen]
    spectra = np.conj(_spectra(grey, corners, tile))
    return Reference(size=(width, height), tile_px=tile, corners=corners, spectra=spectra)


def measure(reference: Reference, grey: Grey, model: Model = "rotation") -> Votes:
    """Return how far each tile of the reference has moved in `grey`.

    When the first look shows half a pixel or a turn, the picture is laid on the reference by what was found
    and looked at again: a window that cuts off different content at its edges drags the result to zero.
    """
    votes = _look(reference, grey)
    if not len(reference.corners):
        return votes
    matrix, confidence = fit_map(reference.centres, votes.shifts, vote_weights(votes), model)
    way = reference.centres @ matrix[:, :2].T + matrix[:, 2] - reference.centres
    if confidence < 0.2 or np.abs(way).max() < 0.5:
        return votes
    turned = np.abs(way - way.mean(axis=0)).max() > 0.75
    if not turned:  # whole pixels need no resampling
        matrix = np.array([[1.0, 0, 0], [0, 1.0, 0]])
        matrix[:, 2] = np.round(np.median(way, axis=0))
    laid = cv2.warpAffine(
        grey,
        matrix,
        reference.size,
        flags=(cv2.INTER_LINEAR if turned else cv2.INTER_NEAREST) | cv2.WARP_INVERSE_MAP,
        borderMode=cv2.BORDER_REPLICATE,
    )
    again = _look(reference, np.asarray(laid, dtype=np.uint8))
    total = (reference.centres + again.shifts) @ matrix[:, :2].T + matrix[:, 2] - reference.centres
    return Votes(shifts=total, peaks=again.peaks)


def vote_weights(votes: Votes) -> Float:
    """Return how much each tile's vote counts: nothing where its peak is what chance makes."""
    return np.clip(votes.peaks - WEAK, 0, None)


def _grid(width: int, height: int, tile: int) -> NDArray[np.int64]:
    margin = min(tile // 16, (width - tile) // 2, (height - tile) // 2)

    def starts(length: int) -> NDArray[np.int64]:
        room = length - tile - 2 * margin
        count = max(1, round(room / tile * 1.25) + 1) if room > 0 else 1
        return np.linspace(margin, margin + room, count).astype(np.int64)

    xs, ys = np.meshgrid(starts(width), starts(height))
    return np.stack([xs.ravel(), ys.ravel()], axis=1)


def _texture(tile: Grey) -> float:
    """Weaker of the two eigenvalues of the structure tensor: an edge alone says nothing along itself."""
    small = cv2.GaussianBlur(tile, (0, 0), 2.0).astype(np.float32)
    dy, dx = np.gradient(small)
    xx, yy, xy = float((dx * dx).mean()), float((dy * dy).mean()), float((dx * dy).mean())
    least = (xx + yy) / 2 - float(np.hypot((xx - yy) / 2, xy))
    return float(np.sqrt(max(0.0, least)) * 32)


def _look(reference: Reference, grey: Grey) -> Votes:
    tile = reference.tile_px
    cross = _spectra(grey, reference.corners, tile)
    cross *= reference.spectra
    size = np.abs(cross)
    cross /= np.maximum(size, 1e-3)
    weight, total = _band(tile)
    cross *= weight
    surface = np.fft.irfft2(cross, (tile // 2, tile // 2))
    return _peaks(surface * (tile // 2) ** 2 / total, scale=2.0)


def _spectra(grey: Grey, corners: NDArray[np.int64], tile: int) -> Spectra:
    quarter = tile // 4
    window = _window(tile)
    spectra = np.empty((len(corners), 2 * quarter, quarter + 1), np.complex64)
    for place, (x, y) in enumerate(corners):
        # a fresh array: the window must never be multiplied into the caller's picture
        part = grey[y : y + tile, x : x + tile].astype(np.float32)
        part -= cv2.mean(part)[0]
        part *= window
        whole: Any = cv2.dft(part, flags=cv2.DFT_COMPLEX_OUTPUT).view(np.complex64)[..., 0]
        spectra[place, :quarter] = whole[:quarter, : quarter + 1]
        spectra[place, quarter:] = whole[-quarter:, : quarter + 1]
    return spectra


@functools.lru_cache(maxsize=8)
def _window(tile: int) -> NDArray[np.float32]:
    edge = np.hanning(tile)
    return np.outer(edge, edge).astype(np.float32)


@functools.lru_cache(maxsize=8)
def _band(tile: int) -> tuple[NDArray[np.float32], float]:
    quarter = tile // 4
    fy = np.concatenate([np.arange(quarter), np.arange(-quarter, 0)]) / tile
    fx = np.arange(quarter + 1) / tile
    weight = np.exp(-(fy[:, None] ** 2 + fx**2) / (2 * BAND**2))
    weight[0, 0] = 0  # the mean was taken out: its phase is noise
    return weight.astype(np.float32), float(2 * weight.sum() - weight[:, 0].sum())


def _peaks(surface: NDArray[Any], scale: float) -> Votes:
    count, height, width = surface.shape
    flat = surface.reshape(count, -1)
    top = flat.argmax(axis=1) if count else np.zeros(0, np.int64)
    row, column = np.divmod(top, width)
    each = np.arange(count)

    def log_at(dy: int, dx: int) -> Float:
        value = surface[each, (row + dy) % height, (column + dx) % width]
        return np.asarray(np.log(np.maximum(value.astype(np.float64), 1e-6)))

    middle = log_at(0, 0)

    def offset(before: Float, after: Float) -> Float:
        bend = before - 2 * middle + after
        return np.asarray(np.where(bend < -1e-9, (before - after) / (2 * np.minimum(bend, -1e-9)), 0.0))

    x = (column + width // 2) % width - width // 2 + offset(log_at(0, -1), log_at(0, 1))
    y = (row + height // 2) % height - height // 2 + offset(log_at(-1, 0), log_at(1, 0))
    peaks = surface[each, row, column].astype(np.float64)
    return Votes(shifts=np.stack([x, y], axis=1) * scale, peaks=np.clip(peaks, 0, 1))
