"""One shot worked out: its stops, the way to them and back, how high it lifts, what it costs."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import permutations

from twinlapse.gcode import Layers, Toolpath
from twinlapse.plan.choosing import Choice
from twinlapse.plan.ground import Ground, Place, inside_bed
from twinlapse.plan.moments import Habit
from twinlapse.plan.pricing import Here, block_s, here_at
from twinlapse.plan.standing import LIFT_MM, Stand
from twinlapse.rig import Rig
from twinlapse.shots import Shot, Stop


@dataclass(frozen=True, slots=True, kw_only=True)
class Refusal:
    """A shot that cannot be taken, and why."""

    layer: int
    at_s: float
    why: str


@dataclass(frozen=True, slots=True)
class BlockMaker:
    """Works out shots one after the other, in the order of the file."""

    toolpath: Toolpath
    layers: Layers
    rig: Rig
    habit: Habit
    ground: Ground

    def make(self, choice: Choice, stands: Sequence[Stand], at_s: float) -> Shot | Refusal:
        """Return the cheapest shot that is clear of everything, or why there is none."""
        self.ground.advance(choice.moment.row)
        here = here_at(self.toolpath, self.rig, choice.moment.row)
        draft = self._draft(choice, at_s, still=all(stand.stance == "still" for stand in stands))
        best: Shot | None = None
        why = ""
        for order in permutations(stands):
            found = self._with_stops(draft, order, here, choice.layer)
            if isinstance(found, str):
                why = found
            elif best is None or found.cost_s < best.cost_s - 1e-9:
                best = found
        return best if best is not None else Refusal(layer=choice.layer, at_s=at_s, why=why)

    def _draft(self, choice: Choice, at_s: float, *, still: bool) -> Shot:
        if choice.moment.retracted:
            retract, length = "already", 0.0
        elif still or self.habit.length_mm <= 0:
            retract, length = "none", 0.0
        else:
            retract = "firmware" if self.habit.firmware else "own"
            length = 0.0 if self.habit.firmware else self.habit.length_mm
        row = choice.moment.row
        return Shot(
            number=1,
            after_line=int(self.toolpath.line[row]),
            byte=0,
            layer=choice.layer,
            z_mm=round(float(self.layers.z_mm[choice.layer]), 4),
            at_s=round(at_s, 3),
            cost_s=0.0,
            retract=retract,
            retract_mm=length,
            retract_mm_s=self.habit.speed_mm_s,
            lift_mm=0.0 if still else LIFT_MM,
            stops=(),
        )

    def _with_stops(self, draft: Shot, order: Sequence[Stand], here: Here, layer: int) -> Shot | str:
        """Return the shot with its stops in one order, or in words what is in the way."""
        home = here.place_mm
        if draft.lift_mm == 0:
            stops = tuple(self._stop(stand, home[:2], home[2]) for stand in order)
            return self._priced(replace(draft, stops=stops), here)
        top = float(self.layers.z_mm[layer])
        spots = [home[:2], *(stand.at_mm or home[:2] for stand in order), home[:2]]
        travel = max(home[2] + LIFT_MM, *(self._way_z(a, b) for a, b in zip(spots, spots[1:], strict=False)))
        limit = self.rig.printer.height_mm
        if travel > limit:
            return (
                f"the way to the stop needs the nozzle at {travel:.1f} mm, the machine ends at {limit:g} mm"
            )
        stops = []
        for stand, spot in zip(order, spots[1:-1], strict=True):
            wanted = travel if stand.rise_mm is None else top + stand.rise_mm
            least = max(self.ground.needed_z(spot, spot), top + LIFT_MM if stand.at_mm else home[2])
            if stand.at_mm is not None and not inside_bed(self.rig.printer, spot):
                return f"the stop for {' and '.join(stand.cameras)} is outside the bed"
            if wanted < least - 1e-6 and stand.steady_z:
                return (
                    f"{' and '.join(stand.cameras)} must stand {stand.rise_mm:g} mm above the layer, and what is "
                    f"printed there asks for {least - top:.1f} mm"
                )
            travel = max(travel, wanted)
            stops.append(self._stop(stand, spot, max(wanted, least)))
        if travel > limit:
            return f"the stop is at {travel:.1f} mm, the machine ends at {limit:g} mm"
        return self._priced(replace(draft, lift_mm=_upward(travel - home[2]), stops=tuple(stops)), here)

    def _way_z(self, start: Place, end: Place) -> float:
        return self.ground.needed_z(start, end) if math.dist(start, end) > 1e-9 else 0.0

    def _stop(self, stand: Stand, spot: Place, z_mm: float) -> Stop:
        dwell = max(camera.dwell_s for camera in self.rig.cameras if camera.name in stand.cameras)
        return Stop(
            cameras=stand.cameras,
            x_mm=round(spot[0], 3),
            y_mm=round(spot[1], 3),
            z_mm=round(z_mm, 3),
            dwell_s=dwell,
            stance=stand.stance,
        )

    def _priced(self, shot: Shot, here: Here) -> Shot:
        """Return the shot with stops at the travel's very height where they are meant to be there, and its price."""
        travel = here.state.z_mm + shot.lift_mm
        stops = tuple(
            replace(stop, z_mm=travel) if abs(stop.z_mm - travel) < 2e-3 else stop for stop in shot.stops
        )
        shot = replace(shot, stops=stops)
        return replace(shot, cost_s=round(block_s(shot, here, self.rig), 3))


def _upward(value_mm: float) -> float:
    return math.ceil(value_mm * 1000 - 1e-6) / 1000
