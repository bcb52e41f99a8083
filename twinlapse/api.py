"""The library's front door: one function for each step of the work, the same that the commands call.

Paths may be `str` or `os.PathLike`. A rig may be given as a path or as what `load_rig` returned. `progress`
is called with the share that is done, 0 to 1. Errors are subclasses of `twinlapse.errors.TwinlapseError` and
also the standard exceptions: `FileNotFoundError` where a file is missing, `ValueError` where one is wrong.

>>> import twinlapse
>>> sample = twinlapse.sample_job()
>>> rig = twinlapse.load_rig(sample / "rig.toml")
>>> plan = twinlapse.plan(sample / "pot.gcode", rig)
>>> len(plan.shots), plan.layer_count
(76, 140)
"""

from __future__ import annotations

import shutil
from collections.abc import Mapping, Sequence
from dataclasses import replace
from os import PathLike
from pathlib import Path
from typing import TYPE_CHECKING, Any

from twinlapse.errors import FileProblemError, InjectError
from twinlapse.progress import part_of

if TYPE_CHECKING:
    from twinlapse.arrays import Progress
    from twinlapse.film import FilmReport
    from twinlapse.firstlayer.reading import LayerMap
    from twinlapse.frames.job import Job
    from twinlapse.gcode import Layers, Toolpath
    from twinlapse.inject import InjectReport, Proof, RemoveReport
    from twinlapse.motion import Timeline
    from twinlapse.motion.sliced_print import SlicedPrint
    from twinlapse.rehearsal.execution import Rehearsal
    from twinlapse.rig import Printer, Rig
    from twinlapse.shots import Plan

__all__ = [
    "StrPath",
    "copy_sample",
    "first_layer",
    "inject",
    "layers",
    "load_plan",
    "load_rig",
    "make_job",
    "plan",
    "prove",
    "read",
    "read_sliced",
    "rehearse",
    "remove",
    "render",
    "sample_job",
    "time",
]

StrPath = str | PathLike[str]


def load_rig(path: StrPath) -> Rig:
    """Read a rig file.

    Returns
    -------
    Rig
        The printer and its cameras.

    Raises
    ------
    MissingFileError
        which is a FileNotFoundError.
    RigError
        which is a ValueError, with file, line and key.

    Examples
    --------
    >>> import twinlapse
    >>> rig = twinlapse.load_rig(twinlapse.sample_job() / "rig.toml")
    >>> rig.printer.bed_mm
    (220.0, 220.0)
    >>> [camera.name for camera in rig.cameras]
    ['wide', 'nozzle']
    """
    from twinlapse.rig import read_rig

    return read_rig(Path(path))


def load_plan(path: StrPath) -> Plan:
    """Read a plan that `twinlapse plan -o` or `twinlapse.shots.write_plan` wrote.

    Raises
    ------
    PlanError
        when it is no plan.
    """
    from twinlapse.shots import read_plan

    return read_plan(Path(path))


def read(gcode: StrPath, *, firmware: str | None = None, progress: Progress | None = None) -> Toolpath:
    """Read a sliced file.

    Parameters
    ----------
    gcode : path-like
    firmware : str, optional
        "marlin", "klipper" or "reprapfirmware"; detected from the file if omitted.
    progress : callable, optional

    Returns
    -------
    Toolpath
        Every move as a row of columns of equal length, in millimetres; see `twinlapse.gcode.Toolpath`.

    Raises
    ------
    GcodeError
        which is a ValueError, when the file is not a filament print.

    Examples
    --------
    >>> import twinlapse
    >>> toolpath = twinlapse.read(twinlapse.sample_job() / "pot.gcode")
    >>> toolpath.firmware, len(toolpath) == len(toolpath.x_mm)
    ('marlin', True)
    """
    from twinlapse.gcode import read_toolpath

    return read_toolpath(Path(gcode), firmware=firmware, progress=progress)


def layers(toolpath: Toolpath) -> Layers:
    """Find the layers of a print.

    Returns
    -------
    Layers
        Offsets into the rows of `toolpath`, heights in millimetres; see `twinlapse.gcode.Layers`.

    Examples
    --------
    >>> import twinlapse
    >>> found = twinlapse.layers(twinlapse.read(twinlapse.sample_job() / "pot.gcode"))
    >>> len(found), round(float(found.z_mm[0]), 2)
    (140, 0.3)
    """
    from twinlapse.gcode import find_layers

    return find_layers(toolpath)


def time(toolpath: Toolpath, rig: StrPath | Rig | Printer) -> Timeline:
    """Return when each move of a print ends, in seconds since the first; heating is not counted."""
    from twinlapse.motion import time_toolpath
    from twinlapse.rig import Printer

    return time_toolpath(toolpath, rig if isinstance(rig, Printer) else _rig(rig).printer)


def read_sliced(gcode: StrPath, rig: StrPath | Rig, *, progress: Progress | None = None) -> SlicedPrint:
    """Read a sliced file, find its layers and time its moves: `read`, `layers` and `time` in one.

    What it returns can be given to `plan` in place of the file, so that planning again does not read again.
    """
    from twinlapse.motion.sliced_print import read_sliced as read_it

    printer = _rig(rig).printer
    return read_it(Path(gcode), printer, firmware=printer.firmware, progress=progress)


def plan(gcode: StrPath | SlicedPrint, rig: StrPath | Rig, *, progress: Progress | None = None) -> Plan:
    """Choose the shots of a print: when each camera shoots and where the machine stands.

    Parameters
    ----------
    gcode : path-like or SlicedPrint
        The sliced file, or what `read_sliced` returned for it.
    rig : path-like or Rig
    progress : callable, optional

    Returns
    -------
    Plan
        With the shots in the order of the file, and the time that they add in ``cost_s``.

    Raises
    ------
    PlanError
        which is a ValueError, when not one shot can be taken.

    Examples
    --------
    >>> import twinlapse
    >>> sample = twinlapse.sample_job()
    >>> plan = twinlapse.plan(sample / "pot.gcode", sample / "rig.toml")
    >>> plan.shots[0].stops[0].cameras
    ('nozzle',)
    """
    from twinlapse.plan import make_plan

    machine = _rig(rig)
    sliced = gcode if not isinstance(gcode, str | PathLike) else read_sliced(gcode, machine)
    return make_plan(sliced.toolpath, sliced.layers, sliced.timeline, machine, progress=progress)


def inject(
    gcode: StrPath,
    plan: StrPath | Plan,
    output: StrPath,
    *,
    toolpath: Toolpath | None = None,
    progress: Progress | None = None,
) -> InjectReport:
    """Write a sliced file with the shots of a plan in it, and keep it only if the proof holds.

    Parameters
    ----------
    gcode : path-like
        The sliced file; it is not changed.
    plan : path-like or Plan
        Made from this file.
    output : path-like
        The file to write; replaced whole or not at all.
    toolpath : Toolpath, optional
        Of `gcode`, when it has been read already.
    progress : callable, optional

    Returns
    -------
    InjectReport
        What was written, with its proof.

    Raises
    ------
    InjectError
        which is a ValueError, when the plan does not fit the file.
    ProofError
        when the written file would not print what the original prints; nothing is kept.
    """
    from twinlapse.inject import inject_file

    made = load_plan(plan) if isinstance(plan, str | PathLike) else plan
    return inject_file(Path(gcode), made, Path(output), toolpath=toolpath, progress=progress)


def remove(written: StrPath, output: StrPath, *, progress: Progress | None = None) -> RemoveReport:
    """Take the shots out of a written file.

    Returns
    -------
    RemoveReport
        ``exact`` says whether `output` is the original, byte for byte.
    """
    from twinlapse.inject import remove_shots

    return remove_shots(Path(written), Path(output), progress=progress)


def prove(
    original: StrPath,
    written: StrPath | None = None,
    rig: StrPath | Rig | None = None,
    *,
    progress: Progress | None = None,
) -> Proof:
    """Check that a written file prints what the original prints, and that every stop in it is safe.

    Parameters
    ----------
    original, written : path-like
        With one file, that is the written one: the original is restored from it, and its hash checked.
    rig : path-like or Rig, optional
        The machine; without it, the limits in the written file's header hold, or the rig that it carries.
    progress : callable, optional

    Returns
    -------
    Proof
        ``holds``, and one check for each promise.
    """
    from twinlapse.inject import prove as prove_files
    from twinlapse.written_job import is_written, prove_alone

    machine = None if rig is None else _rig(rig)
    if written is None:
        if not is_written(Path(original)):
            hint = "name the file that inject wrote, or the original and that one"
            raise InjectError("there are no shots in this file", hint, path=original)
        return prove_alone(Path(original), machine, progress=progress)
    if not is_written(Path(written)):
        swapped = is_written(Path(original))
        hint = (
            "swap the two files: the original comes first" if swapped else "name the file that inject wrote"
        )
        raise InjectError("there are no shots in this file", hint, path=written)
    return prove_files(Path(original), Path(written), machine, progress=progress)


def make_job(
    gcode: StrPath, rig: StrPath, folder: StrPath, *, progress: Progress | None = None
) -> tuple[Job, Plan]:
    """Make a job folder: ``original.gcode``, ``rig.toml``, ``plan.json`` and ``filmed.gcode``.

    Parameters
    ----------
    gcode, rig : path-like
        A sliced file and a rig file; both are copied.
    folder : path-like
        Made if it does not exist.
    progress : callable, optional

    Returns
    -------
    tuple of Job and Plan

    Raises
    ------
    ProofError
        when the written file would not print what the original prints; no job folder is left.
    """
    from twinlapse.job_folder import make_job as make

    job, made, _ = make(Path(gcode), Path(rig), Path(folder), progress=progress)
    return job, made


def rehearse(
    gcode: StrPath,
    rig: StrPath | Rig,
    folder: StrPath,
    *,
    plan: StrPath | None = None,
    seed: int = 1,
    perfect: bool = False,
    nuisances: Sequence[str] = (),
    progress: Progress | None = None,
) -> Rehearsal:
    """Print a file in a simulation, and take the pictures of all cameras of the rig.

    Parameters
    ----------
    gcode : path-like
        A sliced file, whose shots are then planned and written first, or a written file.
    rig : path-like or Rig
    folder : path-like
        The job folder to fill.
    plan : path-like, optional
        The plan by which `gcode` was written; without it the one in the folder, or a new one.
    seed : int
        Equal seeds give equal pictures.
    perfect : bool
        No errors of machine or cameras, no frame missing.
    nuisances : sequence of str
        What real cameras and machines show; see `twinlapse.rehearsal.nuisances.nuisances_of`.
    progress : callable, optional
    """
    from twinlapse.frames.job import Job
    from twinlapse.job_folder import keep_rig, prepare
    from twinlapse.rehearsal import PERFECT, Faults
    from twinlapse.rehearsal import rehearse as print_in_simulation
    from twinlapse.rehearsal.nuisances import nuisances_of

    faults, how = PERFECT if perfect else Faults(), nuisances_of(nuisances)
    if how.parking_mm is not None:
        faults = replace(faults, parking_mm=how.parking_mm)
    if how.missing_frames is not None:
        faults = replace(faults, missing=how.missing_frames)
    machine, job = _rig(rig), Job(Path(folder))
    prepare(
        Path(gcode), machine, job, None if plan is None else Path(plan), progress=part_of(progress, 0, 0.2)
    )
    if isinstance(rig, str | PathLike):
        keep_rig(Path(rig), job)
    return print_in_simulation(
        job.filmed,
        machine,
        job,
        seed=seed,
        faults=faults,
        nuisances=how,
        progress=part_of(progress, 0.2, 1),
    )


def render(
    source: StrPath | Mapping[str, StrPath],
    output: StrPath,
    *,
    rig: StrPath | None = None,
    progress: Progress | None = None,
    options: Mapping[str, Any] | None = None,
    **film: Any,
) -> FilmReport:
    """Make the film of a job folder, or of folders of pictures.

    Parameters
    ----------
    source : path-like, or mapping of camera name to path-like
        A job folder; or for each camera a folder of pictures or a film.
    output : path-like
        The film: .mp4, .m4v, .webm, .gif or .webp.
    rig : path-like, optional
        A rig file whose ``[film]`` settings take the place of the job's.
    progress : callable, optional
    options : mapping, optional
        Fields of `twinlapse.film.FilmOptions` that are not settings of the film: ``preview``, ``poster``,
        ``workers`` and others.
    **film
        Keys of the ``[film]`` table: ``layout="inset"``, ``length_s=20``, ``title="Seedling pot"``.

    Returns
    -------
    FilmReport
        Size, length and what was done to the frames.

    Raises
    ------
    JobError
        which is a ValueError, when `source` is no job folder; FileNotFoundError when there is none.
    RenderError
        when a setting is not one that the ``[film]`` table takes.
    """
    from twinlapse.film import render_film
    from twinlapse.job_film import inputs_of_folders, inputs_of_job

    rig_path = None if rig is None else Path(rig)
    if isinstance(source, Mapping):
        folders = {name: Path(place) for name, place in source.items()}
        found = inputs_of_folders(folders, film, rig_path)
    else:
        found = inputs_of_job(Path(source), film, rig_path)
    wanted = replace(found.options, **(options or {}))
    return render_film(found.sources, found.plan, wanted, Path(output), progress=progress)


def first_layer(
    job: StrPath, *, layer: int | None = None, smallest_mm: float = 0.4, progress: Progress | None = None
) -> LayerMap:
    """Map a surveyed layer of a job, and compare it with the sliced file.

    Parameters
    ----------
    job : path-like
        A job folder whose plan has a survey (``survey_layers = [1]`` in the rig).
    layer : int, optional
        Which surveyed layer, from 1; without it the first that was surveyed.
    smallest_mm : float
        Shortest gap that is reported.
    progress : callable, optional

    Returns
    -------
    LayerMap
        The map, and the verdict in ``judgement``: ``sound`` is True, False or None for "cannot tell".

    Raises
    ------
    JobError
        which is a ValueError, when the job has no survey.
    """
    from twinlapse.firstlayer.reading import map_layer
    from twinlapse.frames.job import open_job

    found, _ = map_layer(
        open_job(Path(job)), None if layer is None else layer - 1, smallest_mm=smallest_mm, progress=progress
    )
    return found


def sample_job() -> Path:
    """Return the folder of the sample print, a seedling pot: ``pot.gcode`` and ``rig.toml``."""
    package = Path(__file__).parent
    inside = package / "sample_jobs" / "seedling_pot"  # in a wheel
    return inside if inside.is_dir() else package.parent / "sample_jobs" / "seedling_pot"


def copy_sample(folder: StrPath) -> list[Path]:
    """Copy the sample print into a folder, which is made if it does not exist; nothing is overwritten.

    Returns
    -------
    list of Path
        The files that were written.

    Raises
    ------
    FileProblemError
        which is an OSError, when a file of that name is there already.
    """
    from twinlapse.files import make_folder, replacing

    target = make_folder(Path(folder))
    names = ("pot.gcode", "rig.toml")
    for name in names:
        if (target / name).exists():
            raise FileProblemError("the file is there already", "name another folder", path=target / name)
    for name in names:
        with (sample_job() / name).open("rb") as source, replacing(target / name) as written:
            shutil.copyfileobj(source, written)
    return [target / name for name in names]


def _rig(rig: StrPath | Rig) -> Rig:
    return load_rig(rig) if isinstance(rig, str | PathLike) else rig
