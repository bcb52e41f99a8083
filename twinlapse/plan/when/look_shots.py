"""Shots of their own for surveys: where a layer ends, and before anything is printed."""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np

from twinlapse.arrays import Float
from twinlapse.gcode import Kind, Layers, Mode, Setting, Toolpath
from twinlapse.plan.when.choice import Choice
from twinlapse.plan.when.gaps import Gaps
from twinlapse.plan.when.insertion_points import (
    Gap,
    Moment,
    Ready,
    UsualRetraction,
    moment_in,
    objects_to_leave,
)

__all__ = ["BEFORE_PRINT", "before_print", "with_look_shots"]

BEFORE_PRINT = -1  # the gap of the shot that stands before the first extruding row


def with_look_shots(
    choices: list[Choice],
    wanted: Iterable[int],
    toolpath: Toolpath,
    layers: Layers,
    gaps: Gaps,
    habit: UsualRetraction,
    ready: Ready,
) -> list[Choice]:
    """Return the choices with one more, for no camera, where a wanted layer ends without a shot."""
    taken = {choice.gap for choice in choices}
    more = []
    for layer in sorted(set(wanted)):
        found = np.flatnonzero((gaps.layer == layer) & gaps.ends_layer)
        if not len(found) or int(found[-1]) in taken:
            continue
        gap = int(found[-1])
        place = Gap(
            before=int(gaps.before[gap]),
            after=int(gaps.after[gap]),
            until=int(gaps.until[gap]),
            ends_layer=True,
        )
        moment = moment_in(toolpath, place, habit, ready)
        if moment is not None:
            more.append(
                _for_no_camera(gap, moment, layer, float(gaps.at_s[gap]), "a survey needs the whole layer")
            )
    return sorted([*choices, *more], key=lambda choice: choice.moment.row)


def before_print(toolpath: Toolpath, end_s: Float, ready: Ready) -> Choice | None:
    """Return a shot before anything is extruded, None where no line is fit for it.

    The machine must be homed and hot, because the block retracts and primes as every other does: a wait for
    heat stands before it and nothing was fed yet.
    """
    laid = np.flatnonzero(toolpath.kind == Kind.EXTRUDE)
    if not len(laid):
        return None
    first = int(laid[0])
    waits = toolpath.setting_row[toolpath.setting_kind == Setting.HEAT_WAIT]
    waits = waits[waits <= first]
    if not len(waits):
        return None
    stuck = np.isin(toolpath.kind[:first], (Kind.HOME, Kind.TOOL, Kind.DWELL))
    begin = max(int(waits.max()), int(np.flatnonzero(stuck)[-1]) + 1 if stuck.any() else 0)
    feeds = np.isin(
        toolpath.kind[:first], (Kind.PRIME, Kind.FW_PRIME, Kind.RETRACT, Kind.FW_RETRACT, Kind.WIPE)
    )
    feeds[:begin] = False
    own_line = toolpath.line[1 : first + 1] != toolpath.line[:first]
    # a travel ends here, with all axes homed, nothing fed since the heat and a line of its own
    fit = (toolpath.kind[:first] == Kind.TRAVEL) & ((toolpath.mode[:first] & Mode.HOMED) != 0)
    fit &= (toolpath.feed_mm_s[:first] > 0) & own_line & (np.cumsum(feeds) == 0)
    rows = np.flatnonzero(fit)
    rows = rows[rows >= begin]
    if not len(rows):
        return None
    row = int(rows[0])
    line = int(toolpath.line[row])
    number = int(objects_to_leave(toolpath, np.array([row]), np.array([line]), ready)[0])
    moment = Moment(
        row=row,
        line=line,
        byte=None,
        in_object=False,
        leaves=number if number >= 0 else None,
        retracted=False,
        on_path=False,
    )
    return _for_no_camera(BEFORE_PRINT, moment, 0, float(end_s[row]), "the bed is bare here")


def _for_no_camera(gap: int, moment: Moment, layer: int, at_s: float, why: str) -> Choice:
    return Choice(
        gap=gap,
        moment=moment,
        layer=layer,
        cameras=(),
        wished_s=at_s,
        weight_s=0.0,
        reasons=(why,),
        turned=(),
        outer=False,
    )
