"""What the proof says."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

__all__ = ["Check", "Fault", "Proof", "first", "verdict"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Check:
    """One thing that was looked at."""

    name: str
    holds: bool
    line: int | None  # of the written file, where it first does not hold
    detail: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Proof:
    """Whether a written file prints what the original prints, check by check."""

    checks: tuple[Check, ...]
    shots: int
    added_s: float
    added_lines: int

    @property
    def holds(self) -> bool:
        """Whether every check holds."""
        return all(check.holds for check in self.checks)

    def to_json(self) -> dict[str, Any]:
        """Return the proof as plain values."""
        checks = [{"name": c.name, "holds": c.holds, "line": c.line, "detail": c.detail} for c in self.checks]
        return {
            "holds": self.holds,
            "checks": checks,
            "shot_count": self.shots,
            "added_s": round(self.added_s, 3),
            "added_lines": self.added_lines,
        }


@dataclass(frozen=True, slots=True)
class Fault:
    """Where and how something does not hold."""

    line: int | None
    text: str


def verdict(name: str, fault: Fault | None, good: str) -> Check:
    """Return the check of that name: broken at `fault`, or good."""
    if fault is None:
        return Check(name=name, holds=True, line=None, detail=good)
    return Check(name=name, holds=False, line=fault.line, detail=fault.text)


def first(faults: list[Fault]) -> Fault | None:
    """Return the fault that stands first in the file, with the count of the others."""
    if not faults:
        return None
    least = min(faults, key=lambda fault: fault.line if fault.line is not None else 0)
    more = f" (and {len(faults) - 1} more)" if len(faults) > 1 else ""
    return Fault(least.line, least.text + more)
