"""Frames of one or two cameras to a film: measured once, then read, laid, lit, composed and encoded."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from pathlib import Path

import cv2

from twinlapse.errors import FrameError, RenderError
from twinlapse.film.colour import to_i420
from twinlapse.film.encoder import encoding, h264
from twinlapse.film.options import FilmOptions
from twinlapse.film.report import FilmReport, dropped_files, gain_rows, shift_rows
from twinlapse.film.scene import set_scene
from twinlapse.film.schedule import schedule
from twinlapse.film.tracking import CERTAIN, Track, in_order, track_camera
from twinlapse.frames.pairing import pair
from twinlapse.frames.sequence import FrameSequence
from twinlapse.shots import Plan

Progress = Callable[[float], None]


def render_film(
    sources: Mapping[str, FrameSequence],
    plan: Plan | None,
    options: FilmOptions,
    out: Path,
    *,
    progress: Progress | None = None,
) -> FilmReport:
    """Make the film of a print.

    Parameters
    ----------
    sources : mapping of camera name to FrameSequence
        One camera or more, in the order of importance; two are seen at most.
    plan : Plan, optional
        Gives the shots, their layers, heights and times.
    options : FilmOptions
    out : Path
        An MP4 file, whole or not there at all.
    progress : callable, optional
        Takes the share done.

    Raises
    ------
    FrameError
        when no frame of a camera can be read.
    RenderError
        when the encoder fails or a font lacks a letter.
    """
    if out.suffix.lower() not in (".mp4", ".m4v"):
        raise RenderError(
            f"{out.suffix or 'no suffix'} is no film that can be written", "name it .mp4", path=out
        )
    if not sources:
        raise FrameError("there are no frames", "name a folder with pictures")
    before = cv2.getNumThreads()
    cv2.setNumThreads(1)  # two frames at once keep the cores busier than two threads on one frame
    try:
        return _render(sources, plan, options, out, progress or (lambda share: None))
    finally:
        cv2.setNumThreads(before)


def _render(
    sources: Mapping[str, FrameSequence],
    plan: Plan | None,
    options: FilmOptions,
    out: Path,
    progress: Progress,
) -> FilmReport:
    slots = pair(sources, plan)
    tracks = _measure(sources, options, lambda share: progress(share * 0.4))
    scene, held = set_scene(slots, plan, tracks, options)
    filming = options.filming
    beats = schedule(len(slots), filming)
    size = scene.size
    with encoding(out, size, filming.fps, h264()) as pipe:
        frames = in_order(lambda beat: to_i420(scene.frame(beat)), beats)
        for done, planes in enumerate(frames, 1):
            pipe.write(planes)
            progress(0.4 + 0.6 * done / len(beats))
    return FilmReport(
        film=out,
        frames=len(beats),
        width=size[0],
        height=size[1],
        fps=float(filming.fps),
        seconds=float(len(beats) / filming.fps),
        held=held,
        dropped=dropped_files(tracks),
        unsure=_unsure(tracks, options),
        shifts={camera: shift_rows(track) for camera, track in tracks.items()},
        gain={camera: gain_rows(track) for camera, track in tracks.items()},
    )


def _measure(
    sources: Mapping[str, FrameSequence], options: FilmOptions, progress: Progress
) -> dict[str, Track]:
    total = sum(len(sequence) for sequence in sources.values())
    tracks: dict[str, Track] = {}
    done = 0
    for camera, sequence in sources.items():
        share, start = len(sequence) / total, done / total

        def step(part: float, share: float = share, start: float = start) -> None:
            progress(start + part * share)

        tracks[camera] = track_camera(camera, sequence.files, options.camera(camera).filming, step)
        done += len(sequence)
    return tracks


def _unsure(tracks: Mapping[str, Track], options: FilmOptions) -> tuple[str, ...]:
    return tuple(
        str(file.path)
        for camera, track in tracks.items()
        if options.camera(camera).filming.hold != "off"
        for file, motion, fault in zip(track.files, track.motions, track.faults, strict=True)
        if not fault and motion.confidence < CERTAIN
    )
