"""When it happens: how long each move takes on a machine with finite acceleration."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from twinlapse.motion.timeline import Timeline

if TYPE_CHECKING:
    from twinlapse.motion.timing import filament_s, moves_s, paths_s, straight_s, time_toolpath

__all__ = ["Timeline", "filament_s", "moves_s", "paths_s", "straight_s", "time_toolpath"]


def __getattr__(name: str) -> Any:
    """Import the planner when it is first asked for: it loads the compiler."""
    if name not in __all__:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    from twinlapse.motion import timing

    return getattr(timing, name)
