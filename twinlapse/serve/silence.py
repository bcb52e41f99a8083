"""How long a print may say nothing before it is taken to be over."""

from __future__ import annotations

from twinlapse.shots import Plan

__all__ = ["patience_s"]

_SLOWER = 1.5  # times the planned time to the next line (common practice, no source)


def patience_s(plan: Plan, done: int, *, silence_s: float, hold_max_s: float) -> float:
    """Return the longest silence behind the last line of a print, s.

    Parameters
    ----------
    done : int
        Shots that are answered. Before the first one the machine heats, behind the last one the end line is
        waited for, and behind a shot that waits a person may take all the time there is.
    silence_s : float
        Beyond the time at which the next line is due.
    """
    if not plan.shots:
        return silence_s + _SLOWER * plan.print_s
    before = plan.shots[min(done, len(plan.shots)) - 1] if done > 0 else None
    at_s = plan.shots[done].at_s if done < len(plan.shots) else plan.print_s
    planned_s = at_s if before is None else at_s - before.at_s + before.cost_s
    held_s = hold_max_s if before is not None and before.hold_mm is not None else 0.0
    return silence_s + _SLOWER * max(0.0, planned_s) + held_s
