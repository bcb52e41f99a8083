"""From a camera's raw picture to a pane of the film in one single resampling.

Orientation, cropping, straightening, alignment and scaling are one map from the pixels of the pane to the raw
picture; the picture is read through it once, so that no stage softens what the next one reads.
"""

from __future__ import annotations

from typing import Any, TypeVar, cast

import cv2
import numpy as np
from numpy.typing import NDArray

from twinlapse.arrays import Float, Picture
from twinlapse.optics.lens import camera_matrix
from twinlapse.rig.camera import Lens

__all__ = ["Map", "chain", "pane_map", "resample", "straight_map", "upright_map"]

Pixels = TypeVar("Pixels", Picture, NDArray[np.float32])
Map = NDArray[np.float32]
_NO_MAP: Any = None  # the map holds both coordinates


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


def straight_map(lens: Lens) -> Map:
    """Return for every pixel of the straightened picture its place in the raw one, (height, width, 2).

    The straightened picture keeps the focal length and the axis of the raw one.
    """
    matrix = camera_matrix(lens)
    size = (lens.width_px, lens.height_px)
    terms = np.zeros(4 if lens.kind == "fisheye" else 5)  # OpenCV takes these numbers of terms and no others
    given = lens.distortion[: len(terms)]
    terms[: len(given)] = given
    undistort = cv2.fisheye.initUndistortRectifyMap if lens.kind == "fisheye" else cv2.initUndistortRectifyMap
    x, y = undistort(matrix, terms, np.eye(3), matrix, size, cv2.CV_32FC1)
    return np.stack([x, y], axis=2)


def resample(
    picture: Pixels,
    matrix: Float,
    size: tuple[int, int],
    *,
    straight: Map | None = None,
    inner: Float | None = None,
    fine: bool = False,
    room: Picture | None = None,
) -> Pixels:
    """Read a raw picture through a map once.

    Parameters
    ----------
    picture : ndarray of shape (height, width, 3) or (height, width)
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
    room : ndarray of the shape of the result, optional
        Memory that it may lie in.
    """
    way = cv2.INTER_LANCZOS4 if fine else cv2.INTER_LINEAR
    if straight is None:
        matrix = matrix if inner is None else chain(inner, matrix)
        laid = cv2.warpAffine(
            picture, matrix, size, dst=room, flags=way | cv2.WARP_INVERSE_MAP, borderMode=cv2.BORDER_REPLICATE
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
    return cast(Pixels, laid)
