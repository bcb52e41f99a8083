"""Where the panes and the words stand on the film."""

from __future__ import annotations

from dataclasses import dataclass

from twinlapse.film.contrast import LEAST, contrast
from twinlapse.film.stencil import rgb
from twinlapse.rig.film_settings import Filming, film_size

__all__ = [
    "LEAST_FILLED",
    "MOST_CUT",
    "MOST_NARROWED",
    "SAFE",
    "TURNED_GAIN",
    "Box",
    "Layout",
    "Pane",
    "arrange",
    "safe_area",
]

# shares of a picture's height and width that a row of panes may cost it: what stands upright has room at its
# sides (common practice, no source)
MOST_CUT, MOST_NARROWED = 0.4, 0.55
# a row that leaves more than half of the film empty is turned where that fills so much more (common practice,
# no source)
LEAST_FILLED, TURNED_GAIN = 0.5, 1.4
SAFE = 0.90  # title-safe share of width and height: SMPTE ST 2046-1


@dataclass(frozen=True, slots=True, kw_only=True)
class Box:
    """A rectangle in pixels of the film."""

    x: int
    y: int
    width: int
    height: int

    @property
    def right(self) -> int:
        """First column to the right of it."""
        return self.x + self.width

    @property
    def bottom(self) -> int:
        """First row below it."""
        return self.y + self.height


@dataclass(frozen=True, slots=True, kw_only=True)
class Pane:
    """Where one camera is seen."""

    camera: str
    box: Box
    radius_px: int = 0
    raised: bool = False  # lies on another pane: has a frame and a shadow


@dataclass(frozen=True, slots=True, kw_only=True)
class Layout:
    """One arrangement of panes and words, bottom pane first."""

    size: tuple[int, int]
    panes: tuple[Pane, ...]
    band: Box  # of the figures, inside the title-safe area
    over_pictures: bool  # the band lies on a picture, or on a light ground, and needs a shade

    @property
    def unit(self) -> float:
        """Pixels of the film for one pixel of a film that is 720 px on its short side."""
        return min(self.size) / 720


def safe_area(size: tuple[int, int]) -> Box:
    """Return the title-safe area."""
    x, y = round(size[0] * (1 - SAFE) / 2), round(size[1] * (1 - SAFE) / 2)
    return Box(x=x, y=y, width=size[0] - 2 * x, height=size[1] - 2 * y)


def arrange(
    filming: Filming, aspects: dict[str, float], *, words: bool, layout: str = "", main: str = ""
) -> Layout:
    """Return the layout for cameras with the given aspects (width over height), in the order of importance.

    Parameters
    ----------
    filming : Filming
    aspects : dict
        Width over height of each camera's upright, cropped picture.
    words : bool
        Leave room for figures.
    layout, main : str, optional
        In place of those in `filming`.
    """
    size = film_size(filming)
    names = sorted(aspects, key=lambda name: name != (main or filming.main))
    kind = layout or filming.layout
    if len(names) == 1 or kind == "single":
        return _full(filming, size, aspects, names[:1], words)
    if kind in ("side", "stack"):
        rows = [
            _row(filming, size, aspects, names, words, upright=upright)
            for upright in ((False, True) if kind == "side" else (True, False))
        ]
        own, other = (_filled(row) for row in rows)
        turned = own < LEAST_FILLED and other > TURNED_GAIN * own
        return rows[1] if turned else rows[0]
    return _full(filming, size, aspects, names[:2], words)


def _filled(layout: Layout) -> float:
    """Return the share of the film that panes fill."""
    area = sum(pane.box.width * pane.box.height for pane in layout.panes)
    return area / (layout.size[0] * layout.size[1])


def _band(size: tuple[int, int], filming: Filming) -> Box:
    safe = safe_area(size)
    height = round((86 if "plan" in filming.overlay else 74) * min(size) / 720)
    return Box(x=safe.x, y=safe.bottom - height, width=safe.width, height=height)


def _full(
    filming: Filming, size: tuple[int, int], aspects: dict[str, float], names: list[str], words: bool
) -> Layout:
    unit = min(size) / 720
    whole = Box(x=0, y=0, width=size[0], height=size[1])
    panes = [Pane(camera=names[0], box=_fitted(whole, aspects[names[0]], filming.fit))]
    band = _band(size, filming)
    if len(names) > 1:
        width = round(size[0] * filming.inset * (1.5 if size[0] < 1.2 * size[1] else 1))
        width = min(width, size[0] - round(80 * unit))
        height = min(round(width / aspects[names[1]]), round(size[1] * 0.5))
        safe = safe_area(size)
        floor = band.y - round(30 * unit) if words else safe.bottom
        x = safe.x if filming.inset_corner.endswith("left") else safe.right - width
        y = safe.y if filming.inset_corner.startswith("top") else floor - height
        panes.append(
            Pane(
                camera=names[1],
                box=Box(x=x, y=y, width=width, height=height),
                radius_px=round(14 * unit),
                raised=True,
            )
        )
    return Layout(size=size, panes=tuple(panes), band=band, over_pictures=True)


def _row(
    filming: Filming,
    size: tuple[int, int],
    aspects: dict[str, float],
    names: list[str],
    words: bool,
    *,
    upright: bool,
) -> Layout:
    """Panes beside or above one another on the background, the figures below them.

    Every pane is cut by the same share, so that the row fills more of the film.
    """
    unit = min(size) / 720
    band = _band(size, filming)
    safe, inside = safe_area(size), round(12 * unit)  # names stand inside of their panes and the safe area
    edge, top = (max(start - inside, filming.gap_px) for start in (safe.x, safe.y))
    floor = band.y - round(22 * unit) if words else size[1] - top
    room = (size[0] - 2 * edge, floor - top)
    along, across = (room[1], room[0]) if upright else room
    along -= filming.gap_px * (len(names) - 1)
    shapes = [1 / aspects[name] if upright else aspects[name] for name in names]
    # how far a pane may lose of its length, and of its thickness
    most = (MOST_CUT, MOST_NARROWED) if upright else (MOST_NARROWED, MOST_CUT)
    lengths, thickness = _lengths(shapes, along, across, (0, 0) if filming.fit == "fit" else most)
    first, beside = (top, edge) if upright else (edge, top)
    start = first + (along - sum(lengths)) // 2
    side = beside + (across - thickness) // 2
    boxes = []
    for length in lengths:
        boxes.append(
            Box(x=side, y=start, width=thickness, height=length)
            if upright
            else Box(x=start, y=side, width=length, height=thickness)
        )
        start += length + filming.gap_px
    panes = tuple(
        Pane(camera=name, box=box, radius_px=round(10 * unit)) for name, box in zip(names, boxes, strict=True)
    )
    # the overlay's ink is light: on a light ground it needs the shade as it does on a picture
    light = contrast(rgb("#bec8d0"), rgb(filming.background)) < LEAST
    return Layout(size=size, panes=panes, band=band, over_pictures=light)


def _lengths(
    shapes: list[float], along: int, across: int, most: tuple[float, float]
) -> tuple[list[int], int]:
    """Return how long the panes of a row are, and how thick the row; `shapes` are length over thickness.

    Where the row is longer than its room panes lose length by cutting, where it is shorter they gain length
    by cutting their thickness; what that leaves is done by scaling.
    """
    excess = sum(shapes) * across / along
    change = min(max(1 / excess, 1 - most[0]), 1 / (1 - most[1]))
    scale = min(1.0, 1 / (excess * change))
    thickness = int(across * scale)
    return [int(shape * change * thickness) for shape in shapes], thickness


def _fitted(box: Box, aspect: float, fit: str) -> Box:
    if fit != "fit":
        return box
    width = min(box.width, round(box.height * aspect))
    height = min(box.height, round(box.width / aspect))
    return Box(
        x=box.x + (box.width - width) // 2, y=box.y + (box.height - height) // 2, width=width, height=height
    )
