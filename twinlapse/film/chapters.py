"""Named places in a film: first layer, quarter, half, last."""

from __future__ import annotations

from collections.abc import Sequence

from twinlapse.film.encoder import Chapter
from twinlapse.film.frame_times import Beat
from twinlapse.film.overlay_values import Facts
from twinlapse.rig.film_settings import Filming

__all__ = ["chapters_of"]


def chapters_of(facts: Sequence[Facts], beats: Sequence[Beat], filming: Filming) -> list[Chapter]:
    """Return the chapters of a film; those that would be shorter than a quarter of a second are left out."""
    unit = "layer" if facts[0].is_layer else "frame"
    wanted = [(f"First {unit}", 0.0), ("A quarter", 0.25), ("Half", 0.5), ("Three quarters", 0.75)]
    wanted.append((f"Last {unit}", 1.0))
    chapters: list[Chapter] = []
    for name, share in wanted:
        moment = next((place for place, fact in enumerate(facts) if fact.share >= share), len(facts) - 1)
        if share == 0.0:
            moment = 0
        frame = next((place for place, beat in enumerate(beats) if not beat.card and beat.slot >= moment), 0)
        start = float(frame / filming.fps)
        if not chapters or start >= chapters[-1].start_s + 0.25:
            chapters.append(Chapter(name, 0.0 if not chapters else start))
    return chapters
