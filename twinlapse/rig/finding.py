"""One check of one camera and its result."""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import Any

from twinlapse.optics.view import Sharpness

__all__ = ["Finding", "far_text", "finding", "sharp_values"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Finding:
    """One check of one camera and its result."""

    camera: str
    name: str  # short, stable, hyphenated
    holds: bool | None  # None: for information, neither good nor bad
    text: str
    hint: str = ""
    values: dict[str, Any] = field(default_factory=dict)


def finding(
    camera: str,
    name: str,
    *,
    holds: bool | None,
    text: str,
    hint: str = "",
    values: dict[str, Any] | None = None,
) -> Finding:
    """Return a finding; the hint is kept only where something does not hold."""
    return Finding(
        camera=camera,
        name=name,
        holds=holds,
        text=text,
        hint=hint if holds is False else "",
        values=values or {},
    )


def sharp_values(field: Sharpness, worst_px: float) -> dict[str, Any]:
    """Return the numbers of a finding on sharpness: mm, and the largest blur in pixels."""
    return {
        "focus_mm": round(field.focus_mm, 2),
        "near_mm": round(field.near_mm, 2),
        "far_mm": None if math.isinf(field.far_mm) else round(field.far_mm, 2),
        "blur_px": round(worst_px, 3) if math.isfinite(worst_px) else None,
    }


def far_text(distance_mm: float) -> str:
    """Return a distance in words, which may be infinite."""
    return "any distance" if math.isinf(distance_mm) else f"{distance_mm:.1f} mm"
