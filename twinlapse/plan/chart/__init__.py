"""The plan as a picture: .png and .svg to print, .html to step through."""

from __future__ import annotations

from pathlib import Path

from twinlapse.errors import PlanError
from twinlapse.gcode import Layers, Toolpath
from twinlapse.motion import Timeline
from twinlapse.plan.outcome import Planning
from twinlapse.rig import Rig
from twinlapse.shots import Plan

_SUFFIXES = (".png", ".svg", ".html")


def draw_chart(
    plan: Plan,
    toolpath: Toolpath,
    layers: Layers,
    timeline: Timeline,
    rig: Rig,
    path: Path,
    *,
    planning: Planning | None = None,
) -> None:
    """Draw a plan to `path`; its suffix says how: ``.png``, ``.svg`` or ``.html``.

    Parameters
    ----------
    plan, toolpath, layers, timeline, rig
        Of one print.
    path : Path
    planning : Planning, optional
        The plan's reasons: with it the chart also shows what was left out and why.

    Raises
    ------
    PlanError
        for another suffix.
    """
    from twinlapse.files import write_bytes
    from twinlapse.plan.chart.content import gather

    suffix = Path(path).suffix.lower()
    if suffix not in _SUFFIXES:
        raise PlanError(
            f"a chart cannot be written as '{suffix or path}'",
            f"let its name end in {' or '.join(_SUFFIXES)}",
            path=path,
        )
    content = gather(plan, toolpath, layers, timeline, rig, planning)
    if suffix == ".html":
        from twinlapse.plan.chart.page import page_bytes

        write_bytes(path, page_bytes(content))
    else:
        from twinlapse.plan.chart.figure import figure_bytes

        write_bytes(path, figure_bytes(content, suffix[1:]))
