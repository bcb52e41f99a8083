"""Which moment each wished shot gets: the cheapest one near the wished time."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from twinlapse.arrays import Bool, Float, Int
from twinlapse.gcode import Layers, Toolpath
from twinlapse.plan.left_out import LeftOut
from twinlapse.plan.when.gaps import Gaps
from twinlapse.plan.when.insertion_points import (
    INSIDE_PATH,
    Gap,
    Moment,
    Ready,
    UsualRetraction,
    moment_in,
    why_none,
)
from twinlapse.plan.when.schedule import LayerTimes, Wishes

__all__ = [
    "AWAY_S",
    "IN_OBJECT_S",
    "LATE_MOST_S",
    "LATE_SHARE",
    "ON_PATH_S",
    "OUTER_WALL_S",
    "OWN_RETRACTION_S",
    "RETRACTED_WALL_S",
    "UNFINISHED_S",
    "Choice",
    "Chooser",
    "RejectedMoment",
]

# weights in seconds: what a mark on the print is worth; common practice, no source
OWN_RETRACTION_S = 1.0  # besides its time: a blob may stay where the filament is primed
ON_PATH_S = 1.0  # the nozzle comes back onto a path just printed
OUTER_WALL_S = 4.0  # and the blob would be seen there
RETRACTED_WALL_S = 1.0  # less of one where the filament is back anyway
IN_OBJECT_S = 3.0  # the shot is lost, its moves skipped and its cue sent, when that object is cancelled
UNFINISHED_S = 0.5  # the layer is not complete yet
AWAY_S = 0.2  # a second away from the wished time
LATE_SHARE = 0.4  # of a layer: this part of its end may stand for the end
LATE_MOST_S = 30.0
_MOST_TURNED = 8  # moments beside the one taken of which a choice says why


@dataclass(frozen=True, slots=True, kw_only=True)
class RejectedMoment:
    """A moment that was looked at and not taken."""

    gap: int
    at_s: float
    weight_s: float
    why: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Choice:
    """One shot before its place is worked out."""

    gap: int
    moment: Moment
    layer: int
    cameras: tuple[str, ...]
    wished_s: float
    weight_s: float  # by which moments were compared, not what the shot costs
    reasons: tuple[str, ...]
    turned: tuple[RejectedMoment, ...]
    outer: bool  # it stands on a visible outer wall


@dataclass(frozen=True, slots=True)
class Chooser:
    """The moments of one print, and what each would weigh."""

    toolpath: Toolpath
    layers: Layers
    times: LayerTimes
    gaps: Gaps
    habit: UsualRetraction
    ready: Ready

    def choose(self, wishes: Sequence[Wishes]) -> tuple[list[Choice], list[LeftOut]]:
        """Return the shots in the order of the file, and the wishes that found no moment.

        Wishes of several cameras for the same layer, or for the same moment, are one shot.
        """
        taken: dict[int, Choice] = {}
        free = np.ones(len(self.gaps), bool)
        unmet: list[LeftOut] = []
        asked = [
            (float(w.at_s[k]), int(w.layer[k]), float(w.slack_s[k]), w.camera)
            for w in wishes
            for k in range(len(w.at_s))
        ]
        asked.sort(key=lambda wish: (wish[1] < 0, wish[0]))  # ends of layers first: times then join them
        at_layer: dict[int, Choice] = {}
        for at_s, layer, slack_s, camera in asked:
            before = at_layer.get(layer)
            choice = before if before is not None else self._best(at_s, layer, slack_s, free)
            if choice is None:
                unmet.append(self._unmet(at_s, layer, slack_s, camera))
                continue
            known = taken.get(choice.gap, choice)
            if camera not in known.cameras:
                known = _with_camera(known, camera)
            taken[choice.gap] = known
            free[choice.gap] = False
            if layer >= 0:
                at_layer[layer] = known
        return [taken[gap] for gap in sorted(taken)], unmet

    def _best(self, at_s: float, layer: int, slack_s: float, free: Bool) -> Choice | None:
        """Return the moment of least weight in a window; gaps of less weight are looked at first."""
        window = self._window(at_s, layer, slack_s)
        least = self._least_weights(window, at_s, layer)
        if layer < 0:
            least = np.where(free[window], least, np.minimum(least, 0.0))
        seen: list[tuple[float, int, Moment]] = []
        turned: list[RejectedMoment] = []
        order = np.argsort(least, kind="stable").tolist()
        for k in order:
            gap, price = int(window[k]), float(least[k])
            if seen and price >= min(seen)[0]:
                break
            moment = self._moment(gap)
            if moment is None:
                if len(turned) < _MOST_TURNED:
                    turned.append(self._turned(gap, math.inf))
            else:
                seen.append((price + self._mark_s(gap, moment), gap, moment))
        if not seen:
            return None
        seen.sort(key=lambda found: found[:2])
        weight_s, gap, moment = seen[0]
        looked = {found[1] for found in seen} | {other.gap for other in turned}
        others = [(price, other) for price, other, _ in seen[1:]]
        others += [(float(least[k]), int(window[k])) for k in order if int(window[k]) not in looked]
        turned += [self._turned(other, price) for price, other in others[: _MOST_TURNED - len(turned)]]
        return Choice(
            gap=gap,
            moment=moment,
            layer=int(self.gaps.layer[gap]),
            cameras=(),
            wished_s=at_s,
            weight_s=weight_s,
            reasons=tuple(self._reasons(gap, moment, at_s, layer)),
            turned=tuple(turned),
            outer=bool(self.gaps.outer[gap]) and moment.on_path,
        )

    def _mark_s(self, gap: int, moment: Moment) -> float:
        """Return the weight of what the shot may leave on the print."""
        inside_s = IN_OBJECT_S if moment.in_object else 0.0
        if not moment.on_path:
            return inside_s
        if not self.gaps.outer[gap]:
            return inside_s + (0.0 if moment.retracted else ON_PATH_S)
        return inside_s + (RETRACTED_WALL_S if moment.retracted else ON_PATH_S + OUTER_WALL_S)

    def _window(self, at_s: float, layer: int, slack_s: float) -> Int:
        """Return the gaps that a wish may get."""
        gaps = self.gaps
        if layer >= 0:
            first = int(np.searchsorted(gaps.layer, layer, "left"))
            stop = int(np.searchsorted(gaps.layer, layer, "right"))
            lasts_s = float(self.times.end_s[layer] - self.times.start_s[layer])
            late = gaps.at_s[first:stop] >= at_s - min(LATE_SHARE * lasts_s, LATE_MOST_S)
            return np.flatnonzero(late | gaps.ends_layer[first:stop]) + first
        first = int(np.searchsorted(gaps.at_s, at_s - slack_s, "left"))
        stop = int(np.searchsorted(gaps.at_s, at_s + slack_s, "right"))
        if stop <= first:
            first = max(0, min(int(np.searchsorted(gaps.at_s, at_s)), len(gaps) - 1) - 2)
            stop = min(first + 5, len(gaps))
        return np.arange(first, stop)

    def _least_weights(self, window: Int, at_s: float, layer: int) -> Float:
        """Return what each gap weighs at least, whatever its best boundary is."""
        gaps = self.gaps
        away = np.abs(gaps.at_s[window] - at_s)
        if layer >= 0:
            away = np.where(gaps.ends_layer[window], 0.0, away)
            away += UNFINISHED_S / AWAY_S * ~gaps.ends_layer[window]
        price = AWAY_S * away + np.where(gaps.retracted[window], 0.0, OWN_RETRACTION_S)
        return np.asarray(np.where(gaps.usable[window], price, np.inf))

    def _moment(self, gap: int) -> Moment | None:
        gaps = self.gaps
        if not gaps.usable[gap]:
            return None
        return moment_in(self.toolpath, self._gap(gap), self.habit, self.ready)

    def _gap(self, gap: int) -> Gap:
        gaps = self.gaps
        return Gap(
            before=int(gaps.before[gap]),
            after=int(gaps.after[gap]),
            until=int(gaps.until[gap]),
            ends_layer=bool(gaps.ends_layer[gap]),
        )

    def _unmet(self, at_s: float, layer: int, slack_s: float, camera: str) -> LeftOut:
        """Return a wish that found no moment, with the reason of the gap that comes nearest to one."""
        window = self._window(at_s, layer, slack_s)
        if not len(window):
            why = "nothing is printed there"
        else:
            late = window[np.argsort(~self.gaps.ends_layer[window], kind="stable")]
            why = self._why(int(late[0]), math.inf)
        if layer < 0:
            layer = int(np.clip(np.searchsorted(self.times.end_s, at_s), 0, len(self.layers) - 1))
        return LeftOut(layer=layer, at_s=at_s, cameras=(camera,), why=why)

    def _turned(self, gap: int, weight_s: float) -> RejectedMoment:
        at_s = float(self.gaps.at_s[gap])
        return RejectedMoment(gap=gap, at_s=at_s, weight_s=weight_s, why=self._why(gap, weight_s))

    def _why(self, gap: int, weight_s: float) -> str:
        gaps = self.gaps
        if not gaps.usable[gap]:
            return INSIDE_PATH
        if math.isinf(weight_s):
            return why_none(self.toolpath, self._gap(gap), self.habit, self.ready)
        said = []
        if not gaps.retracted[gap]:
            said.append("the filament would have to be retracted")
        if gaps.outer[gap]:
            said.append("a visible outer wall ends or begins there")
        if not gaps.ends_layer[gap]:
            said.append("the layer is not complete there")
        return " and ".join(said) or "another one is as good and nearer"

    def _reasons(self, gap: int, moment: Moment, at_s: float, layer: int) -> list[str]:
        gaps = self.gaps
        said = []
        if layer >= 0:
            which = f"layer {layer + 1}"
            end = (
                "is complete here"
                if gaps.ends_layer[gap]
                else f"is nearly complete here ({at_s - gaps.at_s[gap]:.1f} s before its end)"
            )
            said.append(f"{which} {end}")
        else:
            said.append(
                f"the schedule asks for {at_s:.1f} s, this is {abs(gaps.at_s[gap] - at_s):.1f} s away"
            )
        if moment.retracted:
            said.append("the file itself has retracted here, so nothing more is retracted")
        elif gaps.travels[gap]:
            said.append("the nozzle is between two paths")
        else:
            said.append("one path passes into the next here: the shot may leave a mark")
        if gaps.outer[gap]:
            where = "where it stands" if moment.on_path else "near, but the nozzle stands away from it"
            said.append(f"a visible outer wall ends or begins {where}")
        return said


def _with_camera(choice: Choice, camera: str) -> Choice:
    return replace(choice, cameras=(*choice.cameras, camera))
