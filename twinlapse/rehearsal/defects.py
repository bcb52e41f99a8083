"""Faults put into a first layer: gaps, a missing line, a blob, a lifted corner, with place and size."""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import cv2
import numpy as np
from numpy.typing import NDArray

from twinlapse.arrays import Float
from twinlapse.gcode import Toolpath, find_layers
from twinlapse.rehearsal.beads import PRESSED, Beads

__all__ = ["APART_MM", "LIFT_REACH_MM", "Kind", "PlantedDefect", "chosen", "layer_beads", "put_in", "runs_of"]

Kind = Literal["gap", "missing", "blob", "lifted"]
APART_MM = 6.0  # between two faults
LIFT_REACH_MM = 9.0  # how far from the corner a lift begins


@dataclass(frozen=True, slots=True, kw_only=True)
class PlantedDefect:
    """One fault as it was put in."""

    kind: Kind
    x_mm: float
    y_mm: float
    # bare length of a gap, length of a missing line, diameter of a blob, height of a lifted corner
    size_mm: float


def layer_beads(beads: Beads, path: Toolpath, layer: int = 0) -> Beads:
    """Return the beads of one layer."""
    layers = find_layers(path)
    inside = (beads.row >= layers.first_row[layer]) & (beads.row < layers.first_row[layer + 1])
    return chosen(beads, np.flatnonzero(inside))


def put_in(
    beads: Beads, wanted: Sequence[tuple[Kind, float]], dice: np.random.Generator
) -> tuple[Beads, list[PlantedDefect]]:
    """Put faults into a layer at places that the dice choose.

    Parameters
    ----------
    beads : Beads
    wanted : sequence of (kind, size_mm)
        Of a missing line the size is the shortest that will do. A gap is bare for its size: as the round
        ends of the line reach into it, the path is cut by a line's width more.
    dice : numpy Generator

    Returns
    -------
    beads : Beads
    defects : list of PlantedDefect
        One for each wanted, in their order, at least 6 mm apart.

    Raises
    ------
    ValueError
        when the layer has no room for one of them.
    """
    defects: list[PlantedDefect] = []
    for kind, size_mm in wanted:
        beads, defect = _MAKERS[kind](beads, size_mm, defects, dice)
        defects.append(defect)
    return beads, defects


def chosen(beads: Beads, which: NDArray[np.integer]) -> Beads:
    """Return some of the beads."""
    return Beads(**{name: getattr(beads, name)[which] for name in Beads.__dataclass_fields__})


def runs_of(beads: Beads) -> list[tuple[int, int]]:
    """Return first and last-plus-one bead of every path laid without a break, turns of 30 degrees parted."""
    step = beads.last_mm - beads.first_mm
    way = step / np.maximum(np.linalg.norm(step, axis=1, keepdims=True), 1e-9)
    joined = np.linalg.norm(beads.first_mm[1:] - beads.last_mm[:-1], axis=1) < 0.02
    straight = (way[1:] * way[:-1]).sum(axis=1) > np.cos(np.radians(30))
    breaks = np.flatnonzero(~(joined & straight)) + 1
    edges = [0, *breaks.tolist(), len(beads)]
    return list(itertools.pairwise(edges))


def _gap(
    beads: Beads, size_mm: float, taken: list[PlantedDefect], dice: np.random.Generator
) -> tuple[Beads, PlantedDefect]:
    lengths = np.linalg.norm(beads.last_mm - beads.first_mm, axis=1)
    runs = [run for run in runs_of(beads) if lengths[slice(*run)].sum() > size_mm + 5]
    for _ in range(300):
        a, b = runs[int(dice.integers(len(runs)))] if runs else (0, 0)
        if a == b:
            break
        ends = np.concatenate([[0.0], np.cumsum(lengths[a:b])])
        cut_mm = size_mm + 2 * PRESSED * float(beads.half_width_mm[a])
        start = float(dice.uniform(1.5, ends[-1] - cut_mm - 1.5))
        middle = _along(beads, a, ends, start + cut_mm / 2)
        if _free(middle, taken):
            cut = _without(beads, a, ends, start, start + cut_mm)
            return cut, PlantedDefect(kind="gap", x_mm=middle[0], y_mm=middle[1], size_mm=size_mm)
    raise ValueError(f"the layer has no room for a gap of {size_mm} mm")


def _missing(
    beads: Beads, size_mm: float, taken: list[PlantedDefect], dice: np.random.Generator
) -> tuple[Beads, PlantedDefect]:
    lengths = np.linalg.norm(beads.last_mm - beads.first_mm, axis=1)
    runs = [run for run in runs_of(beads) if size_mm <= lengths[slice(*run)].sum() <= 4 * size_mm]
    for place in dice.permutation(len(runs)):
        a, b = runs[int(place)]
        middle = (beads.first_mm[a] + beads.last_mm[b - 1]).astype(np.float64)[:2] / 2
        if _free((float(middle[0]), float(middle[1])), taken):
            rest = np.concatenate([np.arange(a), np.arange(b, len(beads))])
            length = float(lengths[a:b].sum())
            return chosen(beads, rest), PlantedDefect(
                kind="missing", x_mm=float(middle[0]), y_mm=float(middle[1]), size_mm=length
            )
    raise ValueError(f"the layer has no line of {size_mm} mm to leave out")


def _blob(
    beads: Beads, size_mm: float, taken: list[PlantedDefect], dice: np.random.Generator
) -> tuple[Beads, PlantedDefect]:
    for place in dice.permutation(len(beads))[:300]:
        x, y, z = (float(v) for v in (beads.first_mm[place] + beads.last_mm[place]) / 2)
        if not _free((x, y), taken):
            continue
        lump = Beads(
            first_mm=np.array([[x - 0.01, y, z + 0.2 * size_mm]], np.float32),
            last_mm=np.array([[x + 0.01, y, z + 0.2 * size_mm]], np.float32),
            half_width_mm=np.array([size_mm / 2], np.float32),
            half_height_mm=np.array([0.4 * size_mm], np.float32),
            row=beads.row[-1:],
        )
        both = {
            name: np.concatenate([getattr(beads, name), getattr(lump, name)])
            for name in Beads.__dataclass_fields__
        }
        return Beads(**both), PlantedDefect(kind="blob", x_mm=x, y_mm=y, size_mm=size_mm)
    raise ValueError("the layer has no room for a blob")


def _lifted(
    beads: Beads, size_mm: float, taken: list[PlantedDefect], dice: np.random.Generator
) -> tuple[Beads, PlantedDefect]:
    solid = beads.last_mm[_crowded(beads), :2]
    middle = (solid.min(axis=0) + solid.max(axis=0)) / 2
    signs = np.array([(1, 1), (1, -1), (-1, 1), (-1, -1)])[dice.permutation(4)]
    for sign in signs:  # the outermost place toward a corner of the outline
        x, y = (float(v) for v in solid[int(((solid - middle) * sign).sum(axis=1).argmax())])
        if not _free((x, y), taken):
            continue
        raised = {name: getattr(beads, name).copy() for name in Beads.__dataclass_fields__}
        for name in ("first_mm", "last_mm"):
            distance = np.hypot(raised[name][:, 0] - x, raised[name][:, 1] - y)
            raised[name][:, 2] += size_mm * np.clip(1 - distance / LIFT_REACH_MM, 0, 1) ** 2
        return Beads(**raised), PlantedDefect(kind="lifted", x_mm=x, y_mm=y, size_mm=size_mm)
    raise ValueError("every corner of the layer has a fault already")


def _crowded(beads: Beads) -> NDArray[np.bool_]:
    """Return which beads end in the print itself: a skirt or prime line has little around it."""
    low = beads.last_mm[:, :2].min(axis=0) - 5
    cell = (beads.last_mm[:, :2] - low).astype(np.int64)
    laid = np.zeros((int(cell[:, 1].max()) + 6, int(cell[:, 0].max()) + 6), np.float32)
    middle = ((beads.first_mm + beads.last_mm)[:, :2] / 2 - low).astype(np.int64)
    lengths = np.linalg.norm(beads.last_mm - beads.first_mm, axis=1)
    np.add.at(laid, (middle[:, 1], middle[:, 0]), lengths)
    about = cv2.blur(laid, (7, 7))[cell[:, 1], cell[:, 0]]
    return np.asarray(about > 0.4 * np.median(about))


_MAKERS = {"gap": _gap, "missing": _missing, "blob": _blob, "lifted": _lifted}


def _free(at: tuple[float, float], taken: list[PlantedDefect]) -> bool:
    return all(np.hypot(at[0] - other.x_mm, at[1] - other.y_mm) > APART_MM for other in taken)


def _along(beads: Beads, first: int, ends: Float, s: float) -> tuple[float, float]:
    """Return the place at a length along a run that begins with bead `first`."""
    k = min(int(np.searchsorted(ends, s, "right")) - 1, len(ends) - 2)
    share = (s - ends[k]) / max(ends[k + 1] - ends[k], 1e-9)
    at = beads.first_mm[first + k] + share * (beads.last_mm[first + k] - beads.first_mm[first + k])
    return float(at[0]), float(at[1])


def _without(beads: Beads, first: int, ends: Float, start: float, end: float) -> Beads:
    """Return the beads with a length of one run cut out; its ends stay round."""
    pieces: dict[str, list[NDArray[np.generic]]] = {name: [] for name in Beads.__dataclass_fields__}
    for k in range(len(ends) - 1):
        low, high = ends[k], ends[k + 1]
        for a, b in ((low, min(high, start)), (max(low, end), high)):
            if b - a > 1e-4:
                _add_part(pieces, beads, first + k, (a - low) / (high - low), (b - low) / (high - low))
    whole = {}
    for name in Beads.__dataclass_fields__:
        column = getattr(beads, name)
        middle = np.array(pieces[name], column.dtype).reshape(-1, *column.shape[1:])
        whole[name] = np.concatenate([column[:first], middle, column[first + len(ends) - 1 :]])
    return Beads(**whole)


def _add_part(
    pieces: dict[str, list[NDArray[np.generic]]], beads: Beads, k: int, low: float, high: float
) -> None:
    step = beads.last_mm[k] - beads.first_mm[k]
    pieces["first_mm"].append(beads.first_mm[k] + low * step)
    pieces["last_mm"].append(beads.first_mm[k] + high * step)
    for name in ("half_width_mm", "half_height_mm", "row"):
        pieces[name].append(getattr(beads, name)[k])
