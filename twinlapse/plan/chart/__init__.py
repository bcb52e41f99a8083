"""The plan as a picture: .png and .svg to print, .html to step through."""

from __future__ import annotations

from pathlib import Path

from twinlapse.errors import PlanError
from twinlapse.gcode import Layers, Toolpath
from twinlapse.motion import Timeline
from twinlapse.rig import Rig
from twinlapse.shots import Plan

SUFFIXES = (".png", ".svg", ".html")


def draw_chart(
    plan: Plan, toolpath: Toolpath, layers: Layers, timeline: Timeline, rig: Rig, path: Path
) -> None:
    """Draw a plan to `path`; its suffix says how: ``.png``, ``.svg`` or ``.html``.

    Raises
    ------
    PlanError
        for another suffix.
    """
    from twinlapse.files import write_bytes
    from twinlapse.plan.chart.drawn import gather

    suffix = Path(path).suffix.lower()
    if suffix not in SUFFIXES:
        raise PlanError(
            f"a chart cannot be written as '{suffix or path}'",
            f"let its name end in {' or '.join(SUFFIXES)}",
            path=path,
        )
    drawn = gather(plan, toolpath, layers, timeline, rig)
    if suffix == ".html":
        from twinlapse.plan.chart.page import page_bytes

        write_bytes(path, page_bytes(drawn))
    else:
        from twinlapse.plan.chart.figure import figure_bytes

        write_bytes(path, figure_bytes(drawn, suffix[1:]))
