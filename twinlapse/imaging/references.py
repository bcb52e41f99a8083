"""References enough for a film whose light turns: one picture, and others where the first is not known again.

Sun that comes from the other side turns every shade around, and a picture of the evening has little in common
with one of the morning. Each reference sees the part of the film that looks like it, and neighbours share
frames, by which they are tied to each other later.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from twinlapse.arrays import Float, Picture
from twinlapse.imaging.tracking_tiles import Gauges, choose_gauges
from twinlapse.imaging.transforms import Model
from twinlapse.rig.film_settings import CameraFilming

__all__ = ["KNOWN", "MOST", "References", "choose_references"]

MOST = 8  # references
KNOWN = 0.5  # of the agreement that a reference finds at best: a picture is known again


@dataclass(frozen=True, slots=True, kw_only=True)
class References:
    """Gauges of several pictures, the first of which all others are tied to, and where each is of use."""

    gauges: tuple[Gauges, ...]
    places: NDArray[np.int64]  # (m,) where the sample was taken, ascending
    known: NDArray[np.bool_]  # (references, m) which of the sample each reference knows again

    @property
    def part(self) -> NDArray[np.int64]:
        """To which reference each tile belongs, (k,)."""
        return np.repeat(np.arange(len(self.gauges)), [len(some.centres) for some in self.gauges])

    def at(self, place: int) -> NDArray[np.int64]:
        """Return the references to compare the picture at a place of the film with."""
        if len(self.gauges) == 1:
            return np.zeros(1, np.int64)
        after = int(np.searchsorted(self.places, place))
        beside = [max(0, after - 1), min(after, len(self.places) - 1)]
        found = np.flatnonzero(self.known[:, beside].any(axis=1))
        return found if len(found) else np.zeros(1, np.int64)


def choose_references(
    sample: Sequence[Picture],
    places: Sequence[int],
    size: tuple[int, int],
    by: int,
    filming: CameraFilming,
) -> References:
    """Choose references until all neighbours in the sample are known again by one and the same.

    Parameters
    ----------
    sample : sequence of ndarray of shape (height, width, 3)
        Pictures spread over the film, reduced by `by`; the first is the first reference.
    places : sequence of int
        Where in the film they are.
    size : (int, int)
        Width and height of the full pictures.
    by : int
    filming : CameraFilming
    """
    order = np.argsort(places, kind="stable")
    first = int(np.argmin(order))  # where the first reference is in order of time
    pictures = [sample[place] for place in order]
    gauges = [choose_gauges(sample, size, by, filming)]
    agreed = [_agreement(gauges[0], pictures, first, filming.model)]
    if filming.hold != "off" and (agreed[0] <= KNOWN).any():
        # one that moved while it was exposed is not known for that, and would be held against sharp ones
        sharp = ~_blurred(gauges[0], pictures, filming.model)
        sharp[first] = True
        pictures = [picture for picture, kept in zip(pictures, sharp, strict=True) if kept]
        order, agreed = order[sharp], [agreed[0][sharp]]
    tried = np.zeros(len(pictures), bool)
    while len(gauges) < MOST and filming.hold != "off":
        known = np.stack(agreed) > KNOWN
        apart = ~(known[:, :-1] & known[:, 1:]).any(axis=0)  # neighbours that no reference knows both of
        ends = (np.append(apart, False) | np.append(False, apart)) & ~tried
        if not ends.any():
            break
        strange = ends & ~known.any(axis=0)
        ends = strange if strange.any() else ends
        # the one that is nearest to being known: it has something in common with what is known already
        new = int(np.flatnonzero(ends)[np.argmax(np.max(agreed, axis=0)[ends])])
        tried[new] = True
        near = np.argsort(np.abs(np.arange(len(pictures)) - new), kind="stable")[:4]
        found = choose_gauges([pictures[place] for place in near], size, by, filming)
        sight = _agreement(found, pictures, new, filming.model)
        if np.count_nonzero(sight > KNOWN) > 1:  # one that knows only itself is of no use to others
            gauges.append(found)
            agreed.append(sight)
    return References(gauges=tuple(gauges), places=np.array(places)[order], known=np.stack(agreed) > KNOWN)


def _blurred(gauges: Gauges, pictures: Sequence[Picture], model: Model) -> NDArray[np.bool_]:
    """Return which pictures moved while they were exposed, (m,)."""
    return np.asarray(gauges.read([_grey(picture) for picture in pictures], model)[-1] > 0)


def _grey(picture: Picture) -> Picture:
    return np.asarray(cv2.cvtColor(picture, cv2.COLOR_RGB2GRAY), dtype=np.uint8)


def _agreement(gauges: Gauges, pictures: Sequence[Picture], own: int, model: Model) -> Float:
    """Return how well each picture is known again, (m,): 1 for the reference and the best of the others."""
    total = gauges.agreement([_grey(picture) for picture in pictures], model)
    others = np.delete(total, own)
    best = max(float(others.max(initial=0.0)), 1e-9)
    sight = np.clip(total / best, 0, 1)
    sight[own] = 1
    return np.asarray(sight)
