"""What a USB camera must not choose by itself: ``controls`` of a camera in the rig file."""

from __future__ import annotations

from dataclasses import dataclass, field

from twinlapse.rig.schema import number, whole

__all__ = ["Controls"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Controls:
    """Fixed settings of a USB camera; what is None is left to the camera."""

    exposure_ms: float | None = field(
        default=None,
        metadata=number(
            "exposure time; switches its automatic off",
            above=0,
            high=1000,
            without="the camera chooses",
            example="20",
        ),
    )
    gain: int | None = field(
        default=None,
        metadata=whole(
            "amplification in the camera's own steps",
            low=0,
            high=100_000,
            without="the camera chooses",
            example="0",
        ),
    )
    white_balance_k: int | None = field(
        default=None,
        metadata=whole(
            "colour temperature of white; switches its automatic off",
            low=1000,
            high=12_000,
            without="the camera chooses",
            example="4600",
        ),
    )
    focus: int | None = field(
        default=None,
        metadata=whole(
            "place of the lens in the camera's own steps; switches its automatic off",
            low=0,
            high=100_000,
            without="the camera chooses",
            example="30",
        ),
    )
    power_line_hz: int | None = field(
        default=None,
        metadata=whole(
            "frequency of the mains, 50 or 60, against bands in lamp light",
            low=0,
            high=60,
            without="the camera chooses",
            example="50",
        ),
    )
