"""What the picture of a layer shows against what the toolpath asks for.

The two materials are told apart by colour and shade: where lines should lie and where none should, the
picture itself shows what filament and bed look like. A linear discriminant (Fisher 1936) of these two sets
scores every pixel, 0 bed and 1 filament. Where they cannot be told apart the answer is "cannot tell". What
lies on the print has its colour, and is found by its shading.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from typing import Literal

import numpy as np

from twinlapse.arrays import Float, Float32, Int
from twinlapse.errors import FrameError
from twinlapse.firstlayer.background import Background, difference_of
from twinlapse.firstlayer.camera_trouble import CameraTrouble, outline_blur_mm
from twinlapse.firstlayer.canvas import Canvas
from twinlapse.firstlayer.components import Component, Mask, components_of, grown, shrunk
from twinlapse.firstlayer.expected import Lines, drawn
from twinlapse.firstlayer.laying import Laying, laying_of, surely_thin
from twinlapse.firstlayer.mosaic import Mosaic
from twinlapse.firstlayer.outermost_lines import missing_lines
from twinlapse.firstlayer.presence import PrintedObject, looked_for, objects_of
from twinlapse.firstlayer.relief import lumps, relief
from twinlapse.firstlayer.segmentation import SLACK_MM, Parted, features_of, part, sure_of
from twinlapse.firstlayer.slits import slits_in_score
from twinlapse.firstlayer.solid import LowerLayer, drawn_below
from twinlapse.firstlayer.threads import LONG_MM as SHORTEST_THREAD_MM
from twinlapse.firstlayer.threads import threads
from twinlapse.optics.gap_view import GapView
from twinlapse.records import ArrayRecord

__all__ = [
    "ALIGNED",
    "BARE",
    "BELOW_MM",
    "BESIDE_GAP_MM",
    "CLEAR_OF_GLARE_MM",
    "CORE_MM",
    "DOUBT",
    "LEAST_CONTRAST",
    "LONG_MM",
    "LONG_THREAD_MM",
    "NEAR_MM",
    "ON_LINES",
    "PALE",
    "SMALLEST_BLOB_MM2",
    "SMALLEST_GAP_MM2",
    "SPEAK",
    "UPPER_NOT_LOOKED_FOR",
    "Defect",
    "Grade",
    "Judgement",
    "judge",
]

_Kind = Literal["gap", "missing line", "blob", "dragged line", "missing object", "thread or hair"]
Grade = Literal["slight", "clear", "bad"]

# distance of the two materials, in spreads, below which nothing is said: drawn sound layers at 12 and more
# were not accused
SPEAK = 9.0
# and in CIE Lab: the sides of lines that turn away from the lamp are darker than their backs by up to 20, and
# rehearsed dark filament on a dark bed, 19 to 20 apart, was accused; drawn black on grey is 35 apart
LEAST_CONTRAST = 27.0
DOUBT = 0.65  # score up to which what lies around bare bed belongs to the gap: the eye blurs its ends
SMALLEST_GAP_MM2 = 0.10
# a gap takes away the middle of a line, less this at its sides; a slit that the file leaves between two
# lines, and an outline that is laid a hair beside its place, do not
CORE_MM, ON_LINES, BARE = 0.2, 0.35, 0.53
SMALLEST_BLOB_MM2 = 0.5
# score that a blob beside the print reaches somewhere, if it is of filament and not a film on the bed: drawn
# residue of an older print, 40 % of the filament's colour, 0.53 to 0.68
PALE = 0.75
LONG_MM = 4.0  # a gap as long as this, and at least as long as most of a piece of line, is a missing line
# what stands up from the lines is looked for this far from what is not seen: at 1.2 a rim was told as a lump
CLEAR_OF_GLARE_MM = 2.0
BELOW_MM = 0.6  # lines of lower layers are left out with half of this around them
LONG_THREAD_MM = 8.0
ALIGNED = 0.95  # cosine of the angle up to which a piece runs the way of the lines
BESIDE_GAP_MM = 1.2  # this far from a line that is missing no thread is looked for
# over a layer below a gap has the colour of the print, and a groove shows no bed
UPPER_NOT_LOOKED_FOR = (
    "gaps and missing lines over the layer below",
    "threads",
    "how its lines are laid",
)
NEAR_MM = 2.5  # a blob this near to a gap is what should lie in it


@dataclass(frozen=True, slots=True, kw_only=True)
class Defect:
    """One thing that is not as the toolpath says."""

    number: int
    kind: _Kind
    grade: Grade
    at_mm: tuple[float, float]  # its middle
    box_mm: tuple[float, float, float, float]  # x, y of its front left corner, width, depth
    length_mm: float
    width_mm: float
    file_line: int | None  # of the nearest line of the sliced file
    confidence: float  # 0 to 1


@dataclass(frozen=True, slots=True, kw_only=True, eq=False, repr=False)
class Judgement(ArrayRecord):
    """What was found on one layer; places are the sliced file's."""

    canvas: Canvas  # of the map, moved onto the toolpath
    defects: tuple[Defect, ...]
    offset_mm: tuple[float, float]  # by which the whole map stood off the toolpath
    separability: float  # distance of filament and bed in their spread
    can_tell: bool
    seen_share: float  # of the expected area that the map shows
    wanted: Mask  # where lines should lie
    seen: Mask  # what was judged in detail
    score: Float32  # 0 bed to 1 filament
    objects: tuple[PrintedObject, ...] = ()
    laying: Laying | None = None  # how well it is laid; None: nothing is said
    trouble: CameraTrouble | None = None  # of the camera itself
    gaps: GapView | None = None  # what gaps the camera can show; None: not known
    why: str = ""  # nothing is said, and what to do about it
    # x, y, width, depth of what lies on the bed beside the print in a paler colour: it may be older than it
    patches: tuple[tuple[float, float, float, float], ...] = ()
    not_looked_for: tuple[str, ...] = ()  # what may be wrong on this layer and is not said
    outermost_missing: Int = field(
        default_factory=lambda: np.zeros(0, np.int64)
    )  # lines; see `outermost_lines`

    @property
    def sound(self) -> bool | None:
        """Whether nothing was found on objects that are seen whole; None where it cannot be told."""
        if self.defects or self.badly_laid or self.nozzle_dirty:
            return False
        return True if self.can_tell and not (self.unseen or self.blurred or self.hides_gaps) else None

    @property
    def badly_laid(self) -> bool:
        """Whether most of the layer lacks material, or the nozzle ploughs through it."""
        return self.laying is not None and self.laying.laid in ("thin", "ridges")

    @property
    def nozzle_dirty(self) -> bool:
        """Whether something hangs on the nozzle."""
        return self.trouble is not None and self.trouble.clump is not None

    @property
    def blurred(self) -> bool:
        """Whether the map is too blurred to show a gap: then nothing found is no proof."""
        return self.trouble is not None and self.trouble.blurred

    @property
    def hides_gaps(self) -> bool:
        """Whether the camera looks too level to show gaps in part of the lines: nothing found is no proof."""
        return self.gaps is not None and not self.gaps.tells

    @property
    def unseen(self) -> tuple[PrintedObject, ...]:
        """The objects of which too little is seen to call them sound."""
        return tuple(item for item in self.objects if not item.whole)


def judge(
    mosaic: Mosaic,
    lines: Lines,
    *,
    smallest_mm: float = 0.5,
    furthest_mm: float = 1.5,
    unfit: str = "",
    bare: Background | None = None,
    below: Sequence[LowerLayer] = (),
    height_mm: float = 0.0,
) -> Judgement:
    """Return what is wrong with a layer.

    Parameters
    ----------
    mosaic : Mosaic
    lines : Lines
        What should lie there.
    smallest_mm : float
        A gap shorter than this is not reported.
    furthest_mm : float
        The whole map may stand off the toolpath by this much.
    unfit : str
        Why the map is not fit to be judged in detail, and what to do; empty where it is. Whether the objects
        are there is said all the same.
    bare : Background, optional
        The bed before the print: what was there then is not the print's.
    below : sequence of LowerLayer
        Where they lie beside this layer is neither its filament nor bed.
    height_mm : float
        Of the layer; 0: unknown, so that nothing is said of how far the nozzle is off.

    Raises
    ------
    FrameError
        when the map shows nothing of the layer.
    """
    canvas = mosaic.canvas
    wanted = drawn(lines, canvas)
    if (wanted & mosaic.seen).sum() < 200:
        raise FrameError("the frames show nothing of the layer", "check the camera's pose in the rig file")
    seen, more = mosaic.seen, None
    if below:
        seen = seen & (drawn(lines, canvas, BELOW_MM) | ~drawn_below(below, canvas, BELOW_MM))
    features = features_of(mosaic.colours, canvas)
    alike = np.zeros_like(seen)
    if bare is not None:
        alike = seen & bare.alike
        seen = seen & (bare.seen | bare.alike)
        more = difference_of(mosaic.colours, mosaic.seen, bare, canvas.step_mm)
        features = np.asarray(np.dstack([features, more]), np.float32)
    masks = objects_of(wanted, canvas)
    there = looked_for(features, masks, wanted, seen, canvas)
    gone = np.zeros_like(wanted)
    for mask, item in zip(masks, there, strict=True):
        if item.there is False:
            gone |= mask
    all_gone = bool(masks) and not any(item.there for item in there)
    within = seen & (all_gone | ~gone)
    parted = part(mosaic.colours, wanted, within & ~alike, canvas, furthest_mm=furthest_mm, more=more)
    parted, seen = _confirmed(parted, alike, mosaic, seen, within)
    offset = (parted.offset_px[0] * canvas.step_mm, -parted.offset_px[1] * canvas.step_mm)
    canvas = replace(canvas, left_mm=canvas.left_mm - offset[0], back_mm=canvas.back_mm - offset[1])
    shown = seen & ~gone
    blur_mm = outline_blur_mm(parted.score, parted.wanted, shown, canvas)
    outermost = np.zeros(0, np.int64)
    if not below and _tells(parted):  # over a layer below a missing line has the colour of the print
        outermost = missing_lines(parted.score, lines, canvas, parted.wanted, shown, blur_mm)
    parted = _slits_left_out(parted, mosaic, shown, canvas, lines, blur_mm)
    why = unfit
    if not why and not _tells(parted):
        why = "filament and bed look too much alike in these pictures: look at them yourself"
    can_tell = not why
    found: list[tuple[Component, _Kind, float]] = []
    pale: list[Component] = []
    if can_tell and not all_gone:
        # on a lower layer's lines, which run every way, a thread is not told from them
        over = (
            _threads(parted, shown, canvas, lines, None if more is None else more[..., 0])
            if not below
            else ([], np.zeros_like(wanted))
        )
        found, pale = _found(parted, shown, canvas, lines, smallest_mm, over, bare is not None)
    found.sort(key=lambda item: -item[0].area_mm2)
    untold = parted.wanted & (parted.score < BARE) & np.isinf(parted.over_bed)
    absent = [item for item in there if item.there is False]
    laying = None
    if not unfit and not below:  # what shows in the grooves of an upper layer is not the bed
        of_layer = (lines, canvas, parted.wanted, shown)
        laying = laying_of(mosaic.colours, *of_layer, height_mm)
        # thin lines and the bed between them look alike on the whole, yet line by line they may not
        if not can_tell and (
            parted.separability < SPEAK or not surely_thin(laying, mosaic.colours, *of_layer)
        ):
            laying = None
    return Judgement(
        canvas=canvas,
        defects=(
            *(_absent(number, item, lines) for number, item in enumerate(absent, 1)),
            *(
                _defect(number, piece, kind, sure, lines)
                for number, (piece, kind, sure) in enumerate(found, len(absent) + 1)
            ),
        ),
        offset_mm=offset,
        separability=parted.separability,
        can_tell=can_tell,
        seen_share=float((parted.wanted & seen & ~untold).sum() / max(1, parted.wanted.sum())),
        wanted=parted.wanted,
        score=parted.score,
        objects=tuple(there),
        laying=laying,
        seen=shown & ~untold,
        why=why,
        patches=tuple(piece.box_mm for piece in pale),
        not_looked_for=UPPER_NOT_LOOKED_FOR if below else (),
        outermost_missing=outermost,
    )


def _confirmed(parted: Parted, alike: Mask, mosaic: Mosaic, seen: Mask, within: Mask) -> tuple[Parted, Mask]:
    """Return the score, and what is seen, where the bare bed looks like the print: the map alone must agree.

    There a fault counts that shows in both, in the map alone and in the difference from the bare bed.
    """
    if not alike.any():
        return parted, seen
    alone = part(mosaic.colours, parted.wanted, within, mosaic.canvas, furthest_mm=0.0)
    if alone.separability < SPEAK:
        return parted, seen & ~alike
    low, high = np.minimum(alone.score, parted.score), np.maximum(alone.score, parted.score)
    both = np.where(parted.wanted, high, low)
    return replace(parted, score=np.where(alike, both, parted.score)), seen


def _tells(parted: Parted) -> bool:
    """Return whether filament and bed are different enough to judge lines."""
    return parted.separability >= SPEAK and parted.contrast >= LEAST_CONTRAST


def _slits_left_out(
    parted: Parted, mosaic: Mosaic, seen: Mask, canvas: Canvas, lines: Lines, blur_mm: float
) -> Parted:
    """Return the score as it would be without the slits that the file itself leaves between lines."""
    inside, outside = sure_of(parted.wanted, seen, canvas)
    if min(inside.sum(), outside.sum()) < 50:
        return parted
    filament, bed = (np.median(mosaic.colours[some], axis=0) for some in (inside, outside))
    return replace(parted, score=parted.score + slits_in_score(lines, canvas, blur_mm, filament, bed))


def _absent(number: int, item: PrintedObject, lines: Lines) -> Defect:
    return Defect(
        number=number,
        kind="missing object",
        grade="bad",
        at_mm=item.at_mm,
        box_mm=item.box_mm,
        length_mm=max(item.box_mm[2:]),
        width_mm=min(item.box_mm[2:]),
        file_line=_nearest_line(lines, item.at_mm),
        confidence=round(float(np.clip(1.5 - item.distance / 3.5, 0.5, 0.99)), 2),
    )


def _found(
    parted: Parted,
    seen: Mask,
    canvas: Canvas,
    lines: Lines,
    smallest_mm: float,
    over: tuple[list[tuple[Component, float]], Mask],
    bed_known: bool,
) -> tuple[list[tuple[Component, _Kind, float]], list[Component]]:
    """Return the pieces that are not as they should be, what they are, and how sure that is.

    Where the bare bed is not known, those that lie on it in a paler colour than the filament's are apart.
    """
    slack = SLACK_MM / canvas.step_mm
    seen = ~grown(~seen, slack)  # at the rim of what is dazzled the colours are false
    core = drawn(lines, canvas, -CORE_MM)
    missing = (parted.score < DOUBT) & shrunk(parted.wanted, 0.5 * slack) & seen
    hung, under = over
    beside_thread = grown(under, 2 * slack) if hung else under
    missing &= ~beside_thread
    extra = (parted.score > 0.5) & ~grown(parted.wanted, 2 * slack) & seen & ~beside_thread
    gaps = [
        piece
        for piece in components_of(missing, parted.score, canvas, SMALLEST_GAP_MM2, core)
        if piece.lowest < 0.5
        and piece.length_mm >= smallest_mm
        and _on_a_line(piece)
        and not _mirrors(piece, parted, canvas)
    ]
    found: list[tuple[Component, _Kind, float]] = [(piece, "thread or hair", sure) for piece, sure in hung]
    for piece in gaps:
        sure = piece.contrast * parted.separability / 6
        found.append((piece, "missing line" if piece.length_mm >= LONG_MM else "gap", sure))
    pale: list[Component] = []
    for piece in components_of(extra, parted.score, canvas, SMALLEST_BLOB_MM2):
        if _is_lamp(piece, parted, canvas):
            continue
        long = piece.length_mm > 4 * piece.width_mm and piece.length_mm > 2.0
        beside = any(math.dist(piece.at_mm, gap.at_mm) < NEAR_MM + gap.length_mm / 2 for gap in gaps)
        kind: _Kind = "dragged line" if long or beside else "blob"
        sure = piece.contrast * parted.separability / 6
        if kind == "blob" and piece.highest < PALE and not bed_known:
            pale.append(piece)
        else:
            found.append((piece, kind, sure))
    said = [piece for piece, kind, _ in found if kind == "blob"]
    # at the rim of what is dazzled a line is bright on one side: no lump
    filament = (
        parted.wanted
        & seen
        & ~grown(missing, 1.5 * slack)
        & ~grown(beside_thread, 2 * slack)
        & ~grown(~seen, CLEAR_OF_GLARE_MM / canvas.step_mm)
    )
    for piece, sure in lumps(*relief(parted.lightness, lines, canvas, filament), canvas):
        if not any(math.dist(piece.at_mm, blob.at_mm) < NEAR_MM for blob in said):
            found.append((piece, "blob", sure))
    return found, pale


def _mirrors(piece: Component, parted: Parted, canvas: Canvas) -> bool:
    """Return whether a piece is brighter than the bed beside it, or may be: dark filament mirrors a lamp."""
    box = _box_of(piece, canvas)
    bare = parted.wanted[box] & (parted.score[box] < BARE)
    return bool(bare.any() and np.median(parted.over_bed[box][bare]) > 1)


def _is_lamp(piece: Component, parted: Parted, canvas: Canvas) -> bool:
    """Return whether a piece beside the print is brighter than filament and bed: the bed mirrors the lamp."""
    box = _box_of(piece, canvas)
    extra = ~parted.wanted[box] & (parted.score[box] > 0.5)
    return bool(extra.any() and np.median(parted.over_both[box][extra]) > 1)


def _box_of(piece: Component, canvas: Canvas) -> tuple[slice, slice]:
    x, y, wide, deep = piece.box_mm
    corners = canvas.to_px(np.array([[x, y + deep], [x + wide, y]])) + 0.5
    (left, top), (right, low) = np.rint(corners).astype(int)
    return slice(max(0, top), low), slice(max(0, left), right)


def _threads(
    parted: Parted, seen: Mask, canvas: Canvas, lines: Lines, bed: Float32 | None
) -> tuple[list[tuple[Component, float]], Mask]:
    """Return threads and hairs, and where they lie; beside lines that are missing none are looked for."""
    slack = SLACK_MM / canvas.step_mm
    missing = (parted.score < DOUBT) & shrunk(parted.wanted, 0.5 * slack) & ~grown(~seen, slack)
    core = drawn(lines, canvas, -CORE_MM)
    along = _along_lines(components_of(missing, parted.score, canvas, SMALLEST_GAP_MM2, core), lines)
    clear = seen & ~drawn(along, canvas, 2 * BESIDE_GAP_MM) if len(along) else seen
    lighter = None if bed is None else np.ascontiguousarray(bed)
    return threads(parted.lightness, lines, canvas, parted.wanted, clear, lighter)


def _along_lines(pieces: list[Component], lines: Lines) -> Lines:
    """Return the pieces that are holes in a line: long the way it runs, or shorter than a thread."""
    ends = []
    for piece in pieces:
        way = np.array([math.cos(piece.turn_rad), math.sin(piece.turn_rad)])
        laid = _way_at(lines, piece.at_mm)
        along = piece.length_mm > 2 * piece.width_mm and abs(float(laid @ way)) > ALIGNED
        if along or (piece.length_mm < SHORTEST_THREAD_MM and _on_a_line(piece)):
            middle = np.array(piece.at_mm)
            ends.append((middle - piece.length_mm / 2 * way, middle + piece.length_mm / 2 * way))
    both = np.array(ends, np.float64).reshape(-1, 2, 2)
    return Lines(
        first_mm=both[:, 0],
        last_mm=both[:, 1],
        width_mm=np.full(len(both), 0.5),
        file_line=np.zeros(len(both), np.int64),
    )


def _on_a_line(piece: Component) -> bool:
    """Return whether a piece takes away the middle of a line, where the picture shows bed."""
    return piece.within >= ON_LINES and piece.lowest_within < BARE


def _defect(number: int, piece: Component, kind: _Kind, sure: float, lines: Lines) -> Defect:
    return Defect(
        number=number,
        kind=kind,
        grade=_grade(piece, kind),
        at_mm=piece.at_mm,
        box_mm=piece.box_mm,
        length_mm=round(piece.length_mm, 2),
        width_mm=round(piece.width_mm, 2),
        file_line=_nearest_line(lines, piece.at_mm),
        confidence=round(float(np.clip(sure, 0, 1)), 2),
    )


def _grade(piece: Component, kind: _Kind) -> Grade:
    if kind == "thread or hair":  # the next layer may bury it
        return "clear" if piece.length_mm > LONG_THREAD_MM else "slight"
    if kind == "missing line" or piece.length_mm > 3.0 or piece.area_mm2 > 6.0:
        return "bad"
    return "clear" if piece.length_mm >= 0.8 else "slight"


def _nearest_line(lines: Lines, at_mm: tuple[float, float]) -> int | None:
    return int(lines.file_line[_nearest(lines, at_mm)]) if len(lines) else None


def _way_at(lines: Lines, at_mm: tuple[float, float]) -> Float:
    """Return the direction of the nearest line, (2,)."""
    which = _nearest(lines, at_mm)
    way = lines.last_mm[which] - lines.first_mm[which]
    return np.asarray(way / max(float(np.hypot(*way)), 1e-9))


def _nearest(lines: Lines, at_mm: tuple[float, float]) -> int:
    point = np.array(at_mm)
    way = lines.last_mm - lines.first_mm
    share = ((point - lines.first_mm) * way).sum(axis=1) / np.maximum((way**2).sum(axis=1), 1e-12)
    foot = lines.first_mm + np.clip(share, 0, 1)[:, None] * way
    return int(np.hypot(*(foot - point).T).argmin())
