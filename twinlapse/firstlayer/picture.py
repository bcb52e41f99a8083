"""The map as pictures: the photograph with what was found boxed, what should be there, and the difference."""

from __future__ import annotations

import math

import cv2
import numpy as np
from PIL import Image, ImageDraw, ImageFont

from twinlapse.arrays import Bool, Picture
from twinlapse.firstlayer.canvas import Canvas
from twinlapse.firstlayer.classify import Defect, Judgement
from twinlapse.firstlayer.corner_monitor import CornerMonitor
from twinlapse.firstlayer.corner_strip import Strip
from twinlapse.firstlayer.laying import CELL_SIDE_MM, Laid
from twinlapse.firstlayer.mosaic import Mosaic

__all__ = [
    "EXTRA",
    "LAID_COLOURS",
    "LEAST_PX",
    "MISSING",
    "UNSEEN",
    "WANTED",
    "difference",
    "expectation",
    "laying_picture",
    "photograph",
    "strip_picture",
]

_COLOURS = {"bad": (255, 70, 70), "clear": (255, 165, 40), "slight": (255, 230, 90)}
UNSEEN = (70, 70, 78)
WANTED = (210, 214, 205)
_BARE = (32, 36, 40)
MISSING = (230, 60, 60)
EXTRA = (80, 140, 255)
LAID_COLOURS: dict[Laid, tuple[int, int, int]] = {
    "not known": (128, 128, 128),
    "good": (70, 190, 110),
    "too high or too low": (235, 235, 210),
    "too squished": (80, 140, 255),
    "ridges": (190, 90, 230),
    "too high": (255, 200, 60),
    "thin": (235, 60, 60),
}
_RANK: list[Laid] = list(LAID_COLOURS)
_DASHES, _DASH_PX = ((80, 220, 255), (10, 30, 50)), 12
_TILE_PX = 160  # of a corner in its strip
LEAST_PX = 900  # a small map is enlarged to this width


def photograph(mosaic: Mosaic, judgement: Judgement | None = None, sharp: Bool | None = None) -> Picture:
    """Return the layer from straight above with a scale, and with boxes where something was found.

    `sharp` (height, width) is where the pictures are sharp: a dashed line bounds it where more is seen.
    """
    colours = np.where(mosaic.seen[..., None], mosaic.colours, np.array(UNSEEN, np.uint8))
    if judgement is None:
        return _finished(colours.astype(np.uint8), mosaic.canvas, ())
    finished = _finished(colours.astype(np.uint8), judgement.canvas, judgement.defects)
    return finished if sharp is None else _dashed(finished, sharp, mosaic.seen)


def expectation(mosaic: Mosaic, judgement: Judgement) -> Picture:
    """Return what the toolpath says should be there."""
    colours = np.where(judgement.wanted[..., None], np.array(WANTED), np.array(_BARE))
    colours = np.where(mosaic.seen[..., None], colours, (colours + np.array(UNSEEN)) // 2)
    return _finished(colours.astype(np.uint8), mosaic.canvas, ())


def difference(mosaic: Mosaic, judgement: Judgement) -> Picture:
    """Return in red what is missing and in blue what is too much."""
    there = judgement.score > 0.5
    wanted = judgement.wanted
    colours = np.where(wanted[..., None], np.array(WANTED) // 2, np.array(_BARE))
    if judgement.can_tell:
        colours = np.where((wanted & ~there)[..., None], np.array(MISSING), colours)
        colours = np.where((~wanted & there)[..., None], np.array(EXTRA), colours)
    colours = np.where(mosaic.seen[..., None], colours, np.array(UNSEEN))
    return _finished(colours.astype(np.uint8), judgement.canvas, judgement.defects)


def laying_picture(mosaic: Mosaic, judgement: Judgement) -> Picture | None:
    """Return the layer with a tint over each region by how it is laid; None where nothing is known.

    Where lines of several directions share a region, the worst of them counts.
    """
    if judgement.laying is None or not judgement.laying.regions:
        return None
    canvas, side = judgement.canvas, CELL_SIDE_MM
    colours = np.where(mosaic.seen[..., None], mosaic.colours, np.array(UNSEEN, np.uint8)).astype(np.float32)
    for region in sorted(judgement.laying.regions, key=lambda region: _RANK.index(region.laid)):
        left, front = (side * math.floor(v / side) for v in region.at_mm)
        ends = canvas.to_px(np.array([[left, front + side], [left + side, front]])) + 0.5
        (x0, y0), (x1, y1) = np.clip(np.round(ends), 0, [canvas.width, canvas.height]).astype(int).tolist()
        box = (slice(y0, y1), slice(x0, x1))
        own = judgement.wanted[box][..., None]
        tint = 0.5 * mosaic.colours[box] + 0.5 * np.array(LAID_COLOURS[region.laid], np.float32)
        colours[box] = np.where(own, tint, colours[box])
    return _finished(np.clip(colours, 0, 255).astype(np.uint8), canvas, ())


def strip_picture(strip: Strip, watch: CornerMonitor, layers: tuple[int, ...]) -> Picture:
    """Return one corner over the layers side by side, with place, layer and rise."""
    x, y = strip.corner_mm
    font = ImageFont.load_default(size=13)
    sheet = Image.new("RGB", ((_TILE_PX + 4) * len(layers) - 4, _TILE_PX + 20), _BARE)
    pen = ImageDraw.Draw(sheet)
    for k, (picture, layer, lift) in enumerate(zip(strip.pictures, layers, watch.lift_mm, strict=True)):
        left = k * (_TILE_PX + 4)
        if picture is None:
            pen.rectangle([left, 0, left + _TILE_PX - 1, _TILE_PX - 1], fill=UNSEEN)
            words = f"layer {layer + 1}: not seen"
        else:
            sheet.paste(
                Image.fromarray(picture).resize((_TILE_PX, _TILE_PX), Image.Resampling.BICUBIC), (left, 0)
            )
            words = f"layer {layer + 1}: {lift:+.2f} mm" if k else f"X{x:.0f} Y{y:.0f}, layer {layer + 1}"
        up = watch.since is not None and k >= watch.since
        pen.text((left + 3, _TILE_PX + 2), words, fill=_COLOURS["bad"] if up else WANTED, font=font)
        if up:
            pen.rectangle([left, 0, left + _TILE_PX - 1, _TILE_PX - 1], outline=_COLOURS["bad"], width=3)
    return np.asarray(sheet, np.uint8)


def _finished(colours: Picture, canvas: Canvas, defects: tuple[Defect, ...]) -> Picture:
    scale = max(1, -(-LEAST_PX // canvas.width))
    size = (canvas.width * scale, canvas.height * scale)
    image = Image.fromarray(colours).resize(size, Image.Resampling.BICUBIC)
    pen = ImageDraw.Draw(image)
    font = ImageFont.load_default(size=18)
    for defect in defects:
        x, y, wide, deep = defect.box_mm
        corners = canvas.to_px(np.array([[x, y + deep], [x + wide, y]])) + 0.5
        (left, top), (right, bottom) = (corners * scale + [[-7, -7], [7, 7]]).tolist()
        pen.rectangle([left, top, right, bottom], outline=_COLOURS[defect.grade], width=3)
        place = (right + 3, max(0.0, top - 4))
        pen.text(
            place,
            str(defect.number),
            fill=_COLOURS[defect.grade],
            font=font,
            stroke_width=2,
            stroke_fill=(0, 0, 0),
        )
    _scale_bar(pen, canvas, scale, size, font)
    return np.asarray(image, np.uint8)


def _dashed(picture: Picture, mask: Bool, seen: Bool) -> Picture:
    """Return a picture of the map with dashes along the edge of the sharp part, where both sides are seen."""
    scale = picture.shape[1] // mask.shape[1]
    image = Image.fromarray(picture)
    pen = ImageDraw.Draw(image)
    dash = max(2, round(_DASH_PX / scale))
    inner = cv2.erode(seen.astype(np.uint8), np.ones((5, 5), np.uint8)) > 0
    for outline in cv2.findContours(mask.astype(np.uint8), cv2.RETR_CCOMP, cv2.CHAIN_APPROX_NONE)[0]:
        at = outline.reshape(-1, 2)
        for k, start in enumerate(range(0, len(at) - 1, dash)):
            part = at[start : start + dash + 1]
            if inner[part[:, 1], part[:, 0]].all():
                ends = [((x + 0.5) * scale, (y + 0.5) * scale) for x, y in part.tolist()]
                pen.line(ends, fill=_DASHES[k % 2], width=2)
    beyond = cv2.distanceTransform((seen & ~mask).astype(np.uint8), cv2.DIST_L2, 3)
    if beyond.max() * scale > _DASH_PX:
        y, x = np.unravel_index(int(beyond.argmax()), beyond.shape)
        middle = ((int(x) + 0.5) * scale, (int(y) + 0.5) * scale)
        font = ImageFont.load_default(size=14)
        pen.text(middle, "less sharp", _DASHES[0], font, "mm", stroke_width=2, stroke_fill=_DASHES[1])
    return np.asarray(image, np.uint8)


def _scale_bar(
    pen: ImageDraw.ImageDraw,
    canvas: Canvas,
    scale: int,
    size: tuple[int, int],
    font: ImageFont.ImageFont | ImageFont.FreeTypeFont,
) -> None:
    long_mm = next((n for n in (50, 20, 10, 5, 2) if n / canvas.step_mm < canvas.width / 3), 1)
    long_px = long_mm / canvas.step_mm * scale
    left, low = 14, size[1] - 16
    pen.rectangle([left - 6, low - 30, left + long_px + 60, low + 10], fill=(0, 0, 0))
    pen.rectangle([left, low - 4, left + long_px, low], fill=(255, 255, 255))
    pen.text((left, low - 28), f"{long_mm} mm", fill=(255, 255, 255), font=font)
