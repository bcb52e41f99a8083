"""When each camera would like to shoot: its schedule as wished times, before any moment is chosen."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from twinlapse.arrays import Float, Int
from twinlapse.errors import PlanError
from twinlapse.gcode import Layers
from twinlapse.rig import Camera

__all__ = ["MOST_SHOTS", "LayerTimes", "Wishes", "layer_times", "refuse_too_many", "wishes_of"]

MOST_SHOTS = 10_000  # of one camera: a film of five and a half minutes; each is worked out by itself


@dataclass(frozen=True, slots=True, kw_only=True)
class Wishes:
    """What one camera wishes for: some at the end of a layer, some at a time."""

    camera: str
    layer: Int  # (m,) the layer that has just been finished, -1 where only the time counts
    at_s: Float  # (m,) rising
    slack_s: Float  # (m,) how far a shot may lie from the wished time


@dataclass(frozen=True, slots=True, kw_only=True)
class LayerTimes:
    """When layers begin and end, (n,)."""

    start_s: Float
    end_s: Float


def layer_times(layers: Layers, end_s: Float) -> LayerTimes:
    """Return the times of layers from the times of rows."""
    edges = np.concatenate([[0.0], end_s])[np.minimum(layers.first_row, len(end_s))]
    return LayerTimes(start_s=edges[:-1], end_s=edges[1:])


def wishes_of(camera: Camera, layers: Layers, times: LayerTimes) -> Wishes:
    """Return the wished shots of a camera, its denser first layers included."""
    layer, at_s, slack_s = _scheduled(camera.every, layers, times, camera.name)
    first = _first_layers(camera.first_layers, times, camera.name)
    if first is not None:
        upper = at_s > times.end_s[min(first[3], len(layers)) - 1] - 1e-9
        layer, at_s, slack_s = (
            np.concatenate([early, late[upper]])
            for early, late in zip(first[:3], (layer, at_s, slack_s), strict=True)
        )
    order = np.argsort(at_s, kind="stable")
    return Wishes(camera=camera.name, layer=layer[order], at_s=at_s[order], slack_s=slack_s[order])


def refuse_too_many(wishes: Sequence[Wishes]) -> None:
    """Refuse a schedule of more shots than a film can use.

    Raises
    ------
    PlanError
        which names the camera.
    """
    for wish in wishes:
        if len(wish.at_s) > MOST_SHOTS:
            raise PlanError(
                f'camera "{wish.camera}" asks for {len(wish.at_s):,} shots, {MOST_SHOTS:,} are the most',
                'write every = "auto", or a longer step, under this camera',
            )


def _scheduled(
    every: str | Mapping[str, Any], layers: Layers, times: LayerTimes, name: str
) -> tuple[Int, Float, Float]:
    count = len(layers)
    if isinstance(every, str):
        return _at_layers(np.arange(count), times)
    if "layers" in every:
        step = int(every["layers"])
        return _at_layers(_with_last(np.arange(step - 1, count, step), count), times)
    if "mm" in every:
        return _at_layers(_with_last(_every_height(layers, float(every["mm"])), count), times)
    start, end = times.start_s[0], times.end_s[-1]
    if "s" in every:
        step_s = float(every["s"])
        at = np.append(np.arange(start + step_s, end - step_s / 2, step_s), end)
        layer = np.append(np.full(len(at) - 1, -1), count - 1)
        return layer, at, np.full(len(at), step_s / 3)
    if "film_s" in every:
        return _for_film(every, layers, times)
    raise PlanError(
        f'camera "{name}": {dict(every)!r} is no schedule', 'write every = "layer" or { layers = 3 }'
    )


def _with_last(wanted: Int, count: int) -> Int:
    """Return the layers with the last one among them: a film ends with the finished print."""
    return np.union1d(wanted, [count - 1]).astype(np.int64)


def _every_height(layers: Layers, step_mm: float) -> Int:
    """Return the layers at which the print has grown by another step."""
    found, due, mine = [], step_mm, 0
    for layer, (top, owner) in enumerate(zip(_tops(layers).tolist(), _owners(layers).tolist(), strict=True)):
        if owner != mine:
            due, mine = step_mm, owner
        if top >= due - 1e-6:
            found.append(layer)
            due = (np.floor((top + 1e-6) / step_mm) + 1) * step_mm
    return np.array(found, np.int64)


def _owners(layers: Layers) -> Int:
    """Return the object of each layer where objects are printed one after the other, else 0, (n,)."""
    return layers.object.astype(np.int64) if layers.sequential else np.zeros(len(layers), np.int64)


def _tops(layers: Layers) -> Float:
    """Return how high the object that a layer belongs to has grown with it, (n,)."""
    begins = np.flatnonzero(np.diff(_owners(layers))) + 1
    return np.concatenate([np.maximum.accumulate(part) for part in np.split(layers.z_mm, begins)])


def _risen(layers: Layers) -> Float:
    """Return by how much each layer raises its own object, (n,)."""
    tops = _tops(layers)
    below = np.concatenate([[0.0], tops[:-1]])
    below[np.diff(_owners(layers), prepend=-1) != 0] = 0.0
    return np.asarray(tops - below)


def _for_film(every: Mapping[str, Any], layers: Layers, times: LayerTimes) -> tuple[Int, Float, Float]:
    """Spread as many shots as the film has frames evenly by height, by time or by material."""
    frames = max(1, round(float(every["film_s"]) * float(every.get("fps", 30))))
    by = every.get("by", "height")
    share = (np.arange(frames) + 1.0) / frames
    edges_s = np.concatenate([times.start_s[:1], times.end_s])
    if by == "time":
        grown = edges_s
    elif by == "material":
        grown = np.concatenate([[0.0], np.cumsum(np.maximum(layers.extruded_mm, 0.0))])
    else:
        grown = np.concatenate([[0.0], np.cumsum(_risen(layers))])
    wished = grown[0] + share * (grown[-1] - grown[0])
    if frames <= len(layers):
        order = np.arange(frames)
        ends = np.maximum.accumulate(np.searchsorted(grown[1:], wished - 1e-9) - order) + order
        return _at_layers(np.minimum(ends, len(layers) - frames + order), times)  # no layer twice
    at = np.interp(wished, grown, edges_s)  # more frames than layers: some lie inside a layer
    return np.full(frames, -1), at, np.full(frames, (edges_s[-1] - edges_s[0]) / frames / 2)


def _first_layers(
    first: Mapping[str, Any] | None, times: LayerTimes, name: str
) -> tuple[Int, Float, Float, int] | None:
    if first is None:
        return None
    count = first.get("layers")
    if not isinstance(count, int) or isinstance(count, bool) or count < 1:
        raise PlanError(
            f'camera "{name}": first_layers needs a whole number of layers',
            "write first_layers = { layers = 3, s = 10 }",
        )
    if set(first) - {"layers", "s"} or not first.get("s", 1) > 0:
        raise PlanError(
            f'camera "{name}": first_layers knows layers and s alone',
            "write first_layers = { layers = 3, s = 10 }",
        )
    count = min(count, len(times.end_s))
    ends, at, slack = _at_layers(np.arange(count), times)
    if "s" in first:
        step_s = float(first["s"])
        inner = np.arange(times.start_s[0] + step_s, times.end_s[count - 1], step_s)
        far = np.abs(inner[:, None] - at[None, :]).min(axis=1) > step_s / 2
        inner = inner[far]
        ends = np.concatenate([ends, np.full(len(inner), -1)])
        slack = np.concatenate([slack, np.full(len(inner), step_s / 3)])
        at = np.concatenate([at, inner])
    return ends, at, slack, count


def _at_layers(wanted: Int, times: LayerTimes) -> tuple[Int, Float, Float]:
    return wanted.astype(np.int64), times.end_s[wanted], np.zeros(len(wanted))
