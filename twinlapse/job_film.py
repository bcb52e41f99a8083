"""What a film is made from: frames, plan and settings of a job folder or of named folders."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from twinlapse.film import FilmOptions
from twinlapse.film.overrides import film_options
from twinlapse.frames.job import open_job
from twinlapse.frames.recovery import stop_repeats
from twinlapse.frames.sequence import FrameSequence, job_sequences, read_sequence
from twinlapse.gcode import find_layers, read_toolpath
from twinlapse.shots import BARE_BED, CORNER, SURVEY, Plan, read_plan

__all__ = ["FilmInputs", "inputs_of_folders", "inputs_of_job"]


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
    if options.filming.end_s and job.original.exists():
        options = replace(options, filament_mm=_filament_mm(job.original))
    sources = job_sequences(job)
    if plan is not None:
        sources = _without_looks(sources, plan)
    order = list(options.cameras)
    ranked = sorted(sources, key=lambda name: order.index(name) if name in order else len(order))
    return FilmInputs(sources={name: sources[name] for name in ranked}, plan=plan, options=options)


def _without_looks(sources: Mapping[str, FrameSequence], plan: Plan) -> dict[str, FrameSequence]:
    """Return the sequences without the frames that only show a layer or its corners: they are no film."""
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


def _filament_mm(gcode: Path) -> float:
    return float(find_layers(read_toolpath(gcode)).extruded_mm.sum())
