"""A schedule where the rig names none: as smooth a film as a tenth of the print's time can buy."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

from twinlapse.gcode import Layers
from twinlapse.plan.when.schedule import LayerTimes
from twinlapse.rig import Camera, Rig
from twinlapse.rig.notations import amount_s

__all__ = ["AUTO", "FILM_S", "AutomaticSchedule", "ScheduleChoice", "schedule_choices", "with_automatic"]

AUTO = "auto"
FILM_S = 8.0  # a film of this length wants a frame a shot; common practice, no source
_SHARE = 0.10  # of the print's time that all shots may add; common practice, no source
_SHORT_SHARE = 0.15  # where a tenth would buy less than half a second of film
_SHORT_FILM_S = 0.5
_FIRST_LAYERS = 3  # watched more closely: prints fail early
_FIRST_SHARE = 0.02  # of the print's time, for pictures inside the first layers
_FIRST_MOST = 6
_FIRST_LEAST_S = 20.0  # from one picture inside the first layers to the next
_UNSURE = 1.05  # by which a shot may cost more than estimated


@dataclass(frozen=True, slots=True, kw_only=True)
class AutomaticSchedule:
    """What was picked for the cameras without a schedule of their own."""

    layer_step: int  # a shot after every so many layers
    share: float  # of the print's time that all shots may add
    cameras: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class ScheduleChoice:
    """What another schedule would cost, by the mean cost of the plan's own shots."""

    name: str
    shots: int
    added_s: float
    film_s: float


def with_automatic(
    rig: Rig, layers: Layers, times: LayerTimes, print_s: float, shot_s: float
) -> tuple[Rig, AutomaticSchedule | None]:
    """Return the rig with a schedule for each camera, and what was picked; None where each had its own.

    Parameters
    ----------
    rig : Rig
    layers, times
        Of one print.
    print_s : float
        Time of the print without shots.
    shot_s : float
        Estimated cost of a shot for all cameras without a schedule.

    Notes
    -----
    The step is a whole number of layers, so that the print grows evenly in the film: the largest that still
    gives a film of ``FILM_S``, and larger where the shots would add more than their share.
    """
    without = [camera for camera in rig.cameras if camera.every == AUTO]
    if not without:
        return rig, None
    count, fps = len(layers), float(rig.film.fps)
    share = _SHARE
    step = _step(count, fps, shot_s, _most_s(rig, share, print_s))
    if count / step < _SHORT_FILM_S * fps and not rig.plan.max_added:
        share = _SHORT_SHARE
        step = _step(count, fps, shot_s, _most_s(rig, share, print_s))
    cameras = tuple(
        _scheduled(camera, step, times, print_s, shot_s) if camera in without else camera
        for camera in rig.cameras
    )
    plan = rig.plan if rig.plan.max_added else replace(rig.plan, max_added=f"{100 * share:g}%")
    picked = AutomaticSchedule(layer_step=step, share=share, cameras=tuple(camera.name for camera in without))
    return replace(rig, cameras=cameras, plan=plan), picked


def schedule_choices(
    count: int, shots: int, added_s: float, rig: Rig, step: int | None = None
) -> list[ScheduleChoice]:
    """Return what other schedules would cost: every layer, every second, third ..., a film of ten seconds.

    Parameters
    ----------
    count : int
        Layers of the print.
    shots, added_s
        Of the plan that was made.
    step : int, optional
        Of the plan that was made; it stands among the others.
    """
    each_s, fps = added_s / max(shots, 1), float(rig.film.fps)
    steps = sorted({1, 2, 3, 5, 10} | ({step} if step else set()))
    named = [(f"every {_ordinal(k)}layer", math.ceil(count / k)) for k in steps if k == 1 or count >= 20 * k]
    ten = round(10 * fps)
    if ten < count:
        named.append(("a film of 10 s", ten))
    return [
        ScheduleChoice(
            name=name,
            shots=number,
            added_s=round(number * each_s, 1),
            film_s=round(rig.film.length_s or number / fps, 1),
        )
        for name, number in named
    ]


def _step(count: int, fps: float, shot_s: float, most_s: float) -> int:
    smooth = max(1, int(count // (FILM_S * fps)))
    shots = max(1.0, most_s / max(_UNSURE * shot_s, 1e-6))
    return max(smooth, math.ceil(count / shots))


def _most_s(rig: Rig, share: float, print_s: float) -> float:
    return amount_s(rig.plan.max_added, print_s) if rig.plan.max_added else share * print_s


def _scheduled(camera: Camera, step: int, times: LayerTimes, print_s: float, shot_s: float) -> Camera:
    every = "layer" if step == 1 else {"layers": step}
    if camera.mount != "toolhead" or camera.first_layers is not None:
        return replace(camera, every=every)
    return replace(camera, every=every, first_layers=_first_layers(times, print_s, shot_s))


def _first_layers(times: LayerTimes, print_s: float, shot_s: float) -> dict[str, float]:
    """Return a denser schedule for the first layers of a camera that is there to see trouble early."""
    count = min(_FIRST_LAYERS, len(times.end_s))
    lasts_s = float(times.end_s[count - 1] - times.start_s[0])
    extra = min(_FIRST_MOST, int(_FIRST_SHARE * print_s / max(shot_s, 1e-6)))
    every_s = max(_FIRST_LEAST_S, lasts_s / (extra + 1)) if extra else math.inf
    return {"layers": count, "s": round(every_s, 1)} if every_s < lasts_s else {"layers": count}


def _ordinal(step: int) -> str:
    return {1: "", 2: "2nd ", 3: "3rd "}.get(step, f"{step}th ")
