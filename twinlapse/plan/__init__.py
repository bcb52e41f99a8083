"""Which layers, which moments, where to stop, what must be cleared, the chart."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from twinlapse.plan.outcome import Planning
    from twinlapse.plan.planning import make_plan, work_out

__all__ = ["Planning", "make_plan", "work_out"]


def __getattr__(name: str) -> Any:
    """Import the planner when it is first asked for: it loads the compiler."""
    if name not in __all__:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    from twinlapse.plan import outcome, planning

    return getattr(outcome if name == "Planning" else planning, name)
