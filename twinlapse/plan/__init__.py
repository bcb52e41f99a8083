"""Which layers, which moments, where to stand, what is in the way, the chart."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from twinlapse.plan.planning import Planning, make_plan, work_out

__all__ = ["Planning", "make_plan", "work_out"]


def __getattr__(name: str) -> Any:
    """Import the planner when it is first asked for: it loads the compiler."""
    if name not in __all__:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    from twinlapse.plan import planning

    return getattr(planning, name)
