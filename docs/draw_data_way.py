"""Draw the way of the data through the rooms of the package, from its real imports.

    python docs/draw_data_way.py

writes docs/pictures/data_way.svg: one box a room, an arrow from a room to each room that imports it directly.
An arrow that follows from two others is left out. A test runs this and fails when the picture is stale.
"""

from __future__ import annotations

import ast
from collections.abc import Iterable
from pathlib import Path
from xml.sax.saxutils import escape

HERE = Path(__file__).resolve().parent
PACKAGE = HERE.parent / "twinlapse"
PICTURE = HERE / "pictures" / "data_way.svg"

# room -> (column, what leaves it); the file half left, what both share in the middle, the picture half right
ROOMS: dict[str, tuple[float, str]] = {
    "rig": (1.5, "printer and cameras"),
    "optics": (2, "where a camera looks"),
    "gcode": (0, "toolpath, layers"),
    "motion": (0, "seconds of every move"),
    "plan": (1, "shots and stops"),
    "inject": (0, "written file, proof"),
    "frames": (5, "job folder, journal"),
    "cameras": (4, "pictures as they come"),
    "capture": (4, "frames of a live print"),
    "pairing": (3, "frames of recordings"),
    "imaging": (6, "shifts, light"),
    "tracking": (5.5, "what the frames did"),
    "film": (5.5, "the film"),
    "firstlayer": (3, "map of layer 1"),
    "rehearsal": (2, "a simulated print"),
    "serve": (4, "the always-on service"),
    "cli": (3, "commands"),
}
BOX_WIDTH, BOX_HEIGHT = 148, 44  # px
COLUMN_PX, RANK_PX, MARGIN_PX = 168, 104, 16
INK, LINE, FILL = "#243026", "#7d8a80", "#f4f7f2"


def imports_between(package: Path = PACKAGE, rooms: Iterable[str] = ROOMS) -> set[tuple[str, str]]:
    """Return pairs (importer, imported) of rooms, function-level imports included."""
    known = set(rooms)
    pairs = set()
    for path in package.rglob("*.py"):
        room = path.relative_to(package).parts[0]
        for node in ast.walk(ast.parse(path.read_text("utf-8"))):
            if isinstance(node, ast.ImportFrom) and (node.module or "").startswith("twinlapse."):
                imported = str(node.module).split(".")[1]
                if room in known and imported in known and room != imported:
                    pairs.add((room, imported))
    return pairs


def reduced(pairs: set[tuple[str, str]]) -> set[tuple[str, str]]:
    """Return the pairs that do not follow from others (the transitive reduction of an acyclic graph)."""
    below = {room: {b for a, b in pairs if a == room} for pair in pairs for room in pair}
    reach: dict[str, set[str]] = {}

    def reached(room: str) -> set[str]:
        if room not in reach:
            reach[room] = set().union(*({b} | reached(b) for b in below[room])) if below[room] else set()
        return reach[room]

    return {(a, b) for a, b in pairs if not any(b in reached(c) for c in below[a] if c != b)}


def ranks(pairs: set[tuple[str, str]]) -> dict[str, int]:
    """Return for each room the length of the longest chain of imports below it."""
    below = {room: {b for a, b in pairs if a == room} for room in ROOMS}
    rank: dict[str, int] = {}

    def ranked(room: str) -> int:
        if room not in rank:
            rank[room] = max((1 + ranked(b) for b in below[room]), default=0)
        return rank[room]

    return {room: ranked(room) for room in ROOMS}


def svg() -> str:
    """Return the picture as text."""
    pairs = reduced(imports_between() - {("rig", "optics")})  # siblings: a rig is checked by its optics
    rank = ranks(pairs)
    place = {
        room: (MARGIN_PX + column * COLUMN_PX, MARGIN_PX + rank[room] * RANK_PX)
        for room, (column, _) in ROOMS.items()
    }
    width = max(x for x, _ in place.values()) + BOX_WIDTH + MARGIN_PX
    height = max(y for _, y in place.values()) + BOX_HEIGHT + MARGIN_PX
    parts = [
        f'<svg xmlns="http://www.w3.org/2000/svg" width="{width:g}" height="{height:g}" '
        f'viewBox="0 0 {width:g} {height:g}" font-family="sans-serif" role="img" '
        'aria-label="Rooms of the package and the way of the data through them">',
        '<defs><marker id="to" viewBox="0 0 8 8" refX="7" refY="4" markerWidth="7" markerHeight="7" '
        f'orient="auto"><path d="M0 0L8 4L0 8z" fill="{LINE}"/></marker></defs>',
        f'<rect width="{width:g}" height="{height:g}" fill="white"/>',
    ]
    for importer, imported in sorted(pairs):
        (x0, y0), (x1, y1) = place[imported], place[importer]
        start, end = (x0 + BOX_WIDTH / 2, y0 + BOX_HEIGHT), (x1 + BOX_WIDTH / 2, y1)
        bend = (end[1] - start[1]) / 2
        parts.append(
            f'<path d="M{start[0]:g} {start[1]:g}C{start[0]:g} {start[1] + bend:g} {end[0]:g} '
            f'{end[1] - bend:g} {end[0]:g} {end[1]:g}" fill="none" stroke="{LINE}" stroke-width="1.4" '
            'marker-end="url(#to)"/>'
        )
    for room, (_, gives) in ROOMS.items():
        x, y = place[room]
        middle = x + BOX_WIDTH / 2
        parts.append(
            f'<rect x="{x:g}" y="{y:g}" width="{BOX_WIDTH}" height="{BOX_HEIGHT}" rx="6" fill="{FILL}" '
            f'stroke="{INK}"/>'
            f'<text x="{middle:g}" y="{y + 18:g}" text-anchor="middle" font-size="14" font-weight="bold" '
            f'fill="{INK}">{escape(room)}</text>'
            f'<text x="{middle:g}" y="{y + 35:g}" text-anchor="middle" font-size="11" fill="{INK}">'
            f"{escape(gives)}</text>"
        )
    return "\n".join([*parts, "</svg>", ""])


if __name__ == "__main__":
    PICTURE.write_text(svg(), "utf-8")
