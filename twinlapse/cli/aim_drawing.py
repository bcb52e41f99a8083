"""What is held against a camera's picture: where tip, horizon and bed should be; and the target page."""

from __future__ import annotations

import io
from pathlib import Path
from typing import Any

import numpy as np
from PIL import Image, ImageDraw, ImageFont

from twinlapse.files import write_bytes
from twinlapse.optics.aiming_lines import LineKind, aim_lines, visible_runs
from twinlapse.optics.pose import Pose, see
from twinlapse.rig import Lens, Printer

__all__ = ["A4_MM", "DOTS_MM", "GRID", "HORIZON", "TIP", "VOLUME", "draw_aim", "target_page"]

GRID = (90, 220, 160)
TIP = (255, 210, 60)
HORIZON = (90, 170, 255)
VOLUME = (230, 168, 255)
_BOARD = (255, 80, 80)
_INKS: dict[LineKind, tuple[tuple[int, int, int], int]] = {  # colour, width in pixels
    "volume": (VOLUME, 1), "grid": (GRID, 1), "outline": (GRID, 3), "horizon": (HORIZON, 2)
}  # fmt: skip
DOTS_MM = 10  # of the target page: 254 dots per inch, so that a millimetre is a whole number of dots
A4_MM = (297, 210)


def draw_aim(
    picture: Any,
    pose: Pose,
    lens: Lens,
    printer: Printer,
    nozzle_mm: tuple[float, float, float],
    path: Path,
    board_mm: Any = None,
) -> None:
    """Draw over a picture what the camera should see from a pose; points of a board as dots."""
    scale = max(1, round(1280 / lens.width_px))
    image = Image.fromarray(picture).convert("RGB").resize((lens.width_px * scale, lens.height_px * scale))
    pen = ImageDraw.Draw(image)
    for line in aim_lines(pose, lens, printer, nozzle_mm):
        for run in visible_runs(line.pixels, lens):
            places = [(float(x), float(y)) for x, y in (run + 0.5) * scale]
            pen.line(places, *_INKS[line.kind])
    tip = see(np.array(nozzle_mm), pose, lens)
    if np.isfinite(tip).all():
        x, y = (tip + 0.5) * scale
        pen.line([(x - 25, y), (x + 25, y)], TIP, 2)
        pen.line([(x, y - 25), (x, y + 25)], TIP, 2)
        pen.ellipse([x - 12, y - 12, x + 12, y + 12], outline=TIP, width=2)
    for x, y in (see(board_mm, pose, lens) + 0.5) * scale if board_mm is not None else ():
        pen.ellipse([x - 5, y - 5, x + 5, y + 5], outline=_BOARD, width=2)
    font = ImageFont.load_default(size=18)
    words = (
        ("nozzle tip", TIP),
        ("horizon", HORIZON),
        ("build volume", VOLUME),
        ("bed, lines every 10 mm near the tip, else 50 mm", GRID),
    )
    for row, (word, colour) in enumerate(words):
        pen.text((12, 10 + 22 * row), word, fill=colour, font=font, stroke_width=2, stroke_fill=(0, 0, 0))
    _save(image, path)


def target_page(corners: tuple[int, int], square_mm: float, path: Path) -> None:
    """Draw a chessboard on an A4 page to scale (.pdf or .png): it must measure what it says.

    Raises
    ------
    ValueError
        when the board does not fit on the page.
    """
    size = (round(A4_MM[0] * DOTS_MM), round(A4_MM[1] * DOTS_MM))
    side = round(square_mm * DOTS_MM)
    wide, high = (corners[0] + 1) * side, (corners[1] + 1) * side
    if wide > size[0] - 2 * side or high > size[1] - 2 * side - 150:
        raise ValueError("the board with its margin does not fit on an A4 page")
    image = Image.new("L", size, 255)
    pen = ImageDraw.Draw(image)
    left, top = (size[0] - wide) // 2, (size[1] - high) // 2
    for row in range(corners[1] + 1):
        for column in range(corners[0] + 1):
            if (row + column) % 2 == 0:
                x, y = left + column * side, top + row * side
                pen.rectangle([x, y, x + side - 1, y + side - 1], fill=0)
    # beside the front left corner of the page: the inner corner that the places are counted from
    mark = (left + side, top + high - side)
    pen.line([(left - side, mark[1]), (left - 20, mark[1])], 0, 4)
    pen.line([(mark[0], top + high + 20), (mark[0], top + high + side)], 0, 4)
    font = ImageFont.load_default(size=34)
    told = (
        f"{corners[0]} x {corners[1]} inner corners, squares of {square_mm:g} mm. Print at 100 %, measure. "
        "The two ticks meet at the marked corner."
    )
    pen.text((left, size[1] - 130), told, fill=0, font=font)
    pen.text((left + wide - 330, size[1] - 80), "this side to the front", fill=0, font=font)
    _save(image, path)


def _save(image: Image.Image, path: Path) -> None:
    data = io.BytesIO()
    kind = {".pdf": "PDF", ".jpg": "JPEG", ".jpeg": "JPEG"}.get(path.suffix.lower(), "PNG")
    dots = DOTS_MM * 25.4
    image.save(data, kind, **({"resolution": dots} if kind == "PDF" else {"dpi": (dots, dots)}))
    write_bytes(path, data.getvalue())
