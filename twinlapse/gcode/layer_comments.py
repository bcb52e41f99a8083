"""Comments that mark layers and objects, whatever program wrote them; docs/reading.md lists the styles."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import lru_cache

from twinlapse.gcode.toolpath import Note

__all__ = ["STYLES", "LayerMark", "Marks", "is_object", "is_telling", "read_marks"]

_NUMBER = r"[-+]?(?:\d+\.?\d*|\.\d+)"
_N = r"(?P<n>-?\d+)"
_Z = rf"(?P<z>{_NUMBER})"
_END = r"(?: ?(?:/|of) ?\d+)? *$"

# a style's name -> what a comment looks like that begins a layer; n: its number, z: its height.
# Of styles with about as many marks the first is taken: the more a style says, the earlier it stands.
STYLES: dict[str, re.Pattern[str]] = {
    name: re.compile(pattern, re.IGNORECASE)
    for name, pattern in {
        "layer-n": rf"^;+ *layer *[:#=]? *(?:number|no\.?)? *[:#=]? *{_N}{_END}",
        "layer-n-z": rf"^;+ *layer *[:#=]? *{_N} *[,;:(-]* *(?:z|height|h)\w* *[:=]? *{_Z}",
        "layer-change": r"^; ?layer_change\b|^; ?change_layer\b",
        "object-layer": rf"^; ?begin_layer_object\b.*?\bz ?= ?{_Z}",
        "dashed": rf"^;+ *[-=*_#]+ *layer *[:#=]? *{_N}(?: *\({_NUMBER}(?: ?mm)? ?@ ?{_Z}|(?![\w.]))",
        "tagged": rf"^[(;] ?<layer>\)? ?{_Z}?",
        "slice": rf"^[(;] ?slice *[:#]? *{_N}(?:[, ]+{_Z})?",
        "next-layer": rf"^;.*\b(?:move to|begin|start of|starting|new) (?:next )?layer *:? *\(?{_N}\)?",
        "before-change": r"^; ?before_layer_change\b",
        "after-change": r"^; ?after_layer_change\b",
        "printing-layer": rf"^; *printing layer *[:#]? *{_N}",
        "statistics": r"^SET_PRINT_STATS_INFO\b.*CURRENT_LAYER ?= ?(?P<n>\d+)",
        "display": r"^M117 .*?\blayer *[:#=]? *(?P<n>\d+)\b",
        "height-only": rf"^; ?z ?[:=] ?{_Z} *$",
    }.items()
}
_BEFORE_HEIGHT = ("layer-change", "before-change", "after-change")
_HEIGHT = re.compile(rf"(?i)^; ?(?:z|z_height) ?[:=] ?{_Z}")
_COUNT = re.compile(
    r"(?i)^; *(?:layers?[_ ]?count|total layers?(?: number| count)?|number of layers) *[:=]? *(?P<n>\d+) *$"
)
_OBJECT = (
    re.compile(r"^; ?MESH: *(?P<name>.+)$"),
    re.compile(r"(?i)^; ?(?:start )?printing object[ :,]+(?P<name>.+)$"),
    re.compile(r"(?i)^EXCLUDE_OBJECT_START +.*?NAME ?= ?'?(?P<name>[^\s']+)"),
    re.compile(r"(?i)^M486 ?S ?(?P<name>-?\d+)"),
)
_NO_OBJECT = re.compile(r"(?i)nonmesh|^-1$")
_RAFT = re.compile(r"(?i)^[;(] ?(?:type|feature)?[ :]*\"?raft\b")


@dataclass(frozen=True, slots=True, kw_only=True)
class LayerMark:
    """One comment that says that a layer begins."""

    line: int
    row: int
    number: int | None
    z_mm: float | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Marks:
    """What the comments of a file say of its layers and objects."""

    style: str  # "" when there are none
    layers: tuple[LayerMark, ...]
    count: int | None  # stated; the sum when several are given, one for each object
    objects: tuple[tuple[int, str], ...]  # row, name of what follows
    rafts: tuple[int, ...]  # rows at which a raft is said to follow


_LIMIT = re.compile(r"(?i)^SET_VELOCITY_LIMIT\b")
_OTHERS = (
    *((f"named {k}", pattern) for k, pattern in enumerate(_OBJECT)),
    ("end", re.compile(r"(?i)^EXCLUDE_OBJECT_END\b")),
    ("raft", _RAFT),
    ("count", _COUNT),
    ("limit", _LIMIT),
)
_DIGITS = str.maketrans("123456789", "000000000")


@lru_cache(maxsize=20_000)
def _meanings(shape: str) -> tuple[tuple[str, re.Pattern[str]], ...]:
    """Return what a text of this shape, its digits 0, says, and the patterns that take it apart.

    Some files have a hundred thousand comments, and few shapes of them.
    """
    for what, pattern in _OTHERS:
        if pattern.match(shape):
            return ((what, pattern),)
    styles = ((style, pattern) for style, pattern in STYLES.items() if pattern.match(shape))
    height = [("height", _HEIGHT)] if _HEIGHT.match(shape) else []
    return (*height, *([first] if (first := next(styles, None)) else []))


def _shape_of(text: str) -> str:
    return text[:5] + text[5:].translate(_DIGITS)  # M117 and M486 keep their numbers


def is_telling(text: str) -> bool:
    """Tell whether a comment or extended command says anything of layers, objects or limits."""
    return bool(_meanings(_shape_of(text)))


def read_marks(notes: Sequence[Note]) -> Marks:
    """Find the style in which a file marks its layers, and read the marks."""
    found: dict[str, list[LayerMark]] = {}
    counts: list[int] = []
    objects: dict[str, list[tuple[int, str]]] = {}  # by the way in which they are named
    rafts: list[int] = []
    for note in notes:
        for what, pattern in _meanings(_shape_of(note.text)):
            said = pattern.match(note.text)
            words = said.groupdict() if said else {}
            if what.startswith("named "):
                objects.setdefault(what, []).append((note.row, words["name"].strip()))
            elif what == "raft":
                rafts.append(note.row)
            elif what == "count":
                counts.append(int(words["n"][:9]))
            elif what == "height":
                _add_height(found, note, float(words["z"]))
            elif what not in ("limit", "end"):
                found.setdefault(what, []).append(_mark(note, words.get("n"), words.get("z")))
    style = _best(found)
    return Marks(
        style=style,
        layers=tuple(found.get(style, ())),
        count=sum(counts) if counts else None,
        objects=tuple(_told_once(objects)),
        rafts=tuple(rafts),
    )


def _told_once(objects: dict[str, list[tuple[int, str]]]) -> list[tuple[int, str]]:
    """Return the objects by one way of naming them: a file may name each by a comment and by a command.

    Of several the one with the most names is taken; of equal ones the first of `_OBJECT`, which people read.
    """
    ways = [objects[key] for key in sorted(objects)]
    return max(ways, key=lambda marks: len({name for _, name in marks if is_object(name)}), default=[])


def is_object(name: str) -> bool:
    """Tell whether a name stands for something that is printed, and not for what lies between."""
    return not _NO_OBJECT.search(name)


def _mark(note: Note, number: str | None, z: str | None) -> LayerMark:
    return LayerMark(
        line=note.line,
        row=note.row,
        number=None if number is None else int(number[:9]),
        z_mm=None if z is None else float(z),
    )


def _add_height(found: dict[str, list[LayerMark]], note: Note, z_mm: float) -> None:
    """Give the height to the mark just before it, in the styles that tell it in a line of its own."""
    for style in _BEFORE_HEIGHT:
        marks = found.get(style)
        if marks and marks[-1].z_mm is None and note.line - marks[-1].line <= 3:
            marks[-1] = replace(marks[-1], z_mm=z_mm)


def _best(found: dict[str, list[LayerMark]]) -> str:
    """Return the style with the most marks; of several with about as many, the one listed first."""
    if not found:
        return ""
    most = max(len(marks) for marks in found.values())
    return next(style for style in STYLES if len(found.get(style, ())) >= 0.9 * most)
