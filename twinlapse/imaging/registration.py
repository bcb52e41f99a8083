"""How far the content of tiles of a picture has moved against a reference: phase correlation, tile by tile.

The phase of the cross-power spectrum is a plane whose slope is the shift (Kuglin and Hines 1975). Weighting
it by a Gaussian in frequency makes the correlation peak a Gaussian of known width, so that a parabola
through the logarithms of its samples finds the peak without bias; only the low quarter of the band, which
holds nearly all that rises above sensor noise, is ever transformed back.
"""

from __future__ import annotations

import functools
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from twinlapse.arrays import Float, Grey
from twinlapse.imaging.motion_blur import blurs, find_blur, nearest_blur
from twinlapse.imaging.spectrum_kernels import slopes_of
from twinlapse.imaging.tile_spectra import Corners, Spectra, spectra_at, surfaces, weighted_phases
from twinlapse.imaging.transforms import Model, fit_maps, way_of
from twinlapse.jit import Kernel

__all__ = [
    "BAND",
    "Reference",
    "Votes",
    "chance",
    "make_reference",
    "measure",
    "measure_near",
    "reference_at",
]

_LOOKS = 3  # at a picture at most, each from where the one before found it
_AT_ONCE = 128  # tiles that are compared together: more would not stay near the processor
BAND = 0.09  # standard deviation of the weight, cycles per pixel


@dataclass(frozen=True, slots=True, kw_only=True)
class Reference:
    """Tiles of a picture, ready to be looked for in others."""

    size: tuple[int, int]  # width, height of the picture
    tile_px: int
    corners: Corners  # (n, 2) x, y of each tile's first pixel
    spectra: Spectra  # (n, tile/2, tile/4 + 1), conjugated
    energy: NDArray[np.float32] = field(init=False)  # of all tiles together, (tile/2, tile/4 + 1)

    def __post_init__(self) -> None:
        energy = np.asarray((np.abs(self.spectra) ** 2).sum(axis=0), np.float32)
        object.__setattr__(self, "energy", energy)

    @property
    def centres(self) -> Float:
        """Middles of the tiles, (n, 2) px."""
        return self.corners.astype(np.float64) + (self.tile_px - 1) / 2

    def __len__(self) -> int:
        return len(self.corners)

    def keep(self, places: NDArray[Any]) -> Reference:
        """Return the reference with the chosen tiles only."""
        return replace(self, corners=self.corners[places], spectra=self.spectra[places])


@dataclass(frozen=True, slots=True, kw_only=True)
class Votes:
    """What k tiles say of m pictures."""

    shifts: Float  # (m, k, 2) px: content of the reference's tile lies this far away in the picture
    peaks: Float  # (m, k) 0 to 1: share of the spectrum that agrees on the shift
    tile_px: int
    kinds: NDArray[np.int64]  # (m,) which of `blurs` each picture shows, -1 for none
    blur: Float  # (m, 2) px: the way of each picture while it was exposed, zeros where it is sharp

    @property
    def weights(self) -> Float:
        """How much each vote counts, (m, k): nothing where its peak is what chance makes."""
        return np.clip(self.peaks - self.floor[:, None], 0, None)

    @property
    def floor(self) -> Float:
        """Return the peak that chance makes in each picture, (m,)."""
        return np.array([chance(self.tile_px, kind) for kind in self.kinds.tolist()])


@functools.lru_cache(maxsize=512)
def chance(tile_px: int, blur: int = -1) -> float:
    """Return the peak that unrelated content of a tile hardly reaches: eight standard deviations.

    Noise alone would stay below four; edges that happen to run alike do not. A blur narrows the band that is
    compared, and raises what chance makes.
    """
    weight, total = _blurred_band(tile_px, blur)
    return float(8 * np.sqrt((weight.astype(np.float64) ** 2).sum() * 2) / total)


def make_reference(
    grey: Grey,
    *,
    tile_px: int = 128,
    step: float = 0.8,
    area: tuple[int, int, int, int] | None = None,
    ignore: Grey | None = None,
    most: int = 20,
) -> Reference:
    """Choose textured tiles all over a picture and transform them.

    Parameters
    ----------
    grey : ndarray of shape (height, width), uint8
    tile_px : int
        Edge of the tiles.
    step : float
        From tile to tile, in edges.
    area : (x, y, width, height), optional
        Where tiles may lie.
    ignore : ndarray of shape (height, width), optional
        Non-zero where no tile may lie: the nozzle in its own picture.
    most : int
        Tiles are thinned to this number, the poorest in texture first.
    """
    height, width = grey.shape
    tile = min(tile_px, 16 * (min(height, width) // 16))
    corners = _grid(area or (0, 0, width, height), tile, step, margin=0 if area else tile // 16)
    texture = np.array([_texture(grey[y : y + tile, x : x + tile]) for x, y in corners])
    if ignore is not None and len(corners):
        covered = np.array([np.mean(ignore[y : y + tile, x : x + tile] != 0) for x, y in corners])
        texture[covered > 0.1] = 0
    usable = np.flatnonzero(texture > max(2.0, 0.02 * float(texture.max(initial=0))))
    chosen = np.sort(usable[np.argsort(-texture[usable], kind="stable")][:most])
    return reference_at(grey, corners[chosen], tile)


def reference_at(grey: Grey, corners: Corners, tile_px: int) -> Reference:
    """Transform the tiles of a picture that begin at the given places."""
    size = (grey.shape[1], grey.shape[0])
    spectra = np.conj(spectra_at(grey, corners, tile_px))
    return Reference(size=size, tile_px=tile_px, corners=corners, spectra=spectra)


def measure(
    reference: Reference, greys: Sequence[Grey], model: Model = "rotation", near: Float | None = None
) -> Votes:
    """Return how far each tile of the reference has moved in each of m pictures.

    `near` (m, 2, 3) are maps from the reference to each picture as they are about known; by themselves they
    are told by the first look. Where that shows half a pixel or a turn, a picture is laid on the reference by
    what was found and looked at again: a window that cuts off different content at its edges drags the result
    to zero.
    """
    here = np.broadcast_to(reference.corners, (len(greys), len(reference), 2))
    votes = _look(reference, greys, here, told=True)
    if not len(reference):
        return votes
    centres = reference.centres
    matrices, confidence = fit_maps(centres, votes.shifts, votes.weights, model)
    if near is not None:
        matrices, confidence = near, np.ones(len(greys))
    rows = np.flatnonzero((confidence >= 0.2) & (np.abs(way_of(matrices, centres)).max(axis=(1, 2)) >= 0.5))
    for _ in range(_LOOKS):
        _look_again(reference, greys, votes, matrices, rows)
        # a first look at what moved by half a tile is not near enough for one more to be the last
        off = np.abs(votes.shifts[rows] - way_of(matrices[rows], centres)).max(axis=2)
        rows = rows[np.median(off, axis=1) > 1]
        if not len(rows):
            break
        matrices[rows], _ = fit_maps(centres, votes.shifts[rows], votes.weights[rows], model)
    return _sharpened(reference, greys, votes)


def _look_again(
    reference: Reference, greys: Sequence[Grey], votes: Votes, matrices: Float, rows: NDArray[np.int64]
) -> None:
    """Look at some pictures once more, laid on the reference by maps (m, 2, 3); write it into `votes`."""
    way = way_of(matrices, reference.centres)
    bent = np.abs(way - way.mean(axis=1, keepdims=True)).max(axis=(1, 2))[rows] > 0.75
    moved, turned = rows[~bent], rows[bent]
    if len(moved):
        again = measure_near(reference, [greys[row] for row in moved.tolist()], way[moved])
        votes.shifts[moved], votes.peaks[moved] = again.shifts, again.peaks
        votes.kinds[moved] = again.kinds
    if len(turned):
        laid = [_laid(greys[row], matrices[row], reference.size) for row in turned.tolist()]
        here = np.broadcast_to(reference.corners, (len(turned), len(reference), 2))
        again = _look(reference, laid, here, told=True)
        votes.shifts[turned] = again.shifts + way_of(matrices[turned], reference.centres + again.shifts)
        votes.peaks[turned] = again.peaks
        votes.kinds[turned] = again.kinds


def _sharpened(reference: Reference, greys: Sequence[Grey], votes: Votes) -> Votes:
    """Look again at pictures that are blurred by motion, with the same blur laid on the comparison."""
    for row in np.flatnonzero(votes.kinds >= 0).tolist():
        kind, found, peaks = int(votes.kinds[row]), votes.shifts[row : row + 1], np.zeros(0)
        for _ in range(2):  # the first look may be off by half of the way, which the window's edges then show
            at = _places(reference, np.median(found[0], axis=0))
            found, peaks, _ = _compared(reference, [greys[row]], at[None], kind)
            found = found + (at - reference.corners)
        over = np.clip(peaks - chance(reference.tile_px, kind), 0, None).mean()
        if over < np.clip(votes.peaks[row] - chance(reference.tile_px), 0, None).mean():
            votes.kinds[row] = -1  # what looked like a blur is something that has changed
            continue
        votes.shifts[row], votes.peaks[row] = found[0], peaks[0]
        votes.blur[row] = blurs(reference.tile_px)[1][kind]
    return votes


def measure_near(
    reference: Reference, greys: Sequence[Grey], expected: Float, blur: Float | None = None
) -> Votes:
    """Return how far each tile has moved, looked for around an expected shift.

    Parameters
    ----------
    reference : Reference
    greys : sequence of m ndarray of shape (height, width), uint8
    expected : ndarray of shape (m, k, 2), px
        Whole pixels of it need no resampling and are taken out before the look.
    blur : ndarray of shape (m, 2), px, optional
        The way of each picture while it was exposed; by itself it is found.
    """
    at = _places(reference, expected)
    votes = _look(reference, greys, at, told=blur is None)
    votes.shifts[:] += at - reference.corners
    if blur is not None and len(reference):
        for row in np.flatnonzero(blur.any(axis=1)).tolist():
            votes.kinds[row] = nearest_blur(blur[row], reference.tile_px)
        votes = _sharpened(reference, greys, votes)
    return votes


def _places(reference: Reference, expected: Float) -> Corners:
    room = np.array(reference.size) - reference.tile_px
    return np.clip(reference.corners + np.rint(expected).astype(np.int64), 0, room)


def _laid(grey: Grey, matrix: Float, size: tuple[int, int]) -> Grey:
    flags = cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
    laid = cv2.warpAffine(grey, matrix, size, flags=flags, borderMode=cv2.BORDER_REPLICATE)
    return np.asarray(laid, dtype=np.uint8)


def _grid(area: tuple[int, int, int, int], tile: int, step: float, margin: int) -> Corners:
    def starts(first: int, length: int) -> NDArray[np.int64]:
        edge = max(0, min(margin, (length - tile) // 2))
        room = length - tile - 2 * edge
        if room < 0:
            return np.zeros(0, np.int64)
        return np.linspace(first + edge, first + edge + room, round(room / tile / step) + 1).astype(np.int64)

    xs, ys = np.meshgrid(starts(area[0], area[2]), starts(area[1], area[3]))
    return np.stack([xs.ravel(), ys.ravel()], axis=1)


def _texture(tile: Grey) -> float:
    """Weaker of the two eigenvalues of the structure tensor: an edge alone says nothing along itself."""
    soft = cv2.GaussianBlur(tile, (0, 0), 2.0)
    if isinstance(slopes_of, Kernel):
        xx, yy, xy = slopes_of(soft)
    else:
        dy, dx = np.gradient(soft.astype(np.float32))
        xx, yy, xy = float((dx * dx).mean()), float((dy * dy).mean()), float((dx * dy).mean())
    least = (xx + yy) / 2 - float(np.hypot((xx - yy) / 2, xy))
    return float(np.sqrt(max(0.0, least)) * 32)


def _look(reference: Reference, greys: Sequence[Grey], corners: Corners, *, told: bool) -> Votes:
    """Compare the tiles of m pictures that begin at `corners` (m, k, 2) with those of the reference.

    With `told` it is told which blur the pictures show.
    """
    tile, shape = reference.tile_px, corners.shape[:2]
    shifts, peaks, kinds = np.zeros((*shape, 2)), np.zeros(shape), np.full(shape[0], -1)
    step = max(1, _AT_ONCE // max(1, shape[1]))
    for start in range(0, len(greys), step):
        rows = slice(start, start + step)
        shifts[rows], peaks[rows], kinds[rows] = _compared(reference, greys[rows], corners[rows], told=told)
    return Votes(shifts=shifts, peaks=peaks, tile_px=tile, blur=np.zeros((shape[0], 2)), kinds=kinds)


def _compared(
    reference: Reference, greys: Sequence[Grey], corners: Corners, blur: int = -1, *, told: bool = False
) -> tuple[Float, Float, NDArray[np.int64]]:
    """Return shifts, peaks and the kind of blur of each picture; `blur` is laid on the comparison."""
    tile = reference.tile_px
    weight, total = _blurred_band(tile, blur)
    seen = np.stack([spectra_at(grey, at, tile) for grey, at in zip(greys, corners, strict=True)])
    cross, sizes = weighted_phases(seen, reference.spectra, weight)
    kinds = np.full(len(greys), -1)
    if told and len(reference):
        energy = reference.energy
        inner = energy * weight
        for row, transfer in enumerate(sizes / np.maximum(energy, 1e-3)):
            kinds[row] = find_blur(transfer, inner, tile)
    # a sample of the surface is two pixels; where the peak has lost its known shape, half a pixel
    side = tile // 2 if blur < 0 else 2 * tile
    cross = cross if blur < 0 else _padded(cross, side)
    surface = surfaces(cross.reshape(-1, *cross.shape[2:]))
    surface /= np.float32(total)
    shifts, peaks = _peaks(surface)
    return shifts.reshape(*corners.shape) * (tile / side), peaks.reshape(corners.shape[:2]), kinds


def _padded(cross: Spectra, side: int) -> Spectra:
    """Return spectra with zeros beyond their band, for a surface of side x side samples."""
    half = cross.shape[-2] // 2
    wide = np.zeros((*cross.shape[:-2], side, side // 2 + 1), np.complex64)
    wide[..., :half, : cross.shape[-1]] = cross[..., :half, :]
    wide[..., -half:, : cross.shape[-1]] = cross[..., half:, :]
    return wide


@functools.lru_cache(maxsize=8)
def _band(tile: int) -> tuple[NDArray[np.float32], float]:
    quarter = tile // 4
    fy = np.concatenate([np.arange(quarter), np.arange(-quarter, 0)]) / tile
    fx = np.arange(quarter + 1) / tile
    weight = np.exp(-(fy[:, None] ** 2 + fx**2) / (2 * BAND**2))
    weight[0, 0] = 0  # the mean was taken out: its phase is noise
    return weight.astype(np.float32), float(2 * weight.sum() - weight[:, 0].sum())


def _blurred_band(tile: int, blur: int) -> tuple[NDArray[np.float32], float]:
    weight, total = _band(tile)
    if blur < 0:
        return weight, total
    laid = weight * blurs(tile)[0][blur]
    return laid, total * float(np.abs(laid).sum() / weight.sum())


def _peaks(surface: NDArray[Any]) -> tuple[Float, Float]:
    """Return place (n, 2) and height (n,) of the highest point of each surface, between its samples."""
    count, height, width = surface.shape
    if not count:
        return np.zeros((0, 2)), np.zeros(0)
    top = surface.reshape(count, -1).argmax(axis=1)
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
    return np.stack([x, y], axis=1), np.clip(peaks, 0, 1)
