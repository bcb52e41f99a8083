"""Plain parts that stay the same: they tell the camera's tone curve, and what a gain leaves of their codes.

A JPEG rounds colours alike all over a plain part, by up to half a code and in each picture anew; and the
curve is known least where few pixels tell of it. A viewer sees that as flicker of what is plain and dark. So
once gain and curve are known, the codes that each plain block should have are compared with those it has, and
what is left, hardly more than a code, is taken off in the film's own codes, where fractions of one are shown.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from twinlapse.arrays import Float
from twinlapse.imaging.light import ACROSS, DOWN, LOW, Blocks, Level, SmallPicture, middle_of
from twinlapse.imaging.tone_curve import ToneCurve, find_tone_curve

__all__ = [
    "CLIPPED_CODE",
    "DARK_CODE",
    "FOREIGN_CODES",
    "LEAST_PLAIN",
    "LEFT_STEPS",
    "LIT_PICTURES",
    "MOSTLY",
    "MOST_ALIKE",
    "MOST_LEFT_CODES",
    "PLAIN_CODES",
    "PlainParts",
    "curve_of",
    "left_over",
    "plain_parts",
]

MOST_ALIKE = 100  # pixels of three codes, about, that are asked for the curve
PLAIN_CODES = 16  # from the least to the most of 3 x 3 pixels of a small picture that are plain
LEAST_PLAIN = 0.25  # share of a block that must be plain to tell what is left
LIT_PICTURES = 8
# rounding leaves 1.4 codes at most: half a code of luma and half of blue-yellow, which is in blue 1.772 times
# (ITU-T T.871, clause 7). From there on what is off fades out: a block off by the second shows something else
MOST_LEFT_CODES, FOREIGN_CODES = 1.5, 3.0
DARK_CODE, CLIPPED_CODE = 2.0, 249.0  # mean codes of a block beyond which some pixels are clipped
MOSTLY = 0.75  # share of the pictures that must agree on a block's usual codes, or that it is dark
LEFT_STEPS = 64  # of a code, in which what is left is kept


def curve_of(sample: Sequence[SmallPicture], blocks: Blocks, level: Level) -> ToneCurve:
    """Return the camera's tone curve by the plain pixels of m small pictures spread over the film.

    `blocks` (m, DOWN, ACROSS, 3) are theirs.
    """
    if not level.inside.any() or not len(sample):
        return ToneCurve()
    middle = sample[len(sample) // 2].laid(sample[len(sample) // 2].codes)
    places = np.flatnonzero(_plain(middle, blocks, level))
    grey = middle.mean(axis=2).ravel()[places]
    order = np.argsort(grey, kind="stable")
    places = places[order]
    # of pixels of one code some tell as much as all
    step = np.floor(grey[order] / 3)
    rank = np.arange(len(places)) - np.searchsorted(step, step)
    chosen = places[rank % np.maximum(1, np.bincount(step.astype(int))[step.astype(int)] // MOST_ALIKE) == 0]
    # of one after the other: all pixels of all pictures would take as much memory as the pictures
    codes = [small.laid(small.codes).reshape(-1, 3)[chosen] for small in sample]
    return find_tone_curve(np.stack(codes) / 255)


def _plain(codes: NDArray[np.float32], blocks: Blocks, level: Level) -> NDArray[np.bool_]:
    """Return which pixels of a small picture (height, width, 3) are plain and stay the same.

    What is too dark to tell a picture's light is among them.
    """
    dark = (blocks.max(axis=-1) < 2 * LOW).mean(axis=0) > MOSTLY
    steady = level.inside | dark
    inside = cv2.resize(steady.astype(np.uint8), codes.shape[1::-1], interpolation=cv2.INTER_NEAREST)
    # where codes change from pixel to pixel, what is left of the shake would pass for a change of light
    grey = codes.mean(axis=2)
    steep = cv2.dilate(grey, np.ones((3, 3))) - cv2.erode(grey, np.ones((3, 3)))
    return np.asarray((inside > 0) & (steep <= PLAIN_CODES))


@dataclass(frozen=True, slots=True, kw_only=True)
class PlainParts:
    """The b blocks of a camera's pictures that are plain and stay the same."""

    curve: ToneCurve
    plain: NDArray[np.float32]  # (height, width, 1) of a small picture, 1 where it is
    blocks: NDArray[np.int64]  # (b,) places in the raster of DOWN x ACROSS
    share: NDArray[np.float32]  # (b, 1) of a block that is plain
    usual: Float  # (b, 3) mean codes in the common light; NaN where there are none, or not known yet

    def seen(self, small: SmallPicture, ratio: Float) -> tuple[NDArray[np.float32], Float]:
        """Return the mean codes of the blocks in a picture, and once its light is evened, (b, 3) each.

        `ratio` (3,) is the picture's light over the common one.
        """
        codes = _in_raster(small.laid(small.codes) * self.plain).reshape(-1, 3)[self.blocks] / self.share
        return codes, 255 * self.curve.code(self.curve.log_light(codes / 255) - np.log(ratio))

    def left(self, codes: NDArray[np.float32], even: Float) -> NDArray[np.int8]:
        """Return by how much the blocks are too high once the light is evened, (b, 3), steps of a code.

        `codes` and `even` are what is seen of them.
        """
        off = even - self.usual
        told = (codes > DARK_CODE) & (codes < CLIPPED_CODE) & (np.abs(off) < FOREIGN_CODES)
        fade = np.minimum(1, (FOREIGN_CODES - np.abs(off)) / (FOREIGN_CODES - MOST_LEFT_CODES))
        return np.asarray(np.rint(np.where(told, off * fade, 0) * LEFT_STEPS), np.int8)

    def known_by(self, even: Float) -> PlainParts:
        """Return the same with the usual codes of m pictures whose light is evened, (m, b, 3)."""
        off = even - middle_of(even, 0)
        near = np.abs(off) < FOREIGN_CODES
        usual = middle_of(even, 0) + np.where(near, off, 0).sum(axis=0) / np.maximum(1, near.sum(axis=0))
        return replace(self, usual=np.where(near.mean(axis=0) > MOSTLY, usual, np.nan))


def _in_raster(values: NDArray[np.float32]) -> NDArray[np.float32]:
    return np.asarray(cv2.resize(values, (ACROSS, DOWN), interpolation=cv2.INTER_AREA), np.float32)


def plain_parts(
    sample: Sequence[SmallPicture], blocks: Blocks, level: Level, curve: ToneCurve
) -> PlainParts | None:
    """Return where the plain parts are by m small pictures; their usual codes are told by `known_by`.

    None where nothing is plain, or pictures are too few to tell.
    """
    if not level.inside.any() or len(sample) < LIT_PICTURES:
        return None
    middle = sample[len(sample) // 2]
    plain = _plain(middle.laid(middle.codes), blocks, level).astype(np.float32)
    share = _in_raster(plain).ravel()
    told = np.flatnonzero(share >= LEAST_PLAIN)
    if not len(told):
        return None
    plain, unknown = plain[..., None], np.full((len(told), 3), np.nan)
    return PlainParts(curve=curve, plain=plain, blocks=told, share=share[told, None], usual=unknown)


def left_over(steps: NDArray[np.int8], blocks: NDArray[np.int64]) -> Blocks:
    """Return the codes by which a picture is too high all over it, (DOWN, ACROSS, 3).

    By the steps (b, 3) of some blocks; their neighbours get what these have on average, all others nothing.
    """
    raster = np.zeros((DOWN, ACROSS, 4), np.float32)
    own = raster.reshape(-1, 4)
    own[blocks, :3], own[blocks, 3] = steps.astype(np.float32) / LEFT_STEPS, 1
    around = cv2.boxFilter(raster, -1, (3, 3), borderType=cv2.BORDER_CONSTANT)
    near = around[..., :3] / np.maximum(around[..., 3:], 1e-6)
    return np.where(raster[..., 3:] > 0, raster[..., :3], near)
