"""Frames of one or two cameras to a film: measured once, then read, laid, lit, composed and encoded."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path

import cv2

from twinlapse.errors import FrameError, RenderError
from twinlapse.film.colour import to_i420
from twinlapse.film.compose import Composer, composer
from twinlapse.film.encoder import encoding, h264
from twinlapse.film.facts import Facts, facts_of
from twinlapse.film.layout import arrange
from twinlapse.film.lettering import Lettering
from twinlapse.film.options import FilmOptions
from twinlapse.film.overlay import Overlay
from twinlapse.film.plate import Plate
from twinlapse.film.report import FilmReport, dropped_files, gain_rows, shift_rows
from twinlapse.film.schedule import Beat, schedule
from twinlapse.film.tracking import CERTAIN, Track, in_order, track_camera
from twinlapse.film.view import View, make_view, mixed, upright_size
from twinlapse.frames.pairing import Slot, pair
from twinlapse.frames.sequence import FrameSequence
from twinlapse.imaging.decode import Picture, read_picture
from twinlapse.shots import Plan

Progress = Callable[[float], None]


@dataclass(frozen=True, slots=True, kw_only=True)
class Scene:
    """All that is known when the first film frame is drawn."""

    tracks: Mapping[str, Track]
    shown: Mapping[str, tuple[int, ...]]  # camera -> for each moment the place of the frame in its track
    facts: tuple[Facts, ...]
    views: Mapping[str, View]
    composer: Composer
    overlay: Overlay
    still: tuple[Plate, ...]

    def frame(self, beat: Beat) -> Picture:
        """Return the film frame of a beat."""
        pictures = {}
        for camera in self.views:
            picture = self._pane(camera, beat.slot)
            if beat.mix and self.shown[camera][beat.slot] != self.shown[camera][beat.into]:
                picture = mixed(picture, self._pane(camera, beat.into), beat.mix)
            pictures[camera] = picture
        near = beat.into if beat.mix > 0.5 else beat.slot
        return self.composer.compose(pictures, (*self.still, *self.overlay.moving(self.facts[near])))

    def _pane(self, camera: str, slot: int) -> Picture:
        track, place = self.tracks[camera], self.shown[camera][slot]
        picture = read_picture(track.files[place].path)
        return self.views[camera].show(picture, track.motions[place], track.gain[place])


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
    scene, held = _prepare(slots, plan, tracks, options)
    filming = options.filming
    beats = schedule(len(slots), filming)
    size = scene.composer.layout.size
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


def _prepare(
    slots: tuple[Slot, ...], plan: Plan | None, tracks: dict[str, Track], options: FilmOptions
) -> tuple[Scene, int]:
    filming = options.filming
    shown, held = {}, 0
    for camera, track in tracks.items():
        shown[camera], missing = cover_gaps(slots, camera, track)
        held += missing
    aspects = {}
    for camera, track in tracks.items():
        width, height = upright_size(track, options.camera(camera))
        aspects[camera] = width / height
    layout = arrange(filming, aspects, words=bool(filming.overlay))
    views = {
        pane.camera: make_view(tracks[pane.camera], options.camera(pane.camera), pane, fine=filming.fine)
        for pane in layout.panes
    }
    labels = {camera: options.camera(camera).filming.label or camera for camera in tracks}
    overlay = Overlay(layout=layout, filming=filming, lettering=Lettering(filming.font), labels=labels)
    scene = Scene(
        tracks=tracks,
        shown=shown,
        facts=facts_of(slots, plan),
        views=views,
        composer=composer(layout, filming.background),
        overlay=overlay,
        still=tuple(overlay.still()),
    )
    return scene, held


def cover_gaps(slots: tuple[Slot, ...], camera: str, track: Track) -> tuple[tuple[int, ...], int]:
    """Return for each moment which frame of the track is seen, and how many that were due are covered.

    The last good frame stands in for what is missing; before the first good one, that one does.
    """
    usable = track.usable()
    places = {file.path: place for place, file in enumerate(track.files)}
    wanted = [
        places[slot.frames[camera].path]
        if camera in slot.frames and slot.frames[camera].path in usable
        else None
        for slot in slots
    ]
    first = next((place for place in wanted if place is not None), None)
    if first is None:
        raise FrameError(
            f"no frame of {camera} can be used", "check its folder", path=track.files[0].path.parent
        )
    shown, last = [], first
    for place in wanted:
        last = last if place is None else place
        shown.append(last)
    held = sum(place is None and camera in slot.due for place, slot in zip(wanted, slots, strict=True))
    return tuple(shown), held


def _unsure(tracks: Mapping[str, Track], options: FilmOptions) -> tuple[str, ...]:
    return tuple(
        str(file.path)
        for camera, track in tracks.items()
        if options.camera(camera).filming.hold != "off"
        for file, motion, fault in zip(track.files, track.motions, track.faults, strict=True)
        if not fault and motion.confidence < CERTAIN
    )
