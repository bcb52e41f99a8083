"""The chart as a picture: time and height on the left, the view from above on the right."""

from __future__ import annotations

import io
from typing import Any

import numpy as np
from matplotlib import rc_context
from matplotlib.figure import Figure
from matplotlib.patches import Circle, Rectangle

from twinlapse.plan.chart.drawn import COLOURS, Drawn, added_s, looks_away, places_of
from twinlapse.plan.summary import clock

INK, FAINT, PAPER = "#1b2327", "#8a969c", "#ffffff"
_MARKS = ("o", "s", "^", "D", "X", "*")
_STYLE: Any = {
    "font.size": 9.5,
    "axes.edgecolor": FAINT,
    "axes.labelcolor": INK,
    "xtick.color": INK,
    "ytick.color": INK,
    "text.color": INK,
    "axes.spines.top": False,
    "axes.spines.right": False,
    "svg.fonttype": "none",
    "svg.hashsalt": "twinlapse",
}


def figure_bytes(drawn: Drawn, kind: str) -> bytes:
    """Return the chart as ``png`` or ``svg`` bytes."""
    with rc_context(_STYLE):
        figure = Figure(figsize=(13.2, 7.4), facecolor=PAPER, layout="constrained")
        grid = figure.add_gridspec(2, 2, width_ratios=(1.15, 1), height_ratios=(2.1, 1))
        rising = figure.add_subplot(grid[0, 0])
        _draw_height(rising, drawn)
        _draw_added(figure.add_subplot(grid[1, 0], sharex=rising), drawn)
        _draw_above(figure, figure.add_subplot(grid[:, 1]), drawn)
        figure.suptitle(_title(drawn), fontsize=12, x=0.012, ha="left")
        out = io.BytesIO()
        figure.savefig(out, format=kind, dpi=110, metadata=_METADATA[kind])
    return out.getvalue()


_METADATA: dict[str, dict[str, Any]] = {"png": {"Software": None}, "svg": {"Date": None, "Creator": None}}


def _title(drawn: Drawn) -> str:
    plan = drawn.plan
    share = 100 * plan.cost_s / max(plan.print_s, 1e-9)
    return (
        f"{drawn.name}: {len(plan.shots)} shots in {plan.layer_count} layers; "
        f"print {clock(plan.print_s)}, added {clock(plan.cost_s)} ({share:.1f} %)"
    )


def _draw_height(axes: Any, drawn: Drawn) -> None:
    axes.plot(
        drawn.time_s / 60, drawn.height_mm, color=FAINT, linewidth=1.2, zorder=1, label="nozzle, printing"
    )
    number = {shot.number: shot for shot in drawn.plan.shots}
    for k, camera in enumerate(drawn.cameras):
        shots = [number[int(n)] for n in places_of(drawn.plan, camera)[:, 0]]
        stance = drawn.rig.cameras[k].stance
        shift = k * 0.018 * max(float(drawn.height_mm.max()), 1.0)  # so that none hides the other
        axes.scatter(
            [shot.at_s / 60 for shot in shots],
            [shot.z_mm + shift for shot in shots],
            s=15,
            marker=_MARKS[k % len(_MARKS)],
            facecolor=COLOURS[k % len(COLOURS)] if k % 2 == 0 else PAPER,
            edgecolor=COLOURS[k % len(COLOURS)],
            linewidth=1.0,
            zorder=2 + k,
            label=f"{camera} ({stance}), {len(shots)}",
        )
    axes.set_ylabel("height, mm")
    axes.set_title("When: height of the print over time, and each camera's shots", loc="left", fontsize=10)
    axes.legend(loc="lower right", frameon=False)
    axes.grid(color="#e6eaec", linewidth=0.7)
    axes.set_axisbelow(True)


def _draw_added(axes: Any, drawn: Drawn) -> None:
    at = np.array([shot.at_s for shot in drawn.plan.shots]) / 60
    added = added_s(drawn.plan) / 60
    end = drawn.plan.print_s / 60
    axes.step([0, *at, end], [0, *added, added[-1]], where="post", color=INK, linewidth=1.4)
    axes.fill_between([0, *at, end], [0, *added, added[-1]], step="post", color="#d9e0e3")
    axes.set_xlabel("time of the print without the shots, min")
    axes.set_ylabel("added, min")
    axes.set_title("Price: time added by all shots so far", loc="left", fontsize=10)
    axes.set_ylim(bottom=0)
    axes.grid(color="#e6eaec", linewidth=0.7)
    axes.set_axisbelow(True)


def _draw_above(figure: Any, axes: Any, drawn: Drawn) -> None:
    x0, x1, y0, y1 = drawn.bed_mm
    if drawn.round_bed:
        bed: Any = Circle(((x0 + x1) / 2, (y0 + y1) / 2), min(x1 - x0, y1 - y0) / 2)
    else:
        bed = Rectangle((x0, y0), x1 - x0, y1 - y0)
    bed.set(facecolor="#f6f8f8", edgecolor=INK, linewidth=1.2, zorder=0)
    axes.add_patch(bed)
    for box in drawn.keep_outs:
        corner, width, depth = (
            (box.x_mm[0], box.y_mm[0]), box.x_mm[1] - box.x_mm[0], box.y_mm[1] - box.y_mm[0],
        )  # fmt: skip
        axes.add_patch(
            Rectangle(corner, width, depth, facecolor="none", edgecolor=INK, hatch="////", linewidth=0.8)
        )
        axes.annotate("keep out", (corner[0] + width, corner[1] + depth), fontsize=8, va="bottom", ha="left")
    image = axes.imshow(
        drawn.tops.T,
        origin="lower",
        extent=drawn.extent_mm,
        cmap="cividis",
        interpolation="nearest",
        zorder=1,
    )
    figure.colorbar(image, ax=axes, shrink=0.5, label="height of the finished print, mm", pad=0.02)
    _draw_way(axes, drawn)
    for k, camera in enumerate(drawn.cameras):
        places = places_of(drawn.plan, camera)
        axes.scatter(
            places[:, 1],
            places[:, 2],
            s=46,
            marker=_MARKS[k % len(_MARKS)],
            facecolor=COLOURS[k % len(COLOURS)],
            edgecolor="none",
            alpha=0.9,
            zorder=6,
            label=f"stop for camera {camera} ({drawn.rig.cameras[k].stance})",
        )
        away = looks_away(drawn, camera)
        if away is not None:
            axes.scatter(
                places[:, 1] + away[0],
                places[:, 2] + away[1],
                s=70,
                marker="o",
                facecolor="none",
                edgecolor=COLOURS[k % len(COLOURS)],
                linewidth=1.4,
                zorder=6,
                label=f"where {camera} looks",
            )
    axes.set_xlim(x0 - 6, x1 + 6)
    axes.set_ylim(y0 - 6, y1 + 6)
    axes.set_aspect("equal")
    axes.set_xlabel("X, mm")
    axes.set_ylabel("Y, mm (0 in front)")
    axes.set_title("Where: the bed from above", loc="left", fontsize=10)
    axes.legend(loc="upper center", bbox_to_anchor=(0.5, -0.09), frameon=False, ncols=2)


def _draw_way(axes: Any, drawn: Drawn) -> None:
    """Draw the way of the shot in the middle of the plan."""
    k = len(drawn.ways) // 2
    way, shot = drawn.ways[k], drawn.plan.shots[k]
    axes.plot(
        way[:, 0],
        way[:, 1],
        color=INK,
        linewidth=1.2,
        linestyle=(0, (4, 2)),
        zorder=5,
        label=f"way of shot {shot.number}, {shot.cost_s:.1f} s",
    )
    axes.scatter(
        way[:1, 0],
        way[:1, 1],
        s=42,
        marker="x",
        color=INK,
        linewidth=1.6,
        zorder=7,
        label="where it leaves the print",
    )
