"""One shot worked out: its stops, the path to them and back, how high it lifts, the time it adds."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import permutations

from twinlapse.gcode import Layers, Toolpath
from twinlapse.plan.clearance.height_map import BedPlace, Ground, inside_bed
from twinlapse.plan.clearance.routing import Router
from twinlapse.plan.cost import Here, Point, here_at, retraction_s, stops_s
from twinlapse.plan.left_out import LeftOut
from twinlapse.plan.when.choice import Choice
from twinlapse.plan.when.insertion_points import UsualRetraction
from twinlapse.plan.where.stop_positions import LIFT_MM, StopPosition
from twinlapse.rig import Rig
from twinlapse.shots import Shot, Stop

__all__ = ["WORTH_A_LOOK_MM", "BlockMaker", "Obstacle"]

_Timed = tuple[Shot, float]  # and the seconds of its block, without retracting and priming
WORTH_A_LOOK_MM = 2.0  # a lift that much higher than usual is compared with a path around


@dataclass(frozen=True, slots=True, kw_only=True)
class Obstacle:
    """A standing place that cannot be reached, and why."""

    stand: StopPosition
    why: str


@dataclass(frozen=True, slots=True)
class BlockMaker:
    """Works out shots one after the other, in the order of the file."""

    toolpath: Toolpath
    layers: Layers
    rig: Rig
    habit: UsualRetraction
    ground: Ground
    router: Router
    toured: frozenset[int] = frozenset()  # gaps whose shots get stops of a survey as well

    def make(
        self, choice: Choice, stands: Sequence[StopPosition], at_s: float
    ) -> tuple[Shot | None, list[LeftOut]]:
        """Return the cheapest shot that is clear of everything, and the stops that cannot be reached."""
        self.ground.advance(choice.moment.row)
        here = here_at(self.toolpath, self.rig, choice.moment.row)
        still = bool(stands) and all(stand.stance == "still" for stand in stands)
        draft = self._draft(choice, at_s, still=still and choice.gap not in self.toured)
        pulling_s = 2 * retraction_s(draft, here, self.rig)
        if not stands and not choice.cameras:  # the stops of a survey come later
            return _costing(draft, stops_s(draft, here, self.rig) + pulling_s), []
        kept = list(stands)
        refusals: list[LeftOut] = []
        while kept:
            best, best_s = draft, math.inf
            for order in permutations(kept):
                found = self._with_stops(draft, order, here, choice.layer)
                if isinstance(found, Obstacle):
                    break
                shot, seconds = found
                if round(seconds + pulling_s, 3) < round(best_s + pulling_s, 3) - 1e-9:  # as it is told
                    best, best_s = shot, seconds
            else:
                return _costing(best, best_s + pulling_s), refusals
            kept.remove(found.stand)
            refusals.append(
                LeftOut(layer=choice.layer, at_s=at_s, cameras=found.stand.cameras, why=found.why)
            )
        return None, refusals

    def _draft(self, choice: Choice, at_s: float, *, still: bool) -> Shot:
        if choice.moment.retracted:
            retract, length = "already", 0.0
        elif still or self.habit.length_mm <= 0:
            retract, length = "none", 0.0
        else:
            retract = "firmware" if self.habit.firmware else "own"
            length = 0.0 if self.habit.firmware else self.habit.length_mm
        return Shot(
            number=1,
            after_line=choice.moment.line,
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
            leaves_object=choice.moment.leaves,
        )

    def _with_stops(
        self, draft: Shot, order: Sequence[StopPosition], here: Here, layer: int
    ) -> _Timed | Obstacle:
        """Return the shot with its stops in one order and its seconds, or what is in the way.

        Straight paths as high as they need to be; where that is high, or too high for the machine, paths
        around at the usual lift, whichever is faster.
        """
        home = here.place_mm
        if draft.lift_mm == 0:
            stops = [self._stop(stand, home[:2], home[2], home[2]) for stand in order]
            return self._timed(replace(draft, stops=tuple(stops)), here)
        usual = home[2] + LIFT_MM
        straight = self._straight(draft, order, here, layer, usual)
        high = isinstance(straight, Obstacle) or straight[0].lift_mm > LIFT_MM + WORTH_A_LOOK_MM
        around = self._around(draft, order, here, layer, usual) if high else None
        if around is None:
            return straight
        return around if isinstance(straight, Obstacle) or around[1] < straight[1] else straight

    def _straight(
        self, draft: Shot, order: Sequence[StopPosition], here: Here, layer: int, usual: float
    ) -> _Timed | Obstacle:
        home, travel, limit = here.place_mm, usual, self.rig.printer.height_mm
        at, heights_mm = home[:2], []
        for stand in order:
            spot = stand.at_mm or home[:2]
            travel = max(travel, self._path_z(at, spot, travel), self._path_z(spot, home[:2], travel))
            z_mm, why = self._height(stand, spot, travel, home, layer)
            travel = max(travel, z_mm)
            if not why and travel > limit:
                why = f"the path needs the nozzle at {travel:.1f} mm, the machine's height is {limit:g} mm"
            if why:
                return Obstacle(stand=stand, why=why)
            heights_mm.append(z_mm)
            at = spot
        lift_mm = _upward(travel - home[2])
        stops = [
            self._stop(stand, stand.at_mm or home[:2], z, home[2] + lift_mm)
            for stand, z in zip(order, heights_mm, strict=True)
        ]
        return self._timed(replace(draft, lift_mm=lift_mm, stops=tuple(stops)), here)

    def _around(
        self, draft: Shot, order: Sequence[StopPosition], here: Here, layer: int, usual: float
    ) -> _Timed | None:
        home = here.place_mm
        lift_mm = _upward(usual - home[2])
        at, stops = home[:2], []
        for stand in order:
            spot = stand.at_mm or home[:2]
            z_mm, why = self._height(stand, spot, usual, home, layer)
            via = None if why or z_mm > usual + 1e-6 else self.router.path(at, spot, usual)
            if via is None:
                return None
            stops.append(self._stop(stand, spot, z_mm, home[2] + lift_mm, via))
            at = spot
        back = self.router.path(home[:2], at, usual)  # from the stop's side the distances are known already
        if back is None or usual > self.rig.printer.height_mm:
            return None
        return self._timed(replace(draft, lift_mm=lift_mm, stops=tuple(stops), back_mm=back[::-1]), here)

    def _height(
        self, stand: StopPosition, spot: BedPlace, travel: float, home: Point, layer: int
    ) -> tuple[float, str]:
        """Return the height of a stop, and what speaks against it."""
        top = float(self.layers.z_mm[layer])
        wanted = travel if stand.rise_mm is None else top + stand.rise_mm
        least = max(self.ground.needed_z(spot, spot, wanted), top + LIFT_MM) if stand.at_mm else home[2]
        return max(wanted, least), self._in_the_way(stand, spot, wanted, least, top)

    def _in_the_way(
        self, stand: StopPosition, spot: BedPlace, wanted: float, least: float, top: float
    ) -> str:
        who = " and ".join(stand.cameras)
        if stand.at_mm is not None and not inside_bed(self.rig.printer, spot):
            return f"the stop for {who} is outside the bed"
        if wanted < least - 1e-6 and stand.steady_z:
            return (
                f"{who} must stand {stand.rise_mm:g} mm above the layer at every shot, and what is printed "
                f"there asks for {least - top:.1f} mm"
            )
        return ""

    def _path_z(self, start: BedPlace, end: BedPlace, enough_mm: float) -> float:
        return self.ground.needed_z(start, end, enough_mm) if math.dist(start, end) > 1e-9 else 0.0

    def _stop(
        self,
        stand: StopPosition,
        spot: BedPlace,
        z_mm: float,
        travel_mm: float,
        via_mm: tuple[BedPlace, ...] = (),
    ) -> Stop:
        """Return a stop; one at about the height of travel is put at its very height."""
        dwell = max(camera.dwell_s for camera in self.rig.cameras if camera.name in stand.cameras)
        return Stop(
            cameras=stand.cameras,
            x_mm=round(spot[0], 3),
            y_mm=round(spot[1], 3),
            z_mm=travel_mm if abs(round(z_mm, 3) - travel_mm) < 2e-3 else round(z_mm, 3),
            dwell_s=dwell,
            stance=stand.stance,
            via_mm=via_mm,
        )

    def _timed(self, shot: Shot, here: Here) -> _Timed:
        return shot, stops_s(shot, here, self.rig)


def _costing(shot: Shot, seconds: float) -> Shot:
    return replace(shot, cost_s=round(seconds, 3))


def _upward(value_mm: float) -> float:
    return math.ceil(value_mm * 1000 - 1e-6) / 1000
