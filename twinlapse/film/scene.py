"""Everything that is known when the first film frame is drawn, and the drawing of any one of them."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np

from twinlapse.arrays import Picture
from twinlapse.film.cards import end_card, picture_box, title_card
from twinlapse.film.close_up import CloseUp, close_up_of
from twinlapse.film.colour import coded
from twinlapse.film.compose import Composer, composer
from twinlapse.film.composition import Composition, InsetPlace, compose_layout, quiet_place
from twinlapse.film.frame_times import Beat
from twinlapse.film.framing import framed
from twinlapse.film.layout import Pane
from twinlapse.film.lettering import Lettering
from twinlapse.film.options import FilmOptions
from twinlapse.film.overlay import Overlay
from twinlapse.film.overlay_values import Facts, facts_of
from twinlapse.film.pane import View, make_view, mixed
from twinlapse.film.stencil import Plate
from twinlapse.film.subject import Subject, find_subjects
from twinlapse.frames.grouping import Slot
from twinlapse.imaging.rooms import room
from twinlapse.shots import Plan
from twinlapse.tracking.gap_fill import Shown, cover_gaps
from twinlapse.tracking.stabilise import Track

__all__ = ["TURN_AT", "TURN_FADE", "FilmScene", "Stage", "pace_of", "set_scene"]

TURN_AT = 0.18  # share of the print at which the film goes from the nozzle's view to the wide one
TURN_FADE = 0.04  # share of the print that the change takes


@dataclass(frozen=True, slots=True, kw_only=True)
class Stage:
    """One layout with its views and its words."""

    views: Mapping[str, View]
    composer: Composer
    overlay: Overlay
    still: tuple[Plate, ...]
    is_coded: bool = False

    def coded(self) -> Stage:
        """Return the same in the film's own codes."""
        return replace(
            self,
            views={camera: replace(view, coded=True) for camera, view in self.views.items()},
            composer=self.composer.coded(),
            still=tuple(drawing.coded() for drawing in self.still),
            is_coded=True,
        )

    def moving(self, facts: Facts) -> list[Plate]:
        """Return the plates of one moment."""
        return self._in_codes(self.overlay.moving(facts))

    def caption(self, beat: Beat) -> list[Plate]:
        """Return the plates of the caption that a film frame shows, if any."""
        if beat.caption < 0 or beat.caption >= len(self.overlay.captions):
            return []
        return self._in_codes(self.overlay.caption(beat.caption, beat.strength))

    def _in_codes(self, plates: list[Plate]) -> list[Plate]:
        return [drawing.coded() for drawing in plates] if self.is_coded else plates


@dataclass(frozen=True, slots=True, kw_only=True)
class FilmScene:
    """What a film is drawn from."""

    tracks: Mapping[str, Track]
    shown: Mapping[str, tuple[Shown, ...]]  # camera -> what is seen at each moment
    facts: tuple[Facts, ...]
    stages: tuple[Stage, ...]  # one, or the two of near-far
    cards: Mapping[str, Picture]
    subjects: Mapping[str, Subject]
    inset: InsetPlace | None = None
    close_up: CloseUp | None = None

    @property
    def size(self) -> tuple[int, int]:
        """Width and height of the film."""
        return self.stages[0].composer.layout.size

    def coded(self) -> FilmScene:
        """Return the same scene drawn in the film's own codes, which spares a step for each of its pixels.

        A frame of it is gone when its thread draws the next one.
        """
        cards = {name: coded(card) for name, card in self.cards.items()}
        stages = tuple(stage.coded() for stage in self.stages)
        near = self.close_up and replace(self.close_up, stage=self.close_up.stage.coded())
        return replace(self, stages=stages, cards=cards, close_up=near)

    def laid_out(self, options: FilmOptions) -> FilmScene:
        """Return the same scene with the layout of other options."""
        made = _compositions(self.tracks, self.subjects, options)
        stages = tuple(_stage(one, self.tracks, options, self.facts, self.subjects) for one in made)
        cards = _cards(self, options, made[-1])
        return replace(self, stages=stages, cards=cards, close_up=_close_up(self, options, made))

    def frame(self, beat: Beat) -> Picture:
        """Return the film frame of a beat."""
        if beat.cover >= 1:
            return self.cards[beat.card]
        share = self._turned(beat)
        if beat.near and self.close_up is not None:
            picture = self._closer(self.close_up, beat)
        elif share <= 0:
            picture = self._staged(self.stages[0], beat)
        elif share >= 1:
            picture = self._staged(self.stages[-1], beat)
        else:
            first, second = (self._staged(stage, beat) for stage in self.stages)
            picture = mixed(first, second, share)
        return mixed(picture, self.cards[beat.card], beat.cover) if beat.cover else picture

    def _turned(self, beat: Beat) -> float:
        if len(self.stages) < 2:
            return 0.0
        way = beat.slot / max(1, len(self.facts) - 1)
        return float(np.clip((way - TURN_AT) / TURN_FADE, 0, 1))

    def _closer(self, near: CloseUp, beat: Beat) -> Picture:
        """Return the layout with the pane of one camera on its way to filling the film."""
        if beat.near >= 1:
            return self._staged(near.stage, beat)
        stage = self.stages[-1 if self._turned(beat) >= 1 else 0]
        plates = self._plates(stage, beat, said=False), self._plates(near.stage, beat, said=False)
        below = stage.composer.compose(self._pictures(stage, beat), ())
        own = near.stage.composer.compose(self._pictures(near.stage, beat), ())
        frames = [near.lay(below, own, beat.near) for _ in plates]
        for frame, drawings in zip(frames, plates, strict=True):
            for drawing in drawings:
                drawing.lay(frame)
        frame = mixed(frames[0], frames[1], beat.near)
        # a caption may stand elsewhere in the close-up: it goes here before it comes there
        at, strength = (near.stage, 2 * beat.near - 1) if beat.near > 0.5 else (stage, 1 - 2 * beat.near)
        for drawing in at.caption(replace(beat, strength=beat.strength * strength)):
            drawing.lay(frame)
        return frame

    def _staged(self, stage: Stage, beat: Beat) -> Picture:
        return stage.composer.compose(self._pictures(stage, beat), self._plates(stage, beat))

    def _pictures(self, stage: Stage, beat: Beat) -> dict[str, Picture]:
        return {camera: self.seen(view, camera, beat) for camera, view in stage.views.items()}

    def _plates(self, stage: Stage, beat: Beat, *, said: bool = True) -> list[Plate]:
        near = beat.into if beat.mix > 0.5 else beat.slot
        caption = stage.caption(beat) if said else []
        return [*stage.still, *stage.moving(self.facts[near]), *caption]

    def seen(self, view: View, camera: str, beat: Beat) -> Picture:
        """Return what a camera shows in a film frame."""
        picture = self._moment(view, camera, self.shown[camera][beat.slot], alone=not beat.mix)
        following = self.shown[camera][beat.into]
        if beat.mix and following != self.shown[camera][beat.slot]:
            picture = mixed(picture, self._moment(view, camera, following, alone=False), beat.mix)
        return picture

    def _moment(self, view: View, camera: str, shown: Shown, *, alone: bool) -> Picture:
        if not shown.mix or shown.other == shown.place:
            return self._read(view, camera, shown.place, alone=alone)
        first, second = (self._read(view, camera, place, alone=False) for place in (shown.place, shown.other))
        return mixed(first, second, shown.mix)

    def _read(self, view: View, camera: str, place: int, *, alone: bool) -> Picture:
        """Return what a view shows of a frame.

        Where it is needed `alone` and in the film's codes it lies in this thread's memory, until the view is
        shown again.
        """
        track = self.tracks[camera]
        width, height = track.size
        picture = track.picture(place, room=room(("raw", camera), (height, width, 3)))
        own = room(id(view), (view.size[1], view.size[0], 3)) if alone and view.coded else None
        return view.show(picture, track.motions[place], track.light(place), own)


def set_scene(
    slots: tuple[Slot, ...], plan: Plan | None, tracks: Mapping[str, Track], options: FilmOptions
) -> tuple[FilmScene, int]:
    """Return the scene, and how many frames that were due are covered by another."""
    filming = options.filming
    shown: dict[str, tuple[Shown, ...]] = {}
    held = 0
    for camera, track in tracks.items():
        shown[camera], missing = cover_gaps(slots, camera, track, filming.gap)
        held += missing
    facts = facts_of(slots, plan)
    own = {camera: options.camera(camera) for camera in tracks}
    subjects = find_subjects(tracks, own, options.projected)
    made = _compositions(tracks, subjects, options)
    scene = FilmScene(
        tracks=tracks,
        shown=shown,
        facts=facts,
        stages=tuple(_stage(one, tracks, options, facts, subjects) for one in made),
        cards={},
        subjects=subjects,
        inset=made[-1].inset,
    )
    cards = _cards(scene, options, made[-1])
    return replace(scene, cards=cards, close_up=_close_up(scene, options, made)), held


def _close_up(scene: FilmScene, options: FilmOptions, made: list[Composition]) -> CloseUp | None:
    if not options.filming.moments:
        return None
    near = _riding(scene.tracks, options)
    main = made[-1].layout.panes[0].camera
    near = near or next((camera for camera in scene.tracks if camera != main), None)
    if near is None:
        return None
    own = compose_layout(scene.tracks, scene.subjects, options, layout="single", main=near)
    stage = _stage(own, scene.tracks, options, scene.facts, scene.subjects)
    return close_up_of(near, stage, made[-1].layout)


def _riding(tracks: Mapping[str, Track], options: FilmOptions) -> str | None:
    """Return the camera that rides with the nozzle: as the rig says, else as its pictures show."""
    said = (camera for camera in tracks if options.camera(camera).riding)
    return next(said, None) or next((camera for camera, track in tracks.items() if track.riding), None)


def _last_picture(scene: FilmScene, options: FilmOptions, made: Composition) -> Picture:
    """Return the last picture of the main camera, without words, as the end card shows it."""
    box = picture_box(scene.size)
    main = made.layout.panes[0].camera
    pane = Pane(camera=main, box=box)
    how = framed(scene.tracks[main], options.camera(main), pane, scene.subjects.get(main), (box,), fit="cut")
    view = make_view(scene.tracks[main], how.options, pane, fine=options.filming.fine)
    last = len(scene.facts) - 1
    return scene.seen(view, main, Beat(last, last))


def _cards(scene: FilmScene, options: FilmOptions, made: Composition) -> dict[str, Picture]:
    facts, filming, lettering = scene.facts, options.filming, Lettering(options.filming.font)
    cards = {}
    if filming.title and filming.title_s:
        cards["title"] = title_card(filming, facts, lettering)
    if filming.end_s:
        filament_mm = None if options.print_facts is None else options.print_facts.filament_mm
        picture = _last_picture(scene, options, made)
        cards["end"] = end_card(filming, facts, lettering, filament_mm, picture)
    return cards


def _compositions(
    tracks: Mapping[str, Track], subjects: Mapping[str, Subject], options: FilmOptions
) -> list[Composition]:
    if options.filming.layout != "near-far" or len(tracks) < 2:
        return [compose_layout(tracks, subjects, options)]
    near = None if options.filming.main else _riding(tracks, options)
    wide = options.filming.main or next(camera for camera in tracks if camera != near)
    near = near or next(camera for camera in tracks if camera != wide)
    opening = compose_layout(tracks, subjects, options, layout="single", main=near)
    return [opening, compose_layout(tracks, subjects, options, layout="inset", main=wide)]


def _stage(
    made: Composition,
    tracks: Mapping[str, Track],
    options: FilmOptions,
    facts: tuple[Facts, ...],
    subjects: Mapping[str, Subject],
) -> Stage:
    filming, layout = options.filming, made.layout
    views = {
        pane.camera: make_view(tracks[pane.camera], made.cameras[pane.camera], pane, fine=filming.fine)
        for pane in layout.panes
    }
    labels = {camera: options.camera(camera).filming.label or camera for camera in tracks}
    overlay = Overlay(
        layout=layout,
        filming=filming,
        lettering=Lettering(filming.font),
        labels=labels,
        pace=pace_of(facts) if "plan" in filming.overlay else (),
        captions=tuple(event.words for event in options.events) if filming.captions else (),
    )
    if overlay.captions:
        words = bool(set(filming.overlay) - {"names"})
        at = quiet_place(made, subjects.get(layout.panes[0].camera), overlay.caption_size(), words=words)
        right = at.x > layout.size[0] // 2 - at.width // 2
        place = (at.right if right else at.x, at.y)
        overlay = replace(overlay, caption_at=place, caption_right=right)
    return Stage(
        views=views,
        composer=composer(layout, filming.background),
        overlay=overlay,
        still=tuple(overlay.still()),
    )


def pace_of(facts: tuple[Facts, ...]) -> tuple[tuple[float, float], ...]:
    """Return (share of the way, seconds since the moment before over the longest) of every moment."""
    times = [fact.elapsed_s for fact in facts]
    if any(time is None for time in times) or len(times) < 2:
        return ()
    steps = np.diff(np.array(times, dtype=np.float64), prepend=0.0)
    top = float(np.quantile(steps, 0.98)) or 1.0
    return tuple(
        (fact.share, float(np.clip(step / top, 0.05, 1))) for fact, step in zip(facts, steps, strict=True)
    )
