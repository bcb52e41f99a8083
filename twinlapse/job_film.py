"""What a film is made from: frames, plan and settings of a job folder or of named folders."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from twinlapse.errors import TwinlapseError
from twinlapse.files import read_json
from twinlapse.film import FilmOptions
from twinlapse.film.events import Event, events_of_file
from twinlapse.film.overrides import film_options
from twinlapse.film.print_facts import PrintFacts, projected_print
from twinlapse.frames.job import open_job, rig_of
from twinlapse.frames.sequence import FrameSequence, job_sequences, read_sequence
from twinlapse.shots import BARE_BED, CORNER, SURVEY, Plan, read_plan

if TYPE_CHECKING:
    from twinlapse.gcode import Layers, Toolpath

__all__ = ["FilmInputs", "inputs_of_folders", "inputs_of_job", "layer_reports", "print_facts"]


@dataclass(frozen=True, slots=True, kw_only=True)
class FilmInputs:
    """Frames by camera in the order of the rig, the plan if there is one, and the settings of the film."""

    sources: Mapping[str, FrameSequence]
    plan: Plan | None
    options: FilmOptions


def inputs_of_job(folder: Path, settings: Mapping[str, Any], rig: Path | None = None) -> FilmInputs:
    """Return what the film of a job folder is made from.

    Parameters
    ----------
    folder : Path
    settings : mapping
        Values of keys of the ``[film]`` table that take the place of the rig's; None is passed over.
    rig : Path, optional
        Takes the place of the job's rig.

    Raises
    ------
    JobError
        when this is no job folder.
    RenderError
        when a setting is not one that the ``[film]`` table takes.
    """
    job = open_job(folder)
    plan = read_plan(job.plan) if job.plan.exists() else None
    options = film_options(rig or (job.rig if job.rig.exists() else None), plan, settings)
    if plan is not None and job.original.exists() and (rig is not None or job.rig.exists() or plan.rig):
        facts = print_facts(job.original)
        machine = rig_of(rig) if rig is not None else rig_of(folder)
        options = replace(options, print_facts=facts, projected=projected_print(machine, plan, facts))
    if plan is not None:
        found = options.print_facts
        events = (*layer_reports(job.folder), *(() if found is None else events_of_file(found)))
        options = replace(options, events=tuple(sorted(events, key=lambda event: event.layer)))
    sources = job_sequences(job)
    if plan is not None:
        sources = _without_looks(sources, plan)
    order = list(options.cameras)
    ranked = sorted(sources, key=lambda name: order.index(name) if name in order else len(order))
    return FilmInputs(sources={name: sources[name] for name in ranked}, plan=plan, options=options)


def _without_looks(sources: Mapping[str, FrameSequence], plan: Plan) -> dict[str, FrameSequence]:
    """Return the sequences without the frames that only show a layer or its corners: they are no film."""
    from twinlapse.frames.recovery import stop_repeats

    stops = _look_stops(plan)
    looks = {
        (camera, shot, repeat)
        for (camera, shot, stop), repeat in stop_repeats(plan).items()
        if (shot, stop) in stops
    }
    kept = {
        camera: replace(
            sequence,
            files=tuple(file for file in sequence.files if (camera, file.shot, file.repeat) not in looks),
        )
        for camera, sequence in sources.items()
    }
    return {camera: sequence for camera, sequence in kept.items() if len(sequence)}


def _look_stops(plan: Plan) -> set[tuple[int, int]]:
    return {
        (shot.number, number)
        for shot in plan.shots
        for number, stop in enumerate(shot.stops, 1)
        if stop.stance in (SURVEY, BARE_BED, CORNER)
    }


def inputs_of_folders(
    folders: Mapping[str, Path], settings: Mapping[str, Any], rig: Path | None = None
) -> FilmInputs:
    """Return what a film is made from when each camera's frames are in a folder of their own, or a film."""
    from twinlapse.imaging.video_frames import is_clip, unpacked

    sources = {
        name: read_sequence(unpacked(place) if is_clip(place) else place, name)
        for name, place in folders.items()
    }
    return FilmInputs(sources=sources, plan=None, options=film_options(rig, None, settings))


def layer_reports(folder: Path) -> tuple[Event, ...]:
    """Return what the reports of surveyed layers, ``firstlayer-N.json``, found; open ones say nothing."""
    events = []
    for path in sorted(folder.glob("firstlayer-*.json")):
        try:
            told = read_json(path, "report")
            layer, words = int(told["layer"]), _found_words(told)
        except (TwinlapseError, KeyError, TypeError, ValueError, IndexError):
            continue  # of another version, or damaged: a film does not fail for a caption
        if words:
            events.append(Event(layer=layer - 1, words=f"Layer {layer}: {words}"))
    return tuple(events)


def _found_words(told: Mapping[str, Any]) -> str:
    """Return in a few words what a report says, worst first; empty where it cannot tell."""
    sound, defects = told["overall"]["sound"], told.get("defects") or []
    if sound is None:
        return ""
    if sound:
        return "no defects found"
    risen = [corner for corner in told.get("corners") or [] if corner["lifted"]]
    words = ["a corner has risen" if len(risen) == 1 else f"{len(risen)} corners have risen"] if risen else []
    if defects:
        first = next((d for d in defects if d["kind"] == "missing object"), defects[0])
        x, y = first["at_mm"]
        named = "object missing" if first["kind"] == "missing object" else first["kind"]
        more = f" and {len(defects) - 1} more" if len(defects) > 1 else ""
        words.append(f"{named} at X{x:.0f} Y{y:.0f}{more}")
    laid = (told.get("laying") or {}).get("laid")
    return ", ".join(words) or ("ridges" if laid == "ridges" else "too little material")


def print_facts(gcode: Path) -> PrintFacts:
    """Return what the film has to know of a sliced file."""
    from twinlapse.gcode import Kind, find_layers, read_toolpath

    path = read_toolpath(gcode)
    layers = find_layers(path)
    first = layers.first_row[min(1, len(layers) - 1)]  # a skirt lies in the first layer
    rows = np.arange(first, layers.first_row[-1])
    rows = rows[path.kind[rows] == Kind.EXTRUDE]
    ends = np.stack([path.x_mm[rows], path.y_mm[rows], path.z_mm[rows]], axis=1)
    low, high = (ends.min(axis=0), ends.max(axis=0)) if len(rows) else (np.zeros(3), np.zeros(3))
    return PrintFacts(
        low_mm=(float(low[0]), float(low[1]), float(low[2])),
        high_mm=(float(high[0]), float(high[1]), float(high[2])),
        filament_mm=float(layers.extruded_mm.sum()),
        filament_changes=_filament_changes(path, layers),
    )


def _filament_changes(path: Toolpath, layers: Layers) -> tuple[tuple[int, str], ...]:
    """Return the layers in which the file changes its filament: by a tool change, or by hand (M600)."""
    from twinlapse.gcode import Kind, Setting

    inside = slice(int(layers.first_row[0]), int(layers.first_row[-1]))
    tools = path.tool[inside].astype(int)
    changed = np.flatnonzero(np.diff(tools)) + 1
    found = [(inside.start + int(row), f"filament {tools[row] + 1}") for row in changed]
    by_hand = (path.setting_kind == Setting.PAUSE) & (path.setting_value == 600)
    found += [(int(row), "") for row in path.setting_row[by_hand] if inside.start <= row < inside.stop]
    seen: dict[int, str] = {}
    laid = np.flatnonzero(path.kind == Kind.EXTRUDE)
    for row, what in sorted(found):
        # a change between two layers belongs to the one that is laid after it
        following = laid[min(int(np.searchsorted(laid, row)), len(laid) - 1)]
        layer = int(np.searchsorted(layers.first_row, following, side="right")) - 1
        seen.setdefault(min(layer, len(layers) - 1), what)
    return tuple(seen.items())
