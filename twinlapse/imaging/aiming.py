"""A camera's pose from points of known place, with its uncertainty.

The start is OpenCV's solution on straightened rays, so that a fisheye is no special case. The answer is a
least-squares fit of this project's own projection, whose curvature gives the uncertainty.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import cv2
import numpy as np

from twinlapse.arrays import Float, Picture
from twinlapse.errors import FrameError
from twinlapse.imaging.calibration import find_corners
from twinlapse.optics.lens import unproject
from twinlapse.optics.pose import Pose, see
from twinlapse.rig import Lens

__all__ = ["FLOOR_PX", "Aim", "Board", "aim_at_board", "solve_pose"]

_FEWEST = 6  # points; four would fit without showing an error
FLOOR_PX = 0.05  # a corner is not known better than this, however well the fit looks
_STEPS = 30


@dataclass(frozen=True, slots=True, kw_only=True)
class Aim:
    """A solved pose and how far it can be trusted (one standard deviation)."""

    pose: Pose
    rms_px: float
    place_error_mm: Float  # (3,)
    turn_error_deg: Float  # (3,) about the camera's own right, down and forward axes


@dataclass(frozen=True, slots=True, kw_only=True)
class Board:
    """A chessboard lying on the bed."""

    corners: tuple[int, int] = (9, 6)  # inner corners along and across
    square_mm: float = 10.0
    at_mm: tuple[float, float] = (0.0, 0.0)  # place of the marked inner corner
    turn_deg: float = 0.0  # of its long side from the X axis, anticlockwise from above
    z_mm: float = 0.0

    def points_mm(self) -> Float:
        """Return the inner corners (n, 3), row by row from the marked one."""
        along, across = np.meshgrid(np.arange(self.corners[0]), np.arange(self.corners[1]))
        flat = np.column_stack([along.ravel(), across.ravel()]) * self.square_mm
        turn = math.radians(self.turn_deg)
        spin = np.array([[math.cos(turn), -math.sin(turn)], [math.sin(turn), math.cos(turn)]])
        return np.column_stack([flat @ spin.T + self.at_mm, np.full(len(flat), self.z_mm)])


def aim_at_board(picture: Picture, board: Board, lens: Lens, expected: Pose) -> Aim:
    """Return the pose from which a picture shows a board.

    A board without marks looks the same from two sides: of the poses above it the one nearer to `expected`
    is taken.

    Raises
    ------
    FrameError
        when no whole board is in the picture, or no pose above the bed explains it.
    """
    found = find_corners(picture, board.corners)
    if found is None:
        raise FrameError(
            f"no board with {board.corners[0]} x {board.corners[1]} inner corners is in the picture",
            "show the whole board with its white margin, sharp and without glare",
        )
    grid = found.reshape(board.corners[1], board.corners[0], 2).astype(np.float64)
    points = board.points_mm()
    aims = []
    for order in (grid, grid[::-1, ::-1], grid[::-1], grid[:, ::-1]):
        aim = solve_pose(points, order.reshape(-1, 2), lens)
        if aim.pose.place_mm[2] > board.z_mm:  # a mirrored order is seen from below
            aims.append(aim)
    if not aims:
        raise FrameError("no pose above the bed explains the picture", "check mirror, lens and board")
    least = min(aim.rms_px for aim in aims)
    good = [aim for aim in aims if aim.rms_px < 1.5 * least + 0.1]
    return min(good, key=lambda aim: float(np.linalg.norm(aim.pose.place_mm - expected.place_mm)))


def solve_pose(points_mm: Float, pixels: Float, lens: Lens) -> Aim:
    """Return the pose from which points appear at pixels.

    Parameters
    ----------
    points_mm : ndarray of shape (n, 3), n >= 6
    pixels : ndarray of shape (n, 2)

    Raises
    ------
    FrameError
        with too few points, or when nothing fits.
    """
    if len(points_mm) < _FEWEST:
        raise FrameError(f"{len(points_mm)} points do not tell a pose", f"give at least {_FEWEST}")
    pose = _refined(points_mm, pixels, lens, _start(points_mm, pixels, lens))
    off = (see(points_mm, pose, lens) - pixels).ravel()
    slope = _slope(points_mm, pose, lens)
    spare = off.size - 6
    variance = max(float(off @ off) / spare, FLOOR_PX**2)
    spread = np.sqrt(np.diag(np.linalg.pinv(slope.T @ slope)) * variance)
    return Aim(
        pose=pose,
        rms_px=math.sqrt(float(off @ off) / len(points_mm)),
        place_error_mm=spread[:3],
        turn_error_deg=np.degrees(spread[3:]),
    )


def _start(points_mm: Float, pixels: Float, lens: Lens) -> Pose:
    rays = unproject(pixels, lens)
    ahead = np.isfinite(rays).all(axis=1) & (rays[:, 2] > 0.1)
    if ahead.sum() < _FEWEST:
        raise FrameError("the points lie outside of what the lens sees", "check the lens in the rig file")
    flat = rays[ahead, :2] / rays[ahead, 2:]
    none = np.zeros(4)
    ok, turn, way = cv2.solvePnP(points_mm[ahead], flat[:, None], np.eye(3), none, flags=cv2.SOLVEPNP_SQPNP)
    if not ok:
        raise FrameError("no pose fits the points", "check the places on the bed")
    axes = np.asarray(cv2.Rodrigues(turn)[0], np.float64)
    return Pose(place_mm=np.asarray(-axes.T @ way, np.float64).ravel(), axes=axes)


def _refined(points_mm: Float, pixels: Float, lens: Lens, pose: Pose) -> Pose:
    damping = 1e-6
    off = (pixels - see(points_mm, pose, lens)).ravel()
    for _ in range(_STEPS):
        slope = _slope(points_mm, pose, lens)
        square = slope.T @ slope
        damped = square + damping * np.diag(np.diag(square))
        step = np.asarray(np.linalg.solve(damped, slope.T @ np.nan_to_num(off)), np.float64)
        tried = _stepped(pose, step)
        new = (pixels - see(points_mm, tried, lens)).ravel()
        if np.isfinite(new).all() and new @ new <= np.nan_to_num(off) @ np.nan_to_num(off):
            pose, off, damping = tried, new, max(damping / 10, 1e-12)
            if np.abs(step).max() < 1e-8:
                break
        else:
            damping *= 10
    return pose


def _slope(points_mm: Float, pose: Pose, lens: Lens) -> Float:
    """Return how pixels change with place (mm) and turns (rad), (2 n, 6), by central differences."""
    columns = []
    for index in range(6):
        step = np.zeros(6)
        step[index] = 1e-4 if index < 3 else 1e-6
        ahead, back = (see(points_mm, _stepped(pose, sign * step), lens) for sign in (1, -1))
        columns.append((ahead - back).ravel() / (2 * step[index]))
    return np.asarray(np.nan_to_num(np.column_stack(columns)), np.float64)


def _stepped(pose: Pose, step: Float) -> Pose:
    turn = np.asarray(cv2.Rodrigues(-step[3:])[0], np.float64)
    return Pose(place_mm=pose.place_mm + step[:3], axes=turn @ pose.axes)
