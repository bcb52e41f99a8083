"""What the picture of a layer shows against what the toolpath asks for.

The two materials are told apart by colour and shade: where lines should lie and where none should, the
picture itself shows what filament and bed look like. A linear discriminant (Fisher 1936) of these two sets
scores every pixel, 0 bed and 1 filament. Where they cannot be told apart the answer is "cannot tell".
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Literal

import cv2
import numpy as np
from numpy.typing import NDArray

from twinlapse.errors import FrameError
from twinlapse.firstlayer.canvas import Canvas, Float, Float32
from twinlapse.firstlayer.expected import Lines, drawn
from twinlapse.firstlayer.mosaic import Mosaic

Mask = NDArray[np.bool_]
Kind = Literal["gap", "missing line", "blob", "dragged line"]
Grade = Literal["slight", "clear", "bad"]

BLUR_MM = 0.12  # of the picture before it is judged
SLACK_MM = 0.2  # a line may lie beside its place by this much; common practice, no source
# distance of the two materials, in spreads, below which nothing is said: on rehearsed pictures sound layers
# at 5 to 8 were accused (light falls off from the middle to the rim), those at 14 and more never
SPEAK = 10.0
ODD = 0.05  # share of each material's pixels that may be something else
SMALLEST_GAP_MM2 = 0.10
SMALLEST_BLOB_MM2 = 0.5
LONG_MM = 4.0  # a gap as long as this, and at least as long as most of a piece of line, is a missing line
NEAR_MM = 2.5  # a blob this near to a gap is what should lie in it
TEXTURE_MM = 0.5
FURTHEST_MM = 1.5  # the whole map may stand off the toolpath by this much: an error of the camera's pose


@dataclass(frozen=True, slots=True, kw_only=True)
class Defect:
    """One thing that is not as the toolpath says."""

    number: int
    kind: Kind
    grade: Grade
    at_mm: tuple[float, float]  # its middle
    box_mm: tuple[float, float, float, float]  # x, y of its front left corner, width, depth
    length_mm: float
    width_mm: float
    file_line: int | None  # of the nearest line of the sliced file
    confidence: float  # 0 to 1


@dataclass(frozen=True, slots=True, kw_only=True)
class Judgement:
    """What was found on one layer; places are the sliced file's."""

    canvas: Canvas  # of the map, moved onto the toolpath
    defects: tuple[Defect, ...]
    offset_mm: tuple[float, float]  # by which the whole map stood off the toolpath
    separability: float  # distance of filament and bed in their spread
    can_tell: bool
    seen_share: float  # of the expected area that the map shows
    wanted: Mask  # where lines should lie
    score: Float32  # 0 bed to 1 filament

    @property
    def sound(self) -> bool | None:
        """Whether nothing was found; None where it cannot be told."""
        if self.defects:
            return False
        return True if self.can_tell else None


def judge(mosaic: Mosaic, lines: Lines, *, smallest_mm: float = 0.5) -> Judgement:
    """Return what is wrong with a layer.

    Parameters
    ----------
    mosaic : Mosaic
    lines : Lines
        What should lie there.
    smallest_mm : float
        A gap shorter than this is not told.

    Raises
    ------
    FrameError
        when the map shows nothing of the layer.
    """
    canvas = mosaic.canvas
    wanted = drawn(lines, canvas)
    features = _features(mosaic.colours, canvas)
    if (wanted & mosaic.seen).sum() < 200:
        raise FrameError("the frames show nothing of the layer", "check the camera's pose in the rig file")
    offset_px = _offset(features, wanted, mosaic.seen, canvas)
    wanted = _moved(wanted, offset_px)
    score, separability = _score(features, wanted, mosaic.seen, canvas)
    can_tell = separability >= SPEAK
    offset = (offset_px[0] * canvas.step_mm, -offset_px[1] * canvas.step_mm)
    canvas = replace(canvas, left_mm=canvas.left_mm - offset[0], back_mm=canvas.back_mm - offset[1])
    found: list[Defect] = []
    if can_tell:
        found = _defects(score, wanted, mosaic.seen, canvas, lines, smallest_mm, separability)
    return Judgement(
        canvas=canvas,
        defects=tuple(found),
        offset_mm=offset,
        separability=separability,
        can_tell=can_tell,
        seen_share=float((wanted & mosaic.seen).sum() / max(1, wanted.sum())),
        wanted=wanted,
        score=score,
    )


def _features(colours: NDArray[np.uint8], canvas: Canvas) -> Float32:
    lab = cv2.cvtColor(colours.astype(np.float32) / 255, cv2.COLOR_RGB2LAB)
    smooth = cv2.GaussianBlur(lab, (0, 0), BLUR_MM / canvas.step_mm)
    # what is rough and what is smooth: a textured sheet, drawn lines
    rough = np.abs(lab[..., 0] - cv2.GaussianBlur(lab[..., 0], (0, 0), 2.0))
    rough = np.sqrt(cv2.GaussianBlur(rough, (0, 0), TEXTURE_MM / canvas.step_mm))
    return np.asarray(np.dstack([smooth, rough]), np.float32)


def _offset(features: Float32, wanted: Mask, seen: Mask, canvas: Canvas) -> tuple[int, int]:
    """Return the shift in pixels (x, y) of the toolpath that parts the two materials best."""
    reach = round(FURTHEST_MM / canvas.step_mm)
    best, at = -1.0, (0, 0)
    step = max(1, reach // 5)
    spans = [(0, 0, reach, step), (None, None, step, 1)]
    for x0, y0, span, stride in spans:
        centre = (at[0] if x0 is None else 0, at[1] if y0 is None else 0)
        for dx in range(-span, span + 1, stride):
            for dy in range(-span, span + 1, stride):
                here = (centre[0] + dx, centre[1] + dy)
                parted = _parted(features, _moved(wanted, here), seen)
                if parted > best + 1e-6:
                    best, at = parted, here
    return at


def _parted(features: Float32, wanted: Mask, seen: Mask) -> float:
    """Return the distance of the two sets in their common spread (Mahalanobis), on every third pixel."""
    thin = (slice(None, None, 3), slice(None, None, 3))
    inside, outside = (wanted & seen)[thin], (~wanted & seen)[thin]
    if inside.sum() < 20 or outside.sum() < 20:
        return 0.0
    return _fisher(features[thin][inside], features[thin][outside])[1]


def _fisher(inside: Float32, outside: Float32) -> tuple[Float, float, float, float]:
    """Return direction, distance in spreads, and both means along the direction."""
    a, b = inside.astype(np.float64), outside.astype(np.float64)
    spread = (np.cov(a.T) * len(a) + np.cov(b.T) * len(b)) / (len(a) + len(b)) + 1e-3 * np.eye(a.shape[1])
    apart = a.mean(axis=0) - b.mean(axis=0)
    way = np.linalg.solve(spread, apart)
    return (
        way,
        math.sqrt(max(0.0, float(apart @ way))),
        float(a.mean(axis=0) @ way),
        float(b.mean(axis=0) @ way),
    )


def _score(features: Float32, wanted: Mask, seen: Mask, canvas: Canvas) -> tuple[Float32, float]:
    """Return the score of every pixel and how well the two materials part, defects themselves left out."""
    slack = SLACK_MM / canvas.step_mm
    sure_in = _shrunk(wanted, slack) & seen
    sure_out = ~_grown(wanted, 2.5 * slack) & seen
    if sure_in.sum() < 50:
        sure_in = wanted & seen
    if sure_out.sum() < 50:
        return np.zeros(wanted.shape, np.float32), 0.0
    score = np.zeros(wanted.shape, np.float32)
    for turn in range(3):
        # the worst of each set may be a defect; to leave out more would flatter the distance
        keep_in = sure_in & (score > np.quantile(score[sure_in], ODD)) if turn else sure_in
        keep_out = sure_out & (score < np.quantile(score[sure_out], 1 - ODD)) if turn else sure_out
        if min(keep_in.sum(), keep_out.sum()) < 50:
            return score, 0.0
        way, apart, high, low = _fisher(features[keep_in], features[keep_out])
        score = ((features @ way - low) / max(high - low, 1e-9)).astype(np.float32)
    return score, apart


def _defects(
    score: Float32,
    wanted: Mask,
    seen: Mask,
    canvas: Canvas,
    lines: Lines,
    smallest_mm: float,
    separability: float,
) -> list[Defect]:
    slack = SLACK_MM / canvas.step_mm
    missing = (score < 0.5) & _shrunk(wanted, 0.5 * slack) & seen
    extra = (score > 0.5) & ~_grown(wanted, 2 * slack) & seen
    gaps = _pieces(missing, score, canvas, SMALLEST_GAP_MM2)
    blobs = _pieces(extra, score, canvas, SMALLEST_BLOB_MM2)
    found: list[tuple[_Piece, Kind]] = []
    for piece in gaps:
        if piece.length_mm < smallest_mm:
            continue
        found.append((piece, "missing line" if piece.length_mm >= LONG_MM else "gap"))
    for piece in blobs:
        long = piece.length_mm > 4 * piece.width_mm and piece.length_mm > 2.0
        beside = any(math.dist(piece.at_mm, gap.at_mm) < NEAR_MM + gap.length_mm / 2 for gap in gaps)
        found.append((piece, "dragged line" if long or beside else "blob"))
    found.sort(key=lambda item: -item[0].area_mm2)
    return [
        Defect(
            number=number,
            kind=kind,
            grade=_grade(piece, kind),
            at_mm=piece.at_mm,
            box_mm=piece.box_mm,
            length_mm=round(piece.length_mm, 2),
            width_mm=round(piece.width_mm, 2),
            file_line=_nearest_line(lines, piece.at_mm),
            confidence=round(float(np.clip(piece.contrast * separability / 6, 0, 1)), 2),
        )
        for number, (piece, kind) in enumerate(found, 1)
    ]


@dataclass(frozen=True, slots=True, kw_only=True)
class _Piece:
    at_mm: tuple[float, float]
    box_mm: tuple[float, float, float, float]
    length_mm: float
    width_mm: float
    area_mm2: float
    contrast: float  # how far its score is from the middle, 0 to 1


def _pieces(mask: Mask, score: Float32, canvas: Canvas, smallest_mm2: float) -> list[_Piece]:
    whole = cv2.morphologyEx(mask.astype(np.uint8), cv2.MORPH_OPEN, np.ones((2, 2), np.uint8))
    count, labels, stats, _ = cv2.connectedComponentsWithStats(whole, connectivity=8)
    step = canvas.step_mm
    pieces = []
    for label in range(1, count):
        area = float(stats[label, cv2.CC_STAT_AREA]) * step**2
        if area < smallest_mm2:
            continue
        x, y, w, h = (int(v) for v in stats[label, :4])
        own = labels[y : y + h, x : x + w] == label
        outline = np.argwhere(own)[:, ::-1].astype(np.float32)
        (cx, cy), size, _ = cv2.minAreaRect(outline)
        sides = sorted((side + 1) * step for side in size)
        at = canvas.to_mm(np.array([cx + x, cy + y]))
        corner = canvas.to_mm(np.array([x - 0.5, y + h - 0.5]))
        pieces.append(
            _Piece(
                at_mm=(round(float(at[0]), 2), round(float(at[1]), 2)),
                box_mm=(
                    round(float(corner[0]), 2),
                    round(float(corner[1]), 2),
                    round(w * step, 2),
                    round(h * step, 2),
                ),
                length_mm=float(sides[1]),
                width_mm=float(sides[0]),
                area_mm2=area,
                contrast=float(np.abs(2 * np.clip(score[y : y + h, x : x + w][own], 0, 1) - 1).mean()),
            )
        )
    return pieces


def _grade(piece: _Piece, kind: Kind) -> Grade:
    if kind == "missing line" or piece.length_mm > 3.0 or piece.area_mm2 > 6.0:
        return "bad"
    return "clear" if piece.length_mm >= 0.8 else "slight"


def _nearest_line(lines: Lines, at_mm: tuple[float, float]) -> int | None:
    point = np.array(at_mm)
    way = lines.last_mm - lines.first_mm
    share = ((point - lines.first_mm) * way).sum(axis=1) / np.maximum((way**2).sum(axis=1), 1e-12)
    foot = lines.first_mm + np.clip(share, 0, 1)[:, None] * way
    return int(lines.file_line[np.hypot(*(foot - point).T).argmin()]) if len(lines) else None


def _moved(mask: Mask, shift_px: tuple[int, int]) -> Mask:
    dx, dy = shift_px
    out = np.zeros_like(mask)
    h, w = mask.shape
    out[max(dy, 0) : h + min(dy, 0), max(dx, 0) : w + min(dx, 0)] = mask[
        max(-dy, 0) : h + min(-dy, 0), max(-dx, 0) : w + min(-dx, 0)
    ]
    return out


def _shrunk(mask: Mask, by_px: float) -> Mask:
    far = cv2.distanceTransform(mask.astype(np.uint8), cv2.DIST_L2, 5)
    return np.asarray(far > by_px)


def _grown(mask: Mask, by_px: float) -> Mask:
    far = cv2.distanceTransform((~mask).astype(np.uint8), cv2.DIST_L2, 5)
    return np.asarray(far <= by_px)
