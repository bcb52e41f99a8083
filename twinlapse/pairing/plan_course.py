"""The course of a machine as far as a plan alone tells it: when it stands, and that it moves in between."""

from __future__ import annotations

import numpy as np

from twinlapse.machine_course import MachineCourse
from twinlapse.rig import rig_from_mapping
from twinlapse.shots import Plan

__all__ = ["plan_course"]


def plan_course(plan: Plan) -> MachineCourse:
    """Return when each stop of a plan is due, counting the time that the shots before it added.

    A stop begins to settle when the machine has come to stand, so that counts as its length.
    """
    settle_s = (
        {camera.name: camera.settle_s for camera in rig_from_mapping(plan.rig).cameras} if plan.rig else {}
    )
    stops, starts, ends = [], [], []
    added_s = 0.0
    for shot in plan.shots:
        own_s = [
            stop.dwell_s + max((settle_s.get(name, 0.0) for name in stop.cameras), default=0.0)
            for stop in shot.stops
        ]
        travel_s = max(0.0, shot.cost_s - sum(own_s)) / (len(shot.stops) + 1)
        at_s = shot.at_s + added_s
        for number, length_s in enumerate(own_s, 1):
            at_s += travel_s
            stops.append((shot.number, number))
            starts.append(at_s)
            at_s += length_s
            ends.append(at_s)
        added_s += shot.cost_s
    return MachineCourse(
        stops=tuple(stops), start_s=np.array(starts), end_s=np.array(ends), length_s=plan.print_s + added_s
    )
