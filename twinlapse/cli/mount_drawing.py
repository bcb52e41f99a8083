"""The camera mount from the side and square to its groove, with dimensions."""

from __future__ import annotations

import math
from pathlib import Path
from typing import Any

import numpy as np

from twinlapse.files import replacing
from twinlapse.rig.mount import DEPTH, WedgeMount, tunnel_outline

__all__ = ["draw_mount"]

_INK = "#20302a"


def draw_mount(mount: WedgeMount, path: Path) -> None:
    """Draw the mount in its printing position; the kind of picture follows the suffix."""
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.figure import Figure

    figure = Figure(figsize=(11, 6), layout="constrained")
    FigureCanvasAgg(figure)
    side, end = figure.subplots(1, 2, width_ratios=(1.6, 1))
    _draw_side(side, mount)
    _draw_end(end, mount)
    for axes in (side, end):
        axes.set_aspect("equal")
        axes.axis("off")
    with replacing(path) as file:
        figure.savefig(file, format=path.suffix.lstrip(".") or "svg")


def _draw_side(axes: Any, mount: WedgeMount) -> None:
    run, thin, thick = mount.run_mm, mount.thin_mm, mount.thick_mm
    _outline(axes, [(0, 0), (run, 0), (run, thick), (0, thin)], "#dfe9e4")
    sink = DEPTH * mount.radius_mm / math.cos(mount.tilt)
    end = mount.length_mm * math.cos(mount.tilt)
    rise = mount.length_mm * math.sin(mount.tilt)
    axes.plot([0, end, end], [thin - sink, thin + rise - sink, thin + rise], "--", color=_INK, lw=0.8)
    for strap in mount.straps_mm:
        _outline(axes, tunnel_outline(mount, strap), "white")
    _measure(axes, (0, 0), (run, 0), -5, f"{run:.1f}")
    _measure(axes, (run, 0), (run, thick), -5, f"{thick:.1f}")
    _measure(axes, (0, 0), (0, thin), 4, f"{thin:.1f}")
    _measure(axes, (0, thin), (end, thin + rise), 5, f"housing {mount.length_mm:g}")
    _measure(axes, (end, thin + rise), (run, thick), 5, f"cable {mount.relief_mm:g}")
    axes.plot([0, 0.6 * run], [thin, thin], ":", color=_INK, lw=0.7)
    turn = np.linspace(0, mount.tilt, 30)
    axes.plot(0.35 * run * np.cos(turn), thin + 0.35 * run * np.sin(turn), color=_INK, lw=0.8)
    axes.text(0.2 * run, thin + 0.07 * run, f"{mount.angle_deg:.1f}°", fontsize=9)
    axes.set_title("from the side; the mounting face is below, and lies on the printer's bed", fontsize=10)


def _draw_end(axes: Any, mount: WedgeMount) -> None:
    half, radius = mount.width_mm / 2, mount.radius_mm
    depth = DEPTH * radius
    reach = math.acos((radius - depth) / radius)
    turn = np.linspace(-reach, reach, 60)
    groove = list(zip(radius * np.sin(turn), radius - depth - radius * np.cos(turn), strict=True))
    low = -depth - 2.5 * mount.wall_mm
    _outline(axes, [(-half, low), (-half, 0), *groove, (half, 0), (half, low)], "#dfe9e4")
    circle = np.linspace(0, 2 * np.pi, 100)
    housing = mount.body_mm / 2
    axes.plot(housing * np.cos(circle), radius - depth + housing * np.sin(circle), ":", color=_INK, lw=0.9)
    axes.text(0, radius - depth, f"⌀{mount.body_mm:g}", ha="center", va="center", fontsize=9)
    _measure(axes, (-half, low), (half, low), -3, f"{mount.width_mm:.1f}")
    _measure(axes, (half, -depth), (half, 0), -3, f"{depth:.2f}")
    ears = f"; ears {mount.ear_mm:.1f} wide, holes ⌀{mount.screw_mm:g}" if mount.screw_mm else ""
    axes.set_title(f"square to the groove; strap {mount.strap_mm:g}{ears}", fontsize=10)


def _outline(axes: Any, points: list[tuple[float, float]], fill: str) -> None:
    x, y = zip(*[*points, points[0]], strict=True)
    axes.fill(x, y, facecolor=fill, edgecolor=_INK, lw=1.2)


def _measure(axes: Any, a: tuple[float, float], b: tuple[float, float], off: float, text: str) -> None:
    """Draw a dimension line beside the way from `a` to `b`; a positive `off` lies to its left."""
    start, end = np.array(a, dtype=float), np.array(b, dtype=float)
    way = (end - start) / np.linalg.norm(end - start)
    aside = np.array([-way[1], way[0]]) * off
    for point in (start, end):
        axes.plot(*zip(point, point + 1.15 * aside, strict=True), color=_INK, lw=0.5)
    axes.annotate("", start + aside, end + aside, arrowprops={"arrowstyle": "<->", "lw": 0.8, "color": _INK})
    angle = (math.degrees(math.atan2(way[1], way[0])) + 90) % 180 - 90
    middle = (start + end) / 2 + 1.45 * aside
    axes.text(*middle, text, ha="center", va="center", rotation=angle, fontsize=9)
