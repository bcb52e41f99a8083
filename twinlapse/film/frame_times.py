"""Which moment each frame of the film shows: pace, pauses, cross-fades, forward and back, cards."""

from __future__ import annotations

import math
from collections.abc import Collection, Sequence
from dataclasses import dataclass, replace
from itertools import groupby
from typing import Literal

import numpy as np

from twinlapse.rig.film_settings import Filming

__all__ = [
    "CAPTION_FADE_S",
    "CAPTION_S",
    "EASE",
    "EASE_FROM_S",
    "FADE_S",
    "HOLD_S",
    "SHORTEST_CAPTION_S",
    "ZOOM_S",
    "Beat",
    "ease_of",
    "schedule",
    "with_captions",
    "with_close_ups",
]

# common practice, no source, as are all lengths here
FADE_S = 0.4  # from a card to the pictures and back
EASE, EASE_FROM_S = 0.35, 6.0  # how much slower the first layers go by themselves, and in how long a film
ZOOM_S, HOLD_S = 0.6, 1.6  # to a close-up, and how long it stands
CAPTION_S, SHORTEST_CAPTION_S, CAPTION_FADE_S = 2.8, 1.2, 0.2


@dataclass(frozen=True, slots=True)
class Beat:
    """One frame of the film: a moment, or a mixture of it and the next, or a card over it."""

    slot: int
    into: int  # equal to `slot` where nothing is mixed
    mix: float = 0.0  # share of `into`
    card: Literal["", "title", "end"] = ""
    cover: float = 0.0  # how much of the picture the card hides
    near: float = 0.0  # how far the film has gone to the close-up: 0 not, 1 wholly
    caption: int = -1  # which caption is shown
    strength: float = 0.0  # how much of it


def schedule(count: int, filming: Filming) -> tuple[Beat, ...]:
    """Return the frames of the film for `count` moments.

    One film frame a moment, unless a length is given: that of the way, with the way back in a loop. With
    ``ease`` e the speed rises from (1 - e) of its mean at the first layers: it is 1 - e + 2 e u at share u of
    the film, so u (1 - e) + e u^2 of the print is seen. Without a length the film is longer for it, so that
    its fastest part still shows every moment.
    """
    if count < 1:
        return ()
    fps = filming.fps
    ease = ease_of(count, filming)
    unhurried = count if ease == 0 else math.ceil((count - 1) * (1 + ease)) + 1
    frames = max(1, round(filming.length_s * fps) if filming.length_s else unhurried)
    if filming.loop and filming.length_s:
        frames = frames // 2 + 1  # the length given is that of both ways
    u = np.linspace(0, 1, frames) if frames > 1 else np.zeros(1)
    at = (u * (1 - ease) + ease * u**2) * (count - 1)
    beats = [_beat(float(place), count, filming.between == "fade") for place in at]
    if filming.loop:
        beats += beats[-2:0:-1]
    first = [beats[0]] * round(filming.first_s * fps)
    last = [] if filming.loop else [beats[-1]] * round(filming.last_s * fps)
    title = _card("title", beats[0], filming.title_s if filming.title else 0.0, filming)
    end = _card("end", beats[-1], filming.end_s, filming)
    return (*title, *first, *beats, *last, *end)


def ease_of(count: int, filming: Filming) -> float:
    """Return how much slower the first layers go: by itself some, where the film is longer than 6 s."""
    if filming.ease != "auto":
        return filming.ease
    length_s = filming.length_s or float(count / filming.fps)
    return EASE if length_s > EASE_FROM_S and not filming.loop else 0.0


def with_close_ups(beats: Sequence[Beat], moments: Collection[int], filming: Filming) -> tuple[Beat, ...]:
    """Return the frames of a film with a close-up at some moments; it stands while it goes there and back.

    One at the film's first moment is there from the start. Moments that follow one another are one close-up,
    through which the film runs on.
    """
    way = max(1, round(ZOOM_S * filming.fps))
    rise = [_smooth((step + 1) / (way + 1)) for step in range(way)]
    hold = round(HOLD_S * filming.fps)
    runs = [list(run) for _, run in groupby(beats, key=lambda beat: (beat.slot, beat.card))]
    wanted, done = set(moments), set[int]()
    near = [not run[0].card and run[0].slot in wanted for run in runs]
    made: list[Beat] = []
    for place, run in enumerate(runs):
        first, last = run[0], run[-1]
        if not near[place] or first.slot in done:  # a loop comes back: once is enough
            made += run
            continue
        done.add(first.slot)
        if not (place and near[place - 1]):
            made += [replace(first, near=share) for share in rise] if made else []
            made += [replace(first, near=1.0)] * hold
        made += [replace(beat, near=1.0) for beat in run]
        if not (place + 1 < len(runs) and near[place + 1]):
            made += [replace(last, near=share) for share in reversed(rise)]
    return tuple(made)


def with_captions(beats: Sequence[Beat], moments: Sequence[int], filming: Filming) -> tuple[Beat, ...]:
    """Return the frames of a film with captions, each from its moment on for as long as it takes to read.

    One that comes while another is shown takes its place as soon as that could be read: in a short film the
    words about layer 1 would else stand until the end. What does not fit before the end is left out.
    """
    length, least, fade = (
        max(1, round(seconds * filming.fps)) for seconds in (CAPTION_S, SHORTEST_CAPTION_S, CAPTION_FADE_S)
    )
    reached = [
        next((place for place, beat in enumerate(beats) if not beat.card and beat.slot >= moment), len(beats))
        for moment in moments
    ]
    made, free = list(beats), 0
    for number, (own, following) in enumerate(zip(reached, [*reached[1:], len(beats)], strict=True)):
        start = max(free, own)
        stop = min(start + length, max(start + least, following), len(beats))
        if stop - start < least:
            break
        for place in range(start, stop):
            share = min(1.0, (place - start + 1) / (fade + 1), (stop - place) / (fade + 1))
            made[place] = replace(made[place], caption=number, strength=round(share, 2))
        free = stop
    return tuple(made)


def _smooth(share: float) -> float:
    return round(share * share * (3 - 2 * share), 4)


def _beat(place: float, count: int, fade: bool) -> Beat:
    if not fade:
        slot = min(count - 1, round(place))
        return Beat(slot, slot)
    slot = min(count - 1, int(place + 1e-9))
    mix = max(0.0, place - slot)
    return Beat(slot, min(count - 1, slot + 1), mix) if mix > 0.01 else Beat(slot, slot)


def _card(kind: Literal["title", "end"], beat: Beat, seconds: float, filming: Filming) -> list[Beat]:
    """A card fades into the first picture, or out of the last one."""
    frames = round(seconds * filming.fps)
    fade = min(frames, round(FADE_S * filming.fps))
    covers = [1.0] * (frames - fade) + [1 - (step + 1) / (fade + 1) for step in range(fade)]
    if kind == "end":
        covers.reverse()
    return [Beat(beat.slot, beat.slot, card=kind, cover=cover) for cover in covers]
