"""From a camera's raw picture to a pane of the film in one single resampling.

Orientation, cropping, straightening, alignment and scaling are one map from the pixels of the pane to the raw
picture; the picture is read through it once, so that no stage softens what the next one reads.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from twinlapse.imaging.decode import Picture
from twinlapse.imaging.transforms import Float

Map = NDArray[np.float32]
_NO_MAP: Any = None  # the map holds both coordinates


@dataclass(frozen=True, slots=True, kw_only=True)
class Optics:
    """What bends the rays: a camera matrix and its distortion (OpenCV's model)."""

    matrix: tuple[tuple[float, float, float], ...]  # of a picture of `size`
    size: tuple[int, int]
    distortion: tuple[float, ...]  # k1 k2 p1 p2 k3, or k1 k2 k3 k4 of a fisheye
    fisheye: bool = False


def focal_px(width_px: int, across_deg: float, *, fisheye: bool = False) -> float:
    """Return the focal length of a lens that sees `across_deg` over its width, distortion not counted."""
    half = math.radians(across_deg) / 2
    return width_px / 2 / (half if fisheye else math.tan(half))


def optics(
    size: tuple[int, int],
    across_deg: float,
    distortion: tuple[float, ...],
    *,
    fisheye: bool = False,
    centre_px: tuple[float, float] | None = None,
) -> Optics:
    """Return the optics of a camera; without `centre_px` its axis meets the middle of its picture."""
    focal = focal_px(size[0], across_deg, fisheye=fisheye)
    middle = centre_px or ((size[0] - 1) / 2, (size[1] - 1) / 2)
    matrix = ((focal, 0.0, middle[0]), (0.0, focal, middle[1]), (0.0, 0.0, 1.0))
    return Optics(matrix=matrix, size=size, distortion=distortion, fisheye=fisheye)


def upright_map(size: tuple[int, int], rotate_deg: int, mirror: bool) -> tuple[Float, tuple[int, int]]:
    """Return the map (2, 3) from upright pixels to raw ones, and the upright size.

    The raw picture is mirrored left to right first, then turned clockwise.
    """
    width, height = size[0] - 1.0, size[1] - 1.0
    turn = {
        0: [[1, 0, 0], [0, 1, 0]],
        90: [[0, 1, 0], [-1, 0, height]],
        180: [[-1, 0, width], [0, -1, height]],
        270: [[0, -1, width], [1, 0, 0]],
    }[rotate_deg]
    matrix = np.array(turn, dtype=np.float64)
    if mirror:
        matrix[0] = [-matrix[0, 0], -matrix[0, 1], width - matrix[0, 2]]
    return matrix, size if rotate_deg in (0, 180) else (size[1], size[0])


def chain(*maps: Float) -> Float:
    """Return the map that applies `maps` from right to left."""
    total = np.eye(3)
    for matrix in maps:
        total = total @ np.vstack([matrix, [0, 0, 1]])
    return total[:2]


def pane_map(box: tuple[float, float, float, float], size: tuple[int, int]) -> Float:
    """Return the map from pixels of a pane of `size` to the part `box` (x, y, width, height) of a picture.

    Edges fall on edges: the middle of the first pixel is half a pixel inside.
    """
    x, y, width, height = box
    across, down = width / size[0], height / size[1]
    return np.array([[across, 0, x + across / 2 - 0.5], [0, down, y + down / 2 - 0.5]])


def straight_map(optics: Optics) -> Map:
    """Return for every pixel of the straightened picture its place in the raw one, (height, width, 2)."""
    matrix = np.array(optics.matrix)
    rays = np.zeros(4)
    rays[: min(4, len(optics.distortion))] = optics.distortion[:4]
    if optics.fisheye:
        x, y = cv2.fisheye.initUndistortRectifyMap(matrix, rays, np.eye(3), matrix, optics.size, cv2.CV_32FC1)
    else:
        bend = np.zeros(5)  # OpenCV takes four, five or eight values and no other number
        bend[: min(5, len(optics.distortion))] = optics.distortion[:5]
        x, y = cv2.initUndistortRectifyMap(matrix, bend, np.eye(3), matrix, optics.size, cv2.CV_32FC1)
    return np.stack([x, y], axis=2)


def resample(
    picture: Picture,
    matrix: Float,
    size: tuple[int, int],
    *,
    straight: Map | None = None,
    inner: Float | None = None,
    fine: bool = False,
) -> Picture:
    """Read a raw picture through a map once.

    Parameters
    ----------
    picture : ndarray of shape (height, width, 3) or (height, width), uint8
    matrix : ndarray of shape (2, 3)
        From pixels of the result to the raw picture, or to the straightened one where `straight` is given.
    size : (width, height) of the result
    straight : ndarray of shape (height, width, 2), optional
        See `straight_map`.
    inner : ndarray of shape (2, 3), optional
        From the raw picture that `matrix` and `straight` mean to the raw picture at hand: its `Motion`.
    fine : bool
        Lanczos instead of bilinear, some 15 times as slow. (The bicubic kernel at hand moves the content by
        up to 0.04 px, to and fro with the fraction of the shift: worse than what alignment leaves.)
    """
    way = cv2.INTER_LANCZOS4 if fine else cv2.INTER_LINEAR
    if straight is None:
        matrix = matrix if inner is None else chain(inner, matrix)
        laid = cv2.warpAffine(
            picture, matrix, size, flags=way | cv2.WARP_INVERSE_MAP, borderMode=cv2.BORDER_REPLICATE
        )
    else:
        at: Any = cv2.warpAffine(
            straight,
            matrix,
            size,
            flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP,
            borderMode=cv2.BORDER_REPLICATE,
        )
        at = at if inner is None else cv2.transform(at, inner)
        laid = cv2.remap(picture, at, _NO_MAP, way, borderMode=cv2.BORDER_REPLICATE)
    return np.asarray(laid, dtype=np.uint8)
