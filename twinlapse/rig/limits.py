"""What the machine's firmware allows, and what it needs for a stop.

``twinlapse rig check RIG --firmware-config FILE`` reads most of these from the machine's own configuration.
"""

from __future__ import annotations

from dataclasses import dataclass, field

from twinlapse.rig.schema import Key, number

__all__ = ["Limits", "idle_timeout_s"]

_HIGH_MM_S, _HIGH_MM_S2 = 5000.0, 1_000_000.0  # no printer reaches them: typing errors; no source
_MARLIN_IDLE_S = 120.0  # DEFAULT_STEPPER_TIMEOUT_SEC (Configuration.h): the motors are released
_KLIPPER_IDLE_S = 600.0  # [idle_timeout] timeout (docs/Config_Reference.md): heaters and motors off
_RRF_IDLE_S = 30.0  # M84 S (G-code dictionary): the motors' current is lowered, they hold


def _speed(sentence: str, example: str, without: str = "no limit") -> dict[str, Key]:
    return number(sentence, example=example, without=without, above=0, high=_HIGH_MM_S)


def _accel(sentence: str, example: str, without: str = "no limit") -> dict[str, Key]:
    return number(sentence, example=example, without=without, above=0, high=_HIGH_MM_S2)


@dataclass(frozen=True, slots=True, kw_only=True)
class Limits:
    """Limits of the firmware; None: its own default, or none."""

    speed_mm_s: float | None = field(
        default=None, metadata=_speed("highest speed of the toolhead (`max_velocity`)", "300")
    )
    x_mm_s: float | None = field(default=None, metadata=_speed("highest speed of X", "300"))
    y_mm_s: float | None = field(default=None, metadata=_speed("highest speed of Y", "300"))
    z_mm_s: float | None = field(default=None, metadata=_speed("highest speed of Z", "12"))
    e_mm_s: float | None = field(
        default=None,
        metadata=_speed(
            "highest speed of the filament; with Klipper of moves of the filament alone",
            "50",
            without="no limit; with Klipper `speed_mm_s` x 4 x nozzle² / filament's area",
        ),
    )
    x_mm_s2: float | None = field(default=None, metadata=_accel("highest acceleration of X", "3000"))
    y_mm_s2: float | None = field(default=None, metadata=_accel("highest acceleration of Y", "3000"))
    e_mm_s2: float | None = field(
        default=None,
        metadata=_accel(
            "highest acceleration of the filament; with Klipper of moves of the filament alone",
            "5000",
            without="no limit; with Klipper `accel_mm_s2` x 4 x nozzle² / filament's area",
        ),
    )
    travel_mm_s2: float | None = field(
        default=None,
        metadata=_accel("acceleration of travel moves", "2000", without="`accel_mm_s2`"),
    )
    retract_mm_s2: float | None = field(
        default=None,
        metadata=_accel("acceleration of retractions", "3000", without="as travel moves"),
    )
    min_cruise_ratio: float | None = field(
        default=None,
        metadata=number(
            "share of a short move that is not spent speeding up and braking (Klipper's "
            "`minimum_cruise_ratio`)",
            low=0,
            high=0.99,
            without="0.5 with Klipper, else 0",
            example="0.5",
        ),
    )
    e_corner_mm_s: float | None = field(
        default=None,
        metadata=number(
            "change of the filament's speed at a corner (Klipper's `instantaneous_corner_velocity`)",
            above=0,
            high=1000,
            without="1 with Klipper, else no limit",
            example="1",
        ),
    )
    z_jerk_mm_s: float | None = field(
        default=None,
        metadata=number(
            "jerk of Z, where corners are taken by jerk", above=0, high=1000, without="0.3", example="0.4"
        ),
    )
    stop_s: float | None = field(
        default=None,
        metadata=number(
            "what a stop adds beyond its moves and waits, until the machine moves again; measured by "
            "`twinlapse rig timing`",
            low=0,
            high=10,
            without="0.3 with Klipper, else 0.01 or less",
            example="0.3",
        ),
    )
    travel_factor: float = field(
        default=1.0,
        metadata=number(
            "measured time of the print between stops over the calculated time; measured by "
            "`twinlapse rig timing`",
            low=0.5,
            high=2,
        ),
    )
    idle_timeout_s: float | None = field(
        default=None,
        metadata=number(
            "seconds of standing after which the firmware releases the motors (Marlin), or switches heaters "
            "and motors off (Klipper)",
            above=0,
            high=1_000_000,
            without="120 with Marlin, 600 with Klipper, 30 with RepRapFirmware",
            example="600",
        ),
    )


def idle_timeout_s(limits: Limits, firmware: str) -> float:
    """Return after how many seconds of standing the firmware lets go of motors or heat."""
    if limits.idle_timeout_s is not None:
        return limits.idle_timeout_s
    defaults = {"marlin": _MARLIN_IDLE_S, "klipper": _KLIPPER_IDLE_S, "reprapfirmware": _RRF_IDLE_S}
    return defaults[firmware]
