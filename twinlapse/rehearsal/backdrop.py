"""What a camera on the frame always sees: table, wall and the standing parts of the machine."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from twinlapse.arrays import Float32
from twinlapse.optics.pose import Pose, see_with_depth
from twinlapse.rehearsal import render_kernels
from twinlapse.rehearsal.machine_meshes import (
    TABLE_BELOW_MM,
    WALL_BEHIND_MM,
    frame_mesh,
    table_texture,
    wall_texture,
)
from twinlapse.rehearsal.virtual_camera import FAR_MM, Studio
from twinlapse.rig import Lens, Printer

__all__ = ["BLOCK_PX", "ROOM_SHARE", "Backdrop", "backdrop_of"]

BLOCK_PX = 16
ROOM_SHARE = 0.55  # of the machine's light that falls on the room behind it


@dataclass(frozen=True, slots=True, kw_only=True)
class Backdrop:
    """A still picture of the room, and how far each of its pixels is."""

    picture: Float32
    depth: Float32
    pose: Pose
    lens: Lens
    blocks: Float32  # (h / 16, w / 16, 2) rays in the middle of blocks of pixels

    def shaken(self, angles_rad: tuple[float, float, float]) -> Float32:
        """Return the picture as the camera sees it when it is turned by small angles."""
        if not any(angles_rad):
            return self.picture
        seen = np.dstack([self.blocks, np.ones(self.blocks.shape[:2])]).reshape(-1, 3)
        turned = self.pose.turned(angles_rad)
        now, _ = see_with_depth(turned.place_mm + 1000 * seen @ turned.axes, self.pose, self.lens)
        before, _ = see_with_depth(self.pose.place_mm + 1000 * seen @ self.pose.axes, self.pose, self.lens)
        way = (now - before).reshape(*self.blocks.shape).astype(np.float32)
        height, width = self.depth.shape
        whole = (self.blocks.shape[1] * BLOCK_PX, self.blocks.shape[0] * BLOCK_PX)
        shift = cv2.resize(way, whole, interpolation=cv2.INTER_LINEAR)[:height, :width]
        out = np.empty_like(self.picture)
        render_kernels.displaced(self.picture, np.ascontiguousarray(shift), out)
        return out


def backdrop_of(studio: Studio, pose: Pose, printer: Printer, head_y_mm: float) -> Backdrop:
    """Paint the room as a camera sees it whose pose is given in the frame of the room."""
    picture, depth = _room(studio, pose, printer)
    studio.begin(picture, depth)
    frame = frame_mesh(printer, head_y_mm)
    studio.paint_mesh(frame, pose, studio.lit(frame, pose))
    height, width = depth.shape
    rows, columns = -(-height // BLOCK_PX), -(-width // BLOCK_PX)
    at_y = np.minimum(np.arange(rows) * BLOCK_PX + BLOCK_PX // 2, height - 1)
    at_x = np.minimum(np.arange(columns) * BLOCK_PX + BLOCK_PX // 2, width - 1)
    blocks = 0.5 * (studio.rays[np.ix_(at_y, at_x)] + studio.rays[np.ix_(at_y - 1, at_x - 1)])
    return Backdrop(
        picture=studio.picture.copy(),
        depth=studio.depth.copy(),
        pose=pose,
        lens=studio.lens,
        blocks=np.nan_to_num(blocks).astype(np.float32),
    )


def _room(studio: Studio, pose: Pose, printer: Printer) -> tuple[Float32, Float32]:
    rays = studio.rays
    way = rays[..., 0, None] * pose.axes[0] + rays[..., 1, None] * pose.axes[1] + pose.axes[2]
    _x_mm, y_mm, z_mm = pose.place_mm
    below = TABLE_BELOW_MM + (printer.height_mm if printer.kinematics == "bed-moves-z" else 0)
    wall_y = printer.y_range_mm[1] + WALL_BEHIND_MM
    with np.errstate(divide="ignore", invalid="ignore"):
        table = np.where(way[..., 2] < 0, (-below - z_mm) / way[..., 2], np.inf)
        wall = np.where(way[..., 1] > 0, (wall_y - y_mm) / way[..., 1], np.inf)
    table = np.where(table > 0, table, np.inf)
    depth = np.minimum(np.minimum(table, wall), FAR_MM)
    at = pose.place_mm + np.nan_to_num(depth)[..., None] * way
    middle_x = sum(printer.x_range_mm) / 2
    board = _read(table_texture(), at[..., 0] - middle_x + 800, at[..., 1] + 400)
    bricks = _read(wall_texture(), at[..., 0] - middle_x + 900, 620 - at[..., 2] - below)
    picture = np.where((table < wall)[..., None], board, bricks)
    picture = np.where((depth < FAR_MM)[..., None], picture, 0.05) * ROOM_SHARE
    return picture.astype(np.float32), np.nan_to_num(depth, nan=FAR_MM).astype(np.float32)


def _read(texture: Float32, x: NDArray[np.floating], y: NDArray[np.floating]) -> NDArray[np.floating]:
    return np.asarray(
        cv2.remap(
            texture,
            np.nan_to_num(x).astype(np.float32),
            np.nan_to_num(y).astype(np.float32),
            cv2.INTER_LINEAR,
            borderMode=cv2.BORDER_REFLECT_101,
        )
    )
