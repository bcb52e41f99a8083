"""A layout made for these pictures: panes framed on the print, the inset where it covers least."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np

from twinlapse.film.framing import framed
from twinlapse.film.layout import Box, Layout, Pane, arrange, safe_area
from twinlapse.film.options import CameraOptions, FilmOptions
from twinlapse.film.pane import upright_size
from twinlapse.film.subject import Subject
from twinlapse.rig.film_settings import InsetCorner
from twinlapse.tracking.stabilise import Track

__all__ = [
    "CORNERS",
    "INSET_SHARES",
    "MOST_PRINT_HIDDEN",
    "Composition",
    "InsetPlace",
    "compose_layout",
    "free_of_words",
    "hidden_share",
    "quiet_place",
]

CORNERS: tuple[InsetCorner, ...] = (
    "top-right",
    "top-left",
    "bottom-right",
    "bottom-left",
)  # where all cover alike, the first


# of the print's box: an inset that would hide more becomes smaller (common practice, no source)
MOST_PRINT_HIDDEN = 0.02
INSET_SHARES = (1.0, 0.8, 0.64)  # of its width


@dataclass(frozen=True, slots=True, kw_only=True)
class InsetPlace:
    """Where the inset lies, and what it hides of the pane below it over the whole film."""

    corner: str
    print_share: float  # of the box around the print
    change_share: float  # of all that changes in the pane


@dataclass(frozen=True, slots=True, kw_only=True)
class Composition:
    """A layout and what each of its panes shows."""

    layout: Layout
    cameras: Mapping[str, CameraOptions]
    inset: InsetPlace | None = None


def compose_layout(
    tracks: Mapping[str, Track],
    subjects: Mapping[str, Subject],
    options: FilmOptions,
    *,
    layout: str = "",
    main: str = "",
) -> Composition:
    """Return the layout of a film for these pictures; `layout` and `main` stand in for the options' own."""
    filming = options.filming
    aspects = {}
    for camera, track in tracks.items():
        width, height = upright_size(track, options.camera(camera))
        aspects[camera] = width / height
    corners: tuple[InsetCorner, ...] = CORNERS if filming.inset_corner == "auto" else (filming.inset_corner,)
    found: list[Composition] = []
    for share in INSET_SHARES:
        for corner in corners:
            here = replace(filming, inset_corner=corner, inset=filming.inset * share)
            made = arrange(here, aspects, words=bool(filming.overlay), layout=layout, main=main)
            found.append(_framed(made, corner, tracks, subjects, options))
            if found[-1].inset is None:
                return found[-1]
        best = min(found, key=_cost)
        if best.inset is None or best.inset.print_share <= MOST_PRINT_HIDDEN:
            break
    return best


def _cost(made: Composition) -> float:
    inset = made.inset
    return 0.0 if inset is None else round(10 * inset.print_share + inset.change_share, 2)


def _framed(
    layout: Layout,
    corner: str,
    tracks: Mapping[str, Track],
    subjects: Mapping[str, Subject],
    options: FilmOptions,
) -> Composition:
    words = bool(set(options.filming.overlay) - {"names"})
    above = next((pane.box for pane in layout.panes if pane.raised), None)
    panes, cameras = [], {}
    inset = None
    for pane in layout.panes:
        camera = pane.camera
        own = options.camera(camera)
        free = free_of_words(pane, layout, words=words)
        rooms = (free,) if above is None or pane.raised else (*_beside(free, above, layout), free)
        below = None if pane.raised else above
        fit = "cut" if pane.raised and options.filming.fit == "fill" else options.filming.fit
        how = framed(tracks[camera], own, pane, subjects.get(camera), rooms, fit=fit, avoid=below)
        panes.append(how.pane)
        cameras[camera] = how.options
        if above is not None and not pane.raised:
            hides = hidden_share(how.pane, how.options, above, subjects.get(camera))
            inset = InsetPlace(corner=corner, print_share=hides[0], change_share=hides[1])
    return Composition(layout=replace(layout, panes=tuple(panes)), cameras=cameras, inset=inset)


def free_of_words(pane: Pane, layout: Layout, *, words: bool) -> Box:
    """Return the part of a pane over which neither words nor the shade below them lie."""
    if not words or not layout.over_pictures or pane.raised:
        return pane.box
    floor = min(pane.box.bottom, layout.band.y - round(34 * layout.unit))
    return replace(pane.box, height=max(floor - pane.box.y, round(0.3 * pane.box.height)))


def _beside(free: Box, above: Box, layout: Layout) -> tuple[Box, ...]:
    """Return the parts of a pane beside, and above or below, what lies on it, the larger first."""
    gap = round(16 * layout.unit)
    left, right = above.x - gap - free.x, free.right - above.right - gap
    over, under = above.y - gap - free.y, free.bottom - above.bottom - gap
    rooms = []
    if max(left, right) > 0:
        x = free.x if left >= right else above.right + gap
        rooms.append(Box(x=x, y=free.y, width=max(left, right), height=free.height))
    if max(over, under) > 0:
        y = free.y if over >= under else above.bottom + gap
        rooms.append(Box(x=free.x, y=y, width=free.width, height=max(over, under)))
    return tuple(sorted(rooms, key=lambda room: -room.width * room.height))


def quiet_place(made: Composition, subject: Subject | None, size: tuple[int, int], *, words: bool) -> Box:
    """Return where a caption of a size lies, inside the title-safe area.

    Below a row of panes or above it where it has room; else in the main pane where it hides least, off the
    inset.
    """
    layout, (width, height) = made.layout, size
    pane = layout.panes[0]
    free, safe = free_of_words(pane, layout, words=words), safe_area(layout.size)
    edge, chip = round(14 * layout.unit), round(44 * layout.unit)
    left, right = max(free.x + edge, safe.x), min(free.right - edge, safe.right) - width
    top, bottom = max(free.y + edge, safe.y), min(free.bottom - edge, safe.bottom) - height
    inset = next((other.box for other in layout.panes if other.raised), None)
    at = [(left, bottom), (right, bottom), (right, top), (left, top + chip)]
    boxes = [other.box for other in layout.panes if not other.raised]
    over, under = min(box.y for box in boxes), max(box.bottom for box in boxes)
    if over - safe.y >= height + edge:
        at.insert(0, (safe.x, over - edge - height))
    if words and layout.band.y - under >= height + 2 * edge:
        at.insert(0, (safe.x, under + edge))
    places = [
        Box(x=int(np.clip(x, safe.x, max(safe.x, safe.right - width))), y=y, width=width, height=height)
        for x, y in at
    ]

    def cost(place: Box) -> float:
        meets = inset is not None and (
            place.x < inset.right
            and inset.x < place.right
            and place.y < inset.bottom
            and inset.y < place.bottom
        )
        hides = hidden_share(pane, made.cameras[pane.camera], place, subject)
        return round(10 * hides[0] + hides[1], 2) + (100 if meets else 0)

    return min(places, key=cost)


def hidden_share(
    pane: Pane, options: CameraOptions, above: Box, subject: Subject | None
) -> tuple[float, float]:
    """Return which shares of the print's box and of all changes in a pane something on it hides."""
    crop, box = options.filming.crop, pane.box
    if subject is None or crop == "auto":
        return 0.0, 0.0
    rows, columns = subject.change.shape
    x = box.x + ((np.arange(columns) + 0.5) / columns - crop[0]) / crop[2] * box.width
    y = box.y + ((np.arange(rows) + 0.5) / rows - crop[1]) / crop[3] * box.height
    across, down = (x >= above.x) & (x < above.right), (y >= above.y) & (y < above.bottom)
    seen = ((y >= box.y) & (y < box.bottom))[:, None] & ((x >= box.x) & (x < box.right))
    total = float(subject.change[seen].sum())
    under = float(subject.change[down[:, None] & across & seen].sum())
    covered = 0.0
    if subject.box is not None:
        ends = [
            (box.x + (subject.box[0] - crop[0]) / crop[2] * box.width, subject.box[2] / crop[2] * box.width),
            (
                box.y + (subject.box[1] - crop[1]) / crop[3] * box.height,
                subject.box[3] / crop[3] * box.height,
            ),
        ]
        both = [
            max(0.0, min(start + length, stop) - max(start, first)) / max(length, 1e-9)
            for (start, length), (first, stop) in zip(
                ends, ((above.x, above.right), (above.y, above.bottom)), strict=True
            )
        ]
        covered = both[0] * both[1]
    return round(covered, 4), round(under / total if total else 0.0, 4)
