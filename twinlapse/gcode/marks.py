"""Comments that mark layers and objects, whatever program wrote them; docs/reading.md lists the styles."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass

from twinlapse.gcode.toolpath import Note

_NUMBER = r"[-+]?(?:\d+\.?\d*|\.\d+)"

# a style's name -> what a comment looks like that begins a layer; n: its number, z: its height
STYLES: dict[str, re.Pattern[str]] = {
    name: re.compile(pattern, re.IGNORECASE)
    for name, pattern in {
        "layer-n": r"^; ?layer(?::| #?| number:? ?)(?P<n>-?\d+)(?: of \d+)?$",
        "layer-n-z": rf"^; ?layer:? ?(?P<n>-?\d+)[,;:]? *\(?(?:z|height|h) ?[:=]? ?(?P<z>{_NUMBER})",
        "layer-change": r"^; ?(?:before_)?layer_change\b|^; ?change_layer\b",
        "object-layer": rf"^; ?begin_layer_object z ?= ?(?P<z>{_NUMBER})",
        "dashed": rf"^;+ ?-+ ?layer (?P<n>-?\d+) \((?P<h>{_NUMBER})(?: mm)? ?@ ?(?P<z>{_NUMBER})",
        "tagged": rf"^[(;] ?<layer>\)? ?(?P<z>{_NUMBER})?",
        "slice": rf"^[(;] ?slice (?P<n>-?\d+)(?:[, ]+(?P<z>{_NUMBER}))?",
        "next-layer": r"^;.*\b(?:move to|begin|start of|starting) (?:next )?layer:? ?\(?(?P<n>-?\d+)\)?",
        "statistics": r"^SET_PRINT_STATS_INFO .*CURRENT_LAYER ?= ?(?P<n>\d+)",
        "display": r"^M117 .*\blayer:? ?(?P<n>\d+)\b",
    }.items()
}
_ANY_LAYER = re.compile(r"(?i)layer|slice")
_Z = re.compile(rf"(?i)^; ?(?:z|z_height) ?[:=] ?(?P<z>{_NUMBER})")
_COUNT = re.compile(
    r"(?i)^; ?(?:layer[_ ]count|total layer number|layers?_count|total layers)[:= ]+(?P<n>\d+)$"
)
_OBJECT = (
    re.compile(r"^;\s?MESH:\s*(?P<name>.+)$"),
    re.compile(r"(?i)^; ?printing object +(?P<name>.+)$"),
    re.compile(r"^EXCLUDE_OBJECT_START +.*NAME ?= ?'?(?P<name>[^\s']+)"),
    re.compile(r"(?i)^M486 ?S ?(?P<name>\d+)"),
)
_NO_OBJECT = re.compile(r"(?i)nonmesh|^-1$")
_RAFT = re.compile(r"(?i)^[;(] ?(?:type:|feature:?)? ?\"?raft\b")


@dataclass(frozen=True, slots=True, kw_only=True)
class Mark:
    """One comment that says that a layer begins."""

    line: int
    row: int
    number: int | None
    z_mm: float | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Marks:
    """What the comments of a file say of its layers and objects."""

    style: str  # "" when there are none
    layers: tuple[Mark, ...]
    count: int | None  # stated: the last count, or the sum of them when several are given
    objects: tuple[tuple[int, str], ...]  # row, name of what follows
    rafts: tuple[int, ...]  # rows at which a raft is said to follow


def read_marks(notes: Sequence[Note]) -> Marks:
    """Find the style in which a file marks its layers, and read the marks."""
    found: dict[str, list[Mark]] = {}
    counts: list[int] = []
    objects: list[tuple[int, str]] = []
    rafts: list[int] = []
    for note in notes:
        if named := _object_of(note.text):
            objects.append((note.row, named))
        elif _RAFT.match(note.text):
            rafts.append(note.row)
        elif height := _Z.match(note.text):
            _add_height(found.get("layer-change"), note, float(height["z"]))
        elif _ANY_LAYER.search(note.text):
            if stated := _COUNT.match(note.text):
                counts.append(int(stated["n"]))
            else:
                _add_mark(found, note)
    style = _best(found)
    return Marks(
        style=style,
        layers=tuple(found.get(style, ())),
        count=sum(counts) if counts else None,
        objects=tuple(objects),
        rafts=tuple(rafts),
    )


def _object_of(text: str) -> str | None:
    for pattern in _OBJECT:
        if found := pattern.match(text):
            return found["name"].strip()
    return None


def is_object(name: str) -> bool:
    """Tell whether a name stands for something that is printed, and not for what lies between."""
    return not _NO_OBJECT.search(name)


def _add_mark(found: dict[str, list[Mark]], note: Note) -> None:
    for style, pattern in STYLES.items():
        if said := pattern.match(note.text):
            words = said.groupdict()
            number, z = words.get("n"), words.get("z")
            found.setdefault(style, []).append(
                Mark(
                    line=note.line,
                    row=note.row if note.own_line or style != "next-layer" else note.row - 1,
                    number=None if number is None else int(number),
                    z_mm=None if z is None else float(z),
                )
            )
            return


def _add_height(marks: list[Mark] | None, note: Note, z_mm: float) -> None:
    """Give the height to the mark just before it, in the style that tells it in a line of its own."""
    if marks and marks[-1].z_mm is None and note.line - marks[-1].line <= 3:
        last = marks[-1]
        marks[-1] = Mark(line=last.line, row=last.row, number=last.number, z_mm=z_mm)


def _best(found: dict[str, list[Mark]]) -> str:
    """Return the style with the most marks; of several with about as many, the one listed first."""
    if not found:
        return ""
    most = max(len(marks) for marks in found.values())
    return next(style for style in STYLES if len(found.get(style, ())) >= 0.9 * most)
