"""Which moment each frame of the film shows: pace, pauses, cross-fades, forward and back, cards."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np

from twinlapse.rig.film_settings import Filming

__all__ = ["FADE_S", "Beat", "schedule"]

FADE_S = 0.4  # from a card to the pictures and back


@dataclass(frozen=True, slots=True)
class Beat:
    """One frame of the film: a moment, or a mixture of it and the next, or a card over it."""

    slot: int
    into: int  # equal to `slot` where nothing is mixed
    mix: float = 0.0  # share of `into`
    card: Literal["", "title", "end"] = ""
    cover: float = 0.0  # how much of the picture the card hides


def schedule(count: int, filming: Filming) -> tuple[Beat, ...]:
    """Return the frames of the film for `count` moments.

    One film frame a moment, unless a length is given: that of the way, with the way back in a loop. With
    ``ease`` e the speed rises from (1 - e) of its mean at the first layers: it is 1 - e + 2 e u at share u of
    the film, so u (1 - e) + e u^2 of the print is seen.
    """
    if count < 1:
        return ()
    fps = filming.fps
    frames = max(1, round(filming.length_s * fps) if filming.length_s else count)
    if filming.loop and filming.length_s:
        frames = frames // 2 + 1  # the length given is that of both ways
    u = np.linspace(0, 1, frames) if frames > 1 else np.zeros(1)
    at = (u * (1 - filming.ease) + filming.ease * u**2) * (count - 1)
    beats = [_beat(float(place), count, filming.between == "fade") for place in at]
    if filming.loop:
        beats += beats[-2:0:-1]
    first = [beats[0]] * round(filming.first_s * fps)
    last = [] if filming.loop else [beats[-1]] * round(filming.last_s * fps)
    title = _card("title", beats[0], filming.title_s if filming.title else 0.0, filming)
    end = _card("end", beats[-1], filming.end_s, filming)
    return (*title, *first, *beats, *last, *end)


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
