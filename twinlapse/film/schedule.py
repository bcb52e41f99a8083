"""Which moment each frame of the film shows: pace, pauses, cross-fades, forward and back."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from twinlapse.rig.filming import Filming


@dataclass(frozen=True, slots=True)
class Beat:
    """One frame of the film: a moment, or a mixture of it and the next."""

    slot: int
    into: int  # equal to `slot` where nothing is mixed
    mix: float  # share of `into`


def schedule(count: int, filming: Filming) -> tuple[Beat, ...]:
    """Return the frames of the film for `count` moments.

    One film frame a moment, unless a length is given. ``ease`` makes the speed rise from (1 - ease) of its
    mean at the first layers; the integral of a speed 1 - e + 2 e u over the film is u (1 - e) + e u^2.
    """
    if count < 1:
        return ()
    fps = filming.fps
    frames = round(filming.seconds * fps) if filming.seconds else count
    if filming.ease and not filming.seconds:
        frames = round(count / (1 - filming.ease / 2))
    frames = max(1, frames)
    u = np.linspace(0, 1, frames) if frames > 1 else np.zeros(1)
    at = (u * (1 - filming.ease) + filming.ease * u**2) * (count - 1)
    beats = [_beat(float(place), count, filming.between == "fade") for place in at]
    if filming.loop:
        beats += beats[-2:0:-1]
    first = [beats[0]] * round(filming.first_s * fps)
    last = [beats[-1]] * (0 if filming.loop else round(filming.last_s * fps))
    return (*first, *beats, *last)


def _beat(place: float, count: int, fade: bool) -> Beat:
    if not fade:
        slot = min(count - 1, round(place))
        return Beat(slot, slot, 0.0)
    slot = min(count - 1, int(place + 1e-9))
    mix = max(0.0, place - slot)
    return Beat(slot, min(count - 1, slot + 1), mix) if mix > 0.01 else Beat(slot, slot, 0.0)
