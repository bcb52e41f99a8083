"""Frames of one or two cameras to a film: measured once, then read, laid, lit, composed and encoded."""

from __future__ import annotations

import contextlib
from collections.abc import Iterator, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import asdict, replace
from fractions import Fraction
from pathlib import Path
from typing import Any

import cv2
from imageio_ffmpeg import get_ffmpeg_exe

from twinlapse.arrays import Progress
from twinlapse.errors import FrameError
from twinlapse.files import sweep, write_json
from twinlapse.film.chapters import chapters_of
from twinlapse.film.chunks import Farm, render_in_chunks, resolved, write_frames
from twinlapse.film.codecs import SMALL_BYTES, Codec, codec_for, fitting
from twinlapse.film.encoder import Extras, encoding, note_text
from twinlapse.film.events import close_up_moments, moments_of, shown_moments
from twinlapse.film.farm import open_farm
from twinlapse.film.frame_times import Beat, schedule, with_captions, with_close_ups
from twinlapse.film.lettering import Lettering
from twinlapse.film.memory_need import fitting_options
from twinlapse.film.options import PREVIEW_PX, FilmOptions
from twinlapse.film.report import (
    FilmReport,
    dropped_files,
    gain_rows,
    hidden_files,
    missing_shots,
    shift_rows,
    unsure_files,
)
from twinlapse.film.scene import FilmScene, set_scene
from twinlapse.film.sound import Sound, checked_sound
from twinlapse.film.stills import contact_sheet, poster, write_aligned, write_picture
from twinlapse.frames.grouping import Slot, pair, said_of
from twinlapse.frames.sequence import FrameFile, FrameSequence
from twinlapse.shots import Plan
from twinlapse.tracking.measure import WORKERS
from twinlapse.tracking.stabilise import Track, track_camera

__all__ = [
    "PREVIEW_STEP",
    "check_words",
    "film_report",
    "measured",
    "one_thread_a_picture",
    "render_film",
]

PREVIEW_STEP = 3


def render_film(
    sources: Mapping[str, FrameSequence],
    plan: Plan | None,
    options: FilmOptions,
    out: Path,
    *,
    farm: Farm | None = None,
    progress: Progress | None = None,
) -> FilmReport:
    """Make the film of a print.

    Parameters
    ----------
    sources : mapping of camera name to FrameSequence
        One camera or more, in the order of importance; two are seen at most in most layouts.
    plan : Plan, optional
        Gives the shots, their layers, heights and times.
    options : FilmOptions
    out : Path
        .mp4, .m4v, .webm, .gif or .webp; whole or not there at all.
    farm : Farm, optional
        Makes the chunks of the film  [default: opened for it, as the options say].
    progress : callable, optional
        Takes the share done.

    Raises
    ------
    FrameError
        when no frame of a camera can be read.
    RenderError
        when the suffix is none of ours, the encoder fails, or a font lacks a letter.
    """
    codec = codec_for(out, options.filming)
    check_words(options, list(sources))
    sound = Path(options.filming.sound) if options.filming.sound else None
    if sound is not None:
        checked_sound(sound, codec)
    options = replace(options, filming=fitting(options.filming, out))
    tell = progress or (lambda share: None)
    for written in (out, out.with_name(out.name + ".json")):
        sweep(written)
    options = fitting_options(options, sources, out)
    if options.cluster:
        sources = resolved(sources)
    with contextlib.ExitStack() as held_open:
        held_open.enter_context(one_thread_a_picture())
        # it is tried in a process of its own, which runs beside the measuring
        held_open.enter_context(ThreadPoolExecutor(1)).submit(get_ffmpeg_exe)
        # opened first: an address at which nobody answers is said before everything is measured
        farm = farm or held_open.enter_context(open_farm(options.workers, options.cluster))
        slots, tracks, options = measured(sources, plan, options, lambda share: tell(share * 0.4))
        scene, held = set_scene(slots, plan, tracks, options)
        beats, captions = _beats(slots, plan, scene, options)
        write = _encode_small if codec.container in ("gif", "webp") else _encode
        scene, beats = write(scene, beats, codec, out, options, farm, lambda share: tell(0.4 + 0.55 * share))
        _write_pictures(scene, tracks, options)
    paired = said_of(sources, plan) if len(sources) > 1 else ""
    report = film_report(out, scene, tracks, options, len(beats), held, missing_shots(slots, tracks), paired)
    report = replace(report, captions=tuple(captions))
    if options.sidecar:
        write_json(out.with_name(out.name + ".json"), report.to_json())
    tell(1.0)
    return report


def check_words(options: FilmOptions, cameras: Sequence[str]) -> None:
    """Set all words that a film may show once: a letter that no font has is said before anything is measured.

    Raises
    ------
    RenderError
        naming the letter.
    """
    lettering = Lettering(options.filming.font)
    labels = [options.camera(camera).filming.label or camera for camera in cameras]
    texts = [options.filming.title, *(event.words for event in options.events)]
    if "names" in options.filming.overlay:
        texts += [label.upper() for label in labels]
    for text in ["LAYER 0:1/2 mm ·", *texts]:
        lettering.mask(text, 24)


def _beats(
    slots: Sequence[Slot], plan: Plan | None, scene: FilmScene, options: FilmOptions
) -> tuple[Sequence[Beat], list[dict[str, Any]]]:
    """Return the frames of the film, and what its captions say and when."""
    filming = options.filming
    beats: Sequence[Beat] = schedule(len(slots), filming)
    moments = shown_moments(moments_of(options.events, slots, plan), [beat.slot for beat in beats])
    if scene.close_up is not None:
        beats = with_close_ups(beats, close_up_moments(scene.facts, moments), filming)
    if not filming.captions or not moments:
        return beats, []
    beats = with_captions(beats, moments, filming)
    said = []
    for number, event in enumerate(options.events):
        start = next((place for place, beat in enumerate(beats) if beat.caption == number), None)
        if start is not None:
            said.append(
                {"layer": event.layer + 1, "words": event.words, "start_s": float(start / filming.fps)}
            )
    return beats, said


@contextlib.contextmanager
def one_thread_a_picture() -> Iterator[None]:
    """Two pictures at once keep two cores busier than two threads on one picture."""
    before = cv2.getNumThreads()
    cv2.setNumThreads(1)
    try:
        yield
    finally:
        cv2.setNumThreads(before)


def measured(
    sources: Mapping[str, FrameSequence], plan: Plan | None, options: FilmOptions, progress: Progress
) -> tuple[tuple[Slot, ...], dict[str, Track], FilmOptions]:
    """Return the moments, what was measured of every camera, and the options as they came out.

    Raises
    ------
    FrameError
        when there are no frames, or none of a camera can be read.
    """
    if not sources:
        raise FrameError("there are no frames", "name a folder with pictures")
    slots = pair(sources, plan)
    files = {camera: sequence.files for camera, sequence in sources.items()}
    if options.preview:
        slots, options = _preview(slots, options)
        seen = {file.path for slot in slots for file in slot.frames.values()}
        files = {
            camera: tuple(file for file in some if file.path in seen) or some[:1]
            for camera, some in files.items()
        }
    tracks = _tracked(files, options, progress)
    return slots, tracks, options


def _tracked(
    files: Mapping[str, Sequence[FrameFile]], options: FilmOptions, progress: Progress
) -> dict[str, Track]:
    """Measure the cameras side by side: what of one has to wait for its last frame leaves no core idle."""
    total = sum(map(len, files.values()))
    parts = dict.fromkeys(files, 0.0)
    cache = options.cache and not options.preview

    def track(camera: str) -> Track:
        def step(part: float) -> None:
            parts[camera] = part * len(files[camera]) / total
            progress(sum(parts.values()))

        filming = options.camera(camera).filming
        found = track_camera(camera, files[camera], filming, step, cache=cache, pool=pool)
        keep, drop = (
            chosen.get(camera, frozenset()) | chosen.get("", frozenset())
            for chosen in (options.keep, options.drop)
        )
        return found.chosen(keep, drop) if keep or drop else found

    # the cameras' own threads wait most of the time; what reads and measures pictures are those of the pool
    with ThreadPoolExecutor(WORKERS) as pool, ThreadPoolExecutor(len(files)) as cameras:
        return dict(zip(files, cameras.map(track, files), strict=True))


def _preview(slots: tuple[Slot, ...], options: FilmOptions) -> tuple[tuple[Slot, ...], FilmOptions]:
    filming = options.filming
    small = replace(
        filming,
        height_px=min(filming.height_px, PREVIEW_PX),
        fps=max(Fraction(1), filming.fps / PREVIEW_STEP),
        quality=min(48, filming.quality + 6),
        fine=False,
        careful=False,
    )
    return slots[::PREVIEW_STEP], replace(options, filming=small)


def _encode(
    scene: FilmScene,
    beats: Sequence[Beat],
    codec: Codec,
    out: Path,
    options: FilmOptions,
    farm: Farm,
    progress: Progress,
) -> tuple[FilmScene, Sequence[Beat]]:
    filming = options.filming
    chapters = chapters_of(scene.facts, beats, filming)
    notes = note_text(filming.title, chapters, float(len(beats) / filming.fps))
    if codec.tagged:
        sound = None
        if filming.sound:
            sound = Sound(Path(filming.sound).resolve(), float(len(beats) / filming.fps))
        extras = Extras(notes, sound)
        render_in_chunks(scene, beats, filming.fps, codec, out, farm=farm, extras=extras, progress=progress)
        return scene, beats
    with encoding(out, scene.size, filming.fps, codec, notes) as pipe:
        write_frames(scene, beats, pipe.write, progress)
    return scene, beats


def _encode_small(
    scene: FilmScene,
    beats: Sequence[Beat],
    codec: Codec,
    out: Path,
    options: FilmOptions,
    farm: Farm,
    progress: Progress,
) -> tuple[FilmScene, Sequence[Beat]]:
    """Encode, and again at fewer pixels while the file is larger than such a film may be."""
    for attempt in range(4):
        _encode(scene, beats, codec, out, options, farm, progress)
        excess = out.stat().st_size / SMALL_BYTES
        if excess <= 1 or attempt == 3:
            break
        filming = options.filming
        smaller = max(96, int(filming.height_px / excess**0.5 * 0.93))
        options = replace(options, filming=replace(filming, height_px=smaller))
        scene = scene.laid_out(options)
    return scene, beats


def _write_pictures(scene: FilmScene, tracks: Mapping[str, Track], options: FilmOptions) -> None:
    if options.poster is not None:
        write_picture(options.poster, poster(scene))
    if options.contact is not None:
        write_picture(options.contact, contact_sheet(scene, options.filming.background))
    if options.aligned is not None:
        for camera, track in tracks.items():
            write_aligned(track, options.aligned / camera)


def film_report(
    out: Path,
    scene: FilmScene,
    tracks: Mapping[str, Track],
    options: FilmOptions,
    frames: int,
    held: int,
    missing: Mapping[str, list[int]],
    paired: str = "",
) -> FilmReport:
    """Return what came of a render."""
    fps = options.filming.fps
    return FilmReport(
        film=out,
        frames=frames,
        width=scene.size[0],
        height=scene.size[1],
        fps=float(fps),
        seconds=float(frames / fps),
        held=held,
        missing=missing,
        dropped=dropped_files(tracks),
        hidden=hidden_files(tracks),
        unsure=unsure_files(tracks),
        inset=None if scene.inset is None else asdict(scene.inset),
        captions=(),
        paired=paired,
        shifts={camera: shift_rows(track) for camera, track in tracks.items()},
        gain={camera: gain_rows(track) for camera, track in tracks.items()},
    )
