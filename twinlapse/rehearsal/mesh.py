"""Solid things as triangles: boxes, cones and what is built of them."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from twinlapse.arrays import Float

__all__ = ["Hue", "Mesh", "box", "cone", "joined", "prism"]

Hue = tuple[float, float, float]  # share of light given back, linear


@dataclass(frozen=True, slots=True, kw_only=True)
class Mesh:
    """Triangles with a normal at every corner."""

    corners_mm: Float  # (n, 3, 3)
    normals: Float  # (n, 3, 3)
    hues: Float  # (n, 3)

    def moved(self, way_mm: tuple[float, float, float] | Float) -> Mesh:
        """Return the mesh shifted."""
        return Mesh(corners_mm=self.corners_mm + np.asarray(way_mm), normals=self.normals, hues=self.hues)


def joined(*meshes: Mesh) -> Mesh:
    """Return several meshes as one."""
    return Mesh(
        corners_mm=np.concatenate([mesh.corners_mm for mesh in meshes]),
        normals=np.concatenate([mesh.normals for mesh in meshes]),
        hues=np.concatenate([mesh.hues for mesh in meshes]),
    )


def box(low_mm: tuple[float, float, float], high_mm: tuple[float, float, float], hue: Hue) -> Mesh:
    """Return a box with its sides along the axes."""
    low, high = np.array(low_mm), np.array(high_mm)
    corners, normals = [], []
    for axis in range(3):
        a, b = (axis + 1) % 3, (axis + 2) % 3
        for side in (0, 1):
            face = np.tile(low, (4, 1))
            face[:, axis] = high[axis] if side else low[axis]
            face[1:3, a] = high[a]
            face[2:4, b] = high[b]
            normal = np.zeros(3)
            normal[axis] = 1 if side else -1
            corners += [face[[0, 1, 2]], face[[0, 2, 3]]]
            normals += [np.tile(normal, (3, 1))] * 2
    return Mesh(corners_mm=np.array(corners), normals=np.array(normals), hues=np.tile(hue, (12, 1)))


def cone(
    foot_mm: tuple[float, float, float],
    top_mm: tuple[float, float, float],
    radii_mm: tuple[float, float],
    hue: Hue,
    sides: int = 24,
) -> Mesh:
    """Return a cone or cylinder with closed ends between two points."""
    foot, top = np.array(foot_mm), np.array(top_mm)
    along = (top - foot) / np.linalg.norm(top - foot)
    aside = np.cross(along, [1.0, 0, 0] if abs(along[0]) < 0.8 else [0, 1.0, 0])
    aside /= np.linalg.norm(aside)
    third = np.cross(along, aside)
    angle = np.linspace(0, 2 * np.pi, sides + 1)
    out = np.cos(angle)[:, None] * aside + np.sin(angle)[:, None] * third
    low, high = foot + radii_mm[0] * out, top + radii_mm[1] * out
    lean = (radii_mm[0] - radii_mm[1]) / np.linalg.norm(top - foot)
    normal = (out + lean * along) / np.hypot(1, lean)
    corners, normals = [], []
    for i in range(sides):
        j = i + 1
        corners += [[low[i], low[j], high[j]], [low[i], high[j], high[i]]]
        normals += [[normal[i], normal[j], normal[j]], [normal[i], normal[j], normal[i]]]
        corners += [[foot, low[j], low[i]], [top, high[i], high[j]]]
        normals += [[-along] * 3, [along] * 3]
    return Mesh(corners_mm=np.array(corners), normals=np.array(normals), hues=np.tile(hue, (4 * sides, 1)))


def prism(foot_mm: tuple[float, float, float], top_z_mm: float, radius_mm: float, hue: Hue) -> Mesh:
    """Return an upright hexagonal prism with sharp edges."""
    x, y, z = foot_mm
    angle = np.radians(15 + 60 * np.arange(7))
    ring = np.column_stack([x + radius_mm * np.cos(angle), y + radius_mm * np.sin(angle)])
    corners, normals = [], []
    for (xa, ya), (xb, yb) in pairwise(ring):
        low_a, low_b, high_a, high_b = (xa, ya, z), (xb, yb, z), (xa, ya, top_z_mm), (xb, yb, top_z_mm)
        out = np.array([(xa + xb) / 2 - x, (ya + yb) / 2 - y, 0.0])
        corners += [[low_a, low_b, high_b], [low_a, high_b, high_a], [foot_mm, low_b, low_a]]
        normals += [[out / np.linalg.norm(out)] * 3] * 2 + [[(0.0, 0.0, -1.0)] * 3]
    return Mesh(corners_mm=np.array(corners), normals=np.array(normals), hues=np.tile(hue, (len(corners), 1)))
