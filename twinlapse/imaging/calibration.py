"""A camera's optics from pictures of a chessboard, each view judged and the bad ones left out.

The method is Zhang's (2000) as OpenCV has it; what is added is the judgement of views.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from twinlapse.errors import FrameError
from twinlapse.imaging.decode import picture_size, read_picture
from twinlapse.rig.camera import Lens

__all__ = ["WINDOW_PX", "BoardView", "Calibration", "calibrate", "find_corners"]

WINDOW_PX = 5  # half width of the window in which a corner is refined: wider ones reach the next corner
_FEWEST = 4
_WORST = 2.0  # a view this many times worse than the median is left out


@dataclass(frozen=True, slots=True, kw_only=True)
class BoardView:
    """One picture of the board and how well the optics explain it."""

    path: Path
    rms_px: float | None  # None: no board was found
    used: bool
    why: str = ""  # it is not used


@dataclass(frozen=True, slots=True, kw_only=True)
class Calibration:
    """The lens of a camera, and how far it can be trusted."""

    lens: Lens
    matrix: tuple[tuple[float, float, float], ...]  # as OpenCV gives it; the lens has one focal length, fx
    rms_px: float
    across_deg: float  # angle that the picture's width spans, distortion not counted
    views: tuple[BoardView, ...]


def calibrate(
    paths: Sequence[Path],
    *,
    corners: tuple[int, int] = (9, 6),
    fisheye: bool = False,
    progress: Callable[[float], None] | None = None,
) -> Calibration:
    """Calibrate from pictures of one chessboard.

    Parameters
    ----------
    paths : sequence of Path
        Eight pictures and more, tilted in all directions, the board reaching into every corner.
    corners : (int, int)
        Inner corners along and across. The size of the squares does not matter for the optics.
    fisheye : bool
    progress : callable, optional

    Raises
    ------
    FrameError
        when the board is seen in fewer than four pictures of one size.
    """
    found: dict[Path, NDArray[np.float32]] = {}
    why: dict[Path, str] = {}
    sizes = Counter(size for size in map(picture_size, paths) if size is not None)
    size = sizes.most_common(1)[0][0] if sizes else (0, 0)
    for done, path in enumerate(paths, 1):
        try:
            found[path] = _board(path, size, corners)
        except FrameError as error:
            why[path] = error.what
        if progress is not None:
            progress(done / len(paths))
    if len(found) < _FEWEST:
        raise FrameError(
            f"a board with {corners[0]} x {corners[1]} inner corners is seen in {len(found)} pictures",
            f"take at least {_FEWEST}, better a dozen, and check the number of inner corners",
            path=paths[0].parent if paths else None,
        )
    return _solve(list(paths), found, why, corners, size, fisheye)


def _board(path: Path, size: tuple[int, int], corners: tuple[int, int]) -> NDArray[np.float32]:
    grey = read_picture(path, grey=True)
    here = (grey.shape[1], grey.shape[0])
    if here != size:
        raise FrameError(f"{here[0]} x {here[1]}, the others {size[0]} x {size[1]}", "", path=path)
    board = find_corners(grey, corners)
    if board is None:
        raise FrameError("no board found", "", path=path)
    return board


def find_corners(grey: NDArray[np.uint8], corners: tuple[int, int]) -> NDArray[np.float32] | None:
    """Return the inner corners of a chessboard, (n, 1, 2) px, refined; None where there is no whole board."""
    flags = cv2.CALIB_CB_ADAPTIVE_THRESH + cv2.CALIB_CB_NORMALIZE_IMAGE + cv2.CALIB_CB_FAST_CHECK
    seen, board = cv2.findChessboardCorners(grey, corners, flags=flags)
    if not seen:
        return None
    stop = (cv2.TERM_CRITERIA_EPS + cv2.TERM_CRITERIA_MAX_ITER, 60, 1e-4)
    refined = cv2.cornerSubPix(grey, board, (WINDOW_PX, WINDOW_PX), (-1, -1), stop)
    # OpenCV 5 gives (n, 2) where 4 gives (n, 1, 2)
    return np.asarray(refined, dtype=np.float32).reshape(-1, 1, 2)


def _solve(
    paths: list[Path],
    found: dict[Path, NDArray[np.float32]],
    why: dict[Path, str],
    corners: tuple[int, int],
    size: tuple[int, int],
    fisheye: bool,
) -> Calibration:
    used, judged = list(found), dict[Path, float]()
    while True:
        rms, matrix, bend, errors = _fit([found[path] for path in used], corners, size, fisheye)
        judged |= zip(used, errors, strict=True)
        limit = max(_WORST * float(np.median(errors)), 0.05)
        kept = [path for path, error in zip(used, errors, strict=True) if error <= limit]
        if len(kept) == len(used) or len(kept) < _FEWEST:
            break
        used = kept
    why |= {path: "left out" for path in found if path not in used}
    views = tuple(
        BoardView(path=path, rms_px=judged.get(path), used=path in used, why=why.get(path, ""))
        for path in paths
    )
    half = size[0] / 2 / float(matrix[0, 0])
    across = math.degrees(2 * half if fisheye else 2 * math.atan(half))
    lens = Lens(
        width_px=size[0],
        height_px=size[1],
        across_deg=across,
        kind="fisheye" if fisheye else "pinhole",
        distortion=tuple(float(value) for value in bend.ravel()[:5]),
        centre_px=(float(matrix[0, 2]), float(matrix[1, 2])),
    )
    rows = tuple((float(row[0]), float(row[1]), float(row[2])) for row in matrix)
    return Calibration(lens=lens, matrix=rows, rms_px=rms, across_deg=across, views=views)


def _fit(
    boards: list[NDArray[np.float32]], corners: tuple[int, int], size: tuple[int, int], fisheye: bool
) -> tuple[float, NDArray[np.float64], NDArray[np.float64], list[float]]:
    grid = np.zeros((corners[0] * corners[1], 1, 3), np.float32)
    grid[:, 0, :2] = np.mgrid[0 : corners[0], 0 : corners[1]].T.reshape(-1, 2)
    objects: Any = [grid] * len(boards)
    start: Any = None
    if fisheye:
        flags = cv2.fisheye.CALIB_RECOMPUTE_EXTRINSIC + cv2.fisheye.CALIB_FIX_SKEW
        rms, matrix, bend, turns, ways = cv2.fisheye.calibrate(
            objects, boards, size, np.eye(3), np.zeros(4), flags=flags
        )
        project: Any = cv2.fisheye.projectPoints
    else:
        rms, matrix, bend, turns, ways = cv2.calibrateCamera(objects, boards, size, start, start)
        project = cv2.projectPoints
    errors = []
    for board, turn, way in zip(boards, turns, ways, strict=True):
        landed, _ = project(grid, turn, way, matrix, bend)
        off = np.asarray(landed).reshape(-1, 2) - board.reshape(-1, 2)
        errors.append(float(np.sqrt((off**2).sum(axis=1).mean())))
    return float(rms), np.asarray(matrix, np.float64), np.asarray(bend, np.float64), errors
