"""The chart as a picture: time added by each shot, which layers are shot, the bed from above."""

from __future__ import annotations

import io
from typing import Any

import numpy as np
from matplotlib import rc_context
from matplotlib.collections import LineCollection, PolyCollection
from matplotlib.figure import Figure
from matplotlib.patches import Circle, Rectangle
from matplotlib.ticker import FuncFormatter, MultipleLocator

from twinlapse.arrays import Float
from twinlapse.plan.chart.content import CAMERA_COLOURS, ChartContent, look_offset_mm
from twinlapse.plan.summary import clock

__all__ = ["camera_seconds", "figure_bytes", "stop_places"]

_INK, _FAINT, _PAPER, _PRINT, _WARN = "#1b2327", "#8a969c", "#ffffff", "#cfd8d2", "#a2320a"
_MARKS = ("o", "s", "^", "D", "X", "*")
_MOST_BARS = 160  # more shots than this share bars, which then show their mean
_SQUAT = 0.85  # the zoomed bed is at least this share as high as it is wide, and the other way round
_SIDE_PT = 210.0  # about the height of the panel with the print from the front
_MOST_LINES = 60_000  # of the layer drawn on the bed
_STYLE: Any = {
    "font.size": 9.5,
    "axes.edgecolor": _FAINT,
    "axes.labelcolor": _INK,
    "xtick.color": _INK,
    "ytick.color": _INK,
    "text.color": _INK,
    "axes.spines.top": False,
    "axes.spines.right": False,
    "svg.fonttype": "none",
    "svg.hashsalt": "twinlapse",
}
_METADATA: dict[str, dict[str, Any]] = {"png": {"Software": None}, "svg": {"Date": None, "Creator": None}}
_TICKS_MIN = (1, 2, 5, 10, 15, 30, 60, 120, 240, 480, 1440)


def figure_bytes(content: ChartContent, kind: str) -> bytes:
    """Return the chart as ``png`` or ``svg`` bytes."""
    with rc_context(_STYLE):
        figure = Figure(figsize=(13.2, 7.4), facecolor=_PAPER, layout="constrained")
        grid = figure.add_gridspec(2, 2, width_ratios=(1.05, 1), height_ratios=(1, 1.35))
        _draw_added(figure.add_subplot(grid[0, 0]), content)
        _draw_side(figure.add_subplot(grid[1, 0]), content)
        _draw_above(figure.add_subplot(grid[:, 1]), content)
        figure.suptitle(_title(content), fontsize=12, x=0.012, ha="left")
        out = io.BytesIO()
        figure.savefig(out, format=kind, dpi=110, metadata=_METADATA[kind])
    return out.getvalue()


def _title(content: ChartContent) -> str:
    plan = content.plan
    share = 100 * plan.cost_s / max(plan.print_s, 1e-9)
    return (
        f"{content.name}: {len(plan.shots)} shots in {plan.layer_count} layers; "
        f"print {clock(plan.print_s)}, added {clock(plan.cost_s)} ({share:.1f} %)"
    )


def camera_seconds(content: ChartContent) -> Float:
    """Return the seconds that each shot adds, shared evenly among its stops, (shots, cameras)."""
    names = [camera.name for camera in content.rig.cameras]
    seconds = np.zeros((len(content.plan.shots), len(names)))
    for k, shot in enumerate(content.plan.shots):
        for stop in shot.stops:
            for name in stop.cameras:
                if name in names:
                    share = len(shot.stops) * len(stop.cameras)
                    seconds[k, names.index(name)] += shot.cost_s / share
    return seconds


def _draw_added(axes: Any, content: ChartContent) -> None:
    plan, print_min = content.plan, content.plan.print_s / 60
    bars = min(_MOST_BARS, max(len(plan.shots), 1))
    edge_min = np.linspace(0, print_min, bars + 1)
    at_min = np.array([shot.at_s for shot in plan.shots]) / 60
    slot = np.clip(np.searchsorted(edge_min, at_min, "right") - 1, 0, bars - 1)
    count = np.maximum(np.bincount(slot, minlength=bars), 1)
    width_min = print_min / bars
    floor = np.zeros(bars)
    for k, seconds in enumerate(camera_seconds(content).T):
        mean_s = np.bincount(slot, seconds, bars) / count
        axes.bar(
            edge_min[:-1] + width_min / 2,
            mean_s,
            0.8 * width_min,
            bottom=floor,
            color=CAMERA_COLOURS[k % len(CAMERA_COLOURS)],
            label=content.rig.cameras[k].name,
        )
        floor += mean_s
    visible = np.array([note.visible_wall for note in content.notes], bool)
    if visible.any():
        where = np.unique(slot[visible])
        axes.plot(
            edge_min[where] + width_min / 2,
            floor[where] + 0.06 * max(floor.max(), 1.0),
            "v",
            color=_WARN,
            markersize=5,
            label="at a visible wall",
        )
    if content.left_out:
        axes.plot(
            [other.at_s / 60 for other in content.left_out],
            np.zeros(len(content.left_out)),
            "x",
            color=_WARN,
            clip_on=False,
            label="not taken",
        )
    step_min = next((m for m in _TICKS_MIN if print_min / m <= 8), _TICKS_MIN[-1])
    axes.xaxis.set_major_locator(MultipleLocator(step_min))
    axes.xaxis.set_major_formatter(FuncFormatter(lambda m, _: f"{int(m) // 60}:{int(m) % 60:02}"))
    axes.set_xlim(0, print_min)
    axes.set_ylim(bottom=0, top=1.3 * max(floor.max(initial=0.0), 1.0))
    axes.set_xlabel("time of the print without the shots, h:mm")
    axes.set_ylabel("added, s")
    axes.set_title("When: time added by each shot", loc="left", fontsize=10)
    axes.legend(loc="upper left", ncols=4, frameon=False)
    axes.grid(axis="y", color="#e6eaec", linewidth=0.7)
    axes.set_axisbelow(True)


def _draw_side(axes: Any, content: ChartContent) -> None:
    """Draw the print from the front, and a ladder for each camera: a rung at the true height of each shot.

    Objects that are printed one after the other have ladders of their own, beside them.
    """
    left, right = _layer_extent(content)
    z_mm = content.layer_z_mm
    rise = np.diff(z_mm, prepend=0.0)
    usual = float(np.median(rise[rise > 0])) if (rise > 0).any() else 0.2
    low = z_mm - np.where(rise > 0, np.minimum(rise, 5 * usual), usual)  # a fall begins the next object
    boxes = np.stack(
        [np.stack([left, low], 1), np.stack([right, low], 1), np.stack([right, z_mm], 1),
         np.stack([left, z_mm], 1)],
        axis=1,
    )[np.isfinite(left)]  # fmt: skip
    axes.add_collection(PolyCollection(list(boxes), facecolor=_PRINT, edgecolor="none"))
    names = np.array(content.layer_object)
    objects = list(dict.fromkeys(content.layer_object))
    width, top = max(float(np.nanmax(right) - np.nanmin(left)), 1.0), float(z_mm.max())
    step = (0.16 if len(objects) == 1 else 0.07) * width
    end = float(np.nanmax(right))
    for name in objects:
        edge = float(np.nanmax(right[names == name])) + 0.3 * step
        for k, camera in enumerate(content.rig.cameras):
            shots = [shot for shot in content.plan.shots if content.layer_object[shot.layer] == name]
            heights = [shot.z_mm for shot in shots for stop in shot.stops if camera.name in stop.cameras]
            at, colour = edge + k * step, CAMERA_COLOURS[k % len(CAMERA_COLOURS)]
            _draw_ladder(axes, heights, at, 0.62 * step, colour)
            label = f"{camera.name}\n{len(heights)}" if len(objects) == 1 else str(len(heights))
            height = max(heights, default=0.0) + 0.03 * top
            axes.text(at + 0.31 * step, height, label, ha="center", va="bottom", color=colour)
            end = max(end, at + step)
    axes.set_xlim(float(np.nanmin(left)) - 0.06 * width, end + 0.03 * width)
    axes.set_ylim(0, 1.2 * top)
    axes.set_xlabel("X, mm")
    axes.set_ylabel("height, mm")
    axes.set_title("Which layers: the print from the front, a rung for each shot", loc="left", fontsize=10)


def _draw_ladder(axes: Any, heights_mm: list[float], at_mm: float, wide_mm: float, colour: str) -> None:
    rungs = [[(at_mm, z), (at_mm + wide_mm, z)] for z in heights_mm]
    spacing_pt = _SIDE_PT / max(len(rungs), 1)
    thick_pt = min(1.3, max(0.25, 0.6 * spacing_pt))
    axes.add_collection(LineCollection(rungs, colors=colour, linewidths=thick_pt, snap=False))


def _layer_extent(content: ChartContent) -> tuple[Float, Float]:
    paths = content.paths
    edges = paths.path_start[paths.layer_path]
    left, right = np.full(len(edges) - 1, np.nan), np.full(len(edges) - 1, np.nan)
    full = np.flatnonzero(np.diff(edges) > 0)
    if len(full):
        x_mm = paths.points_mm[:, 0]
        left[full] = np.minimum.reduceat(x_mm, edges[full])
        right[full] = np.maximum.reduceat(x_mm, edges[full])
    return left, right


def _draw_above(axes: Any, content: ChartContent) -> None:
    """Draw the bed about the print, stops and one shot's path, with the whole bed as an overview."""
    x0, x1, y0, y1 = content.print_box_mm
    near = _near_stops(content)
    x0, x1 = min(x0, *near[:, 0]), max(x1, *near[:, 0])
    y0, y1 = min(y0, *near[:, 1]), max(y1, *near[:, 1])
    side = max(x1 - x0, y1 - y0, 10.0)
    spare_x, spare_y = (max(0.0, _SQUAT * side - (b - a)) / 2 for a, b in ((x0, x1), (y0, y1)))
    x0, x1, y0, y1 = x0 - spare_x, x1 + spare_x, y0 - spare_y, y1 + spare_y
    air = 0.12 * side
    _draw_plate(axes, content)
    grid = content.first_layer
    rows, columns = grid.layer.shape
    printed = np.where(grid.layer < np.iinfo(np.uint16).max, 1.0, np.nan)
    extent = (grid.x_mm, grid.x_mm + columns * grid.cell_mm, grid.y_mm, grid.y_mm + rows * grid.cell_mm)
    axes.imshow(printed, extent=extent, cmap="Greys", vmin=0, vmax=4, interpolation="nearest", zorder=1)
    middle = len(content.plan.shots) // 2
    shot, note = content.plan.shots[middle], content.notes[middle]
    _draw_layer(axes, content, shot.layer)
    axes.plot(
        note.path_mm[:, 0],
        note.path_mm[:, 1],
        color=_INK,
        linewidth=1.2,
        linestyle=(0, (4, 2)),
        zorder=5,
        label=f"path of shot {shot.number}, layer {shot.layer + 1}, {shot.cost_s:.1f} s",
    )
    _draw_stops(axes, content, labelled=True)
    axes.set_xlim(x0 - air, x1 + air)
    axes.set_ylim(y0 - air, y1 + air)
    axes.set_aspect("equal")
    axes.set_xlabel("X, mm")
    axes.set_ylabel("Y, mm (the front is below)")
    axes.set_title(
        f"Where: the bed from above, with the lines of layer {shot.layer + 1}", loc="left", fontsize=10
    )
    axes.legend(loc="lower left", framealpha=0.85, edgecolor="none", fontsize=8.5)
    _draw_overview(axes, content, (x0 - air, x1 + air, y0 - air, y1 + air))


def _near_stops(content: ChartContent) -> Float:
    """Return the stops of cameras on the head, and the print's middle: what the zoomed view must hold."""
    on_head = {camera.name for camera in content.rig.cameras if camera.mount == "toolhead"}
    x0, x1, y0, y1 = content.print_box_mm
    places = [((x0 + x1) / 2, (y0 + y1) / 2)]
    for shot in content.plan.shots:
        places += [(stop.x_mm, stop.y_mm) for stop in shot.stops if on_head & set(stop.cameras)]
    return np.array(places)


def _draw_plate(axes: Any, content: ChartContent) -> None:
    printer = content.rig.printer
    (x0, x1), (y0, y1) = printer.x_range_mm, printer.y_range_mm
    if printer.bed_shape == "round":
        bed: Any = Circle(((x0 + x1) / 2, (y0 + y1) / 2), min(x1 - x0, y1 - y0) / 2)
    else:
        bed = Rectangle((x0, y0), x1 - x0, y1 - y0)
    bed.set(facecolor="#f6f8f8", edgecolor=_INK, linewidth=1.2, zorder=0)
    axes.add_patch(bed)
    for box in printer.keep_out:
        width, depth = box.x_mm[1] - box.x_mm[0], box.y_mm[1] - box.y_mm[0]
        corner = (box.x_mm[0], box.y_mm[0])
        axes.add_patch(
            Rectangle(corner, width, depth, facecolor="none", edgecolor=_INK, hatch="////", linewidth=0.8)
        )
        axes.annotate(
            "keep out", (corner[0] + width, corner[1] + depth), fontsize=8, va="bottom", ha="left",
            annotation_clip=True, clip_on=True,
        )  # fmt: skip


def _draw_layer(axes: Any, content: ChartContent, layer: int) -> None:
    paths = content.paths
    first, last = paths.layer_path[layer], paths.layer_path[layer + 1]
    lines = [paths.points_mm[paths.path_start[k] : paths.path_start[k + 1]] for k in range(first, last)][
        :_MOST_LINES
    ]
    axes.add_collection(LineCollection(lines, colors="#3f5a4c", linewidths=1.0, zorder=3))


def _draw_stops(axes: Any, content: ChartContent, *, labelled: bool) -> None:
    for k, camera in enumerate(content.rig.cameras):
        places = stop_places(content, camera.name)
        colour = CAMERA_COLOURS[k % len(CAMERA_COLOURS)]
        axes.scatter(
            places[:, 0],
            places[:, 1],
            s=46 if labelled else 12,
            marker=_MARKS[k % len(_MARKS)],
            facecolor=colour,
            edgecolor="none",
            zorder=6,
            label=f"stop for camera {camera.name} ({camera.stance}), {len(places)}" if labelled else None,
        )
        away = look_offset_mm(camera)
        if away is not None and labelled:
            axes.scatter(
                places[:, 0] + away[0], places[:, 1] + away[1], s=70, marker="o", facecolor="none",
                edgecolor=colour, linewidth=1.4, zorder=6, label=f"where {camera.name} looks",
            )  # fmt: skip


def stop_places(content: ChartContent, camera: str) -> Float:
    """Return the stops of one camera, (m, 2)."""
    found = [
        (stop.x_mm, stop.y_mm) for shot in content.plan.shots for stop in shot.stops if camera in stop.cameras
    ]
    return np.array(found, float).reshape(-1, 2)


def _draw_overview(axes: Any, content: ChartContent, shown: tuple[float, float, float, float]) -> None:
    printer = content.rig.printer
    (x0, x1), (y0, y1) = printer.x_range_mm, printer.y_range_mm
    inset = axes.inset_axes((0.76, 0.76, 0.24, 0.24))
    _draw_plate(inset, content)
    for text in list(inset.texts):
        text.remove()
    px0, px1, py0, py1 = content.print_box_mm
    inset.add_patch(Rectangle((px0, py0), px1 - px0, py1 - py0, facecolor=_PRINT, edgecolor="none", zorder=1))
    inset.add_patch(
        Rectangle(
            (shown[0], shown[2]), shown[1] - shown[0], shown[3] - shown[2], fill=False, edgecolor=_FAINT
        )
    )
    _draw_stops(inset, content, labelled=False)
    air = 0.04 * max(x1 - x0, y1 - y0)
    inset.set_xlim(x0 - air, x1 + air)
    inset.set_ylim(y0 - air, y1 + air)
    inset.set_aspect("equal")
    inset.set_xticks([])
    inset.set_yticks([])
    inset.set_title("whole bed", fontsize=8)
