"""Where each key of a TOML file stands, so that an error can name its line (tomllib keeps no positions)."""

from __future__ import annotations

import re

__all__ = ["key_lines", "nearest_line"]

_TABLE = re.compile(r"^\s*\[\s*([A-Za-z0-9_.-]+)\s*\]\s*(?:#.*)?$")
_ARRAY = re.compile(r"^\s*\[\[\s*([A-Za-z0-9_.-]+)\s*\]\]\s*(?:#.*)?$")
_KEY = re.compile(r"^\s*([A-Za-z0-9_.-]+)\s*=")


def key_lines(text: str) -> dict[tuple[str, ...], int]:
    """Return the 1-based line of every table and key, by path such as ``("camera", "1", "mount")``.

    Keys inside inline tables are not listed: their error names the line of the table that holds them.
    """
    lines: dict[tuple[str, ...], int] = {}
    counts: dict[str, int] = {}
    table: tuple[str, ...] = ()
    for number, line in enumerate(text.splitlines(), 1):
        if found := _ARRAY.match(line):
            index = counts.get(found[1], -1) + 1
            counts[found[1]] = index
            table = (*found[1].split("."), str(index))
            lines.setdefault(table[:-1], number)
            lines[table] = number
        elif found := _TABLE.match(line):
            table = _resolve(tuple(found[1].split(".")), counts)
            lines[table] = number
        elif found := _KEY.match(line):
            lines.setdefault((*table, *found[1].split(".")), number)
    return lines


def nearest_line(lines: dict[tuple[str, ...], int], path: tuple[str, ...]) -> int | None:
    """Return the line of `path`, or of the closest table around it that stands in the file."""
    while path:
        if path in lines:
            return lines[path]
        path = path[:-1]
    return None


def _resolve(parts: tuple[str, ...], counts: dict[str, int]) -> tuple[str, ...]:
    # [camera.lens] after [[camera]] belongs to the newest camera
    if parts[0] in counts and len(parts) > 1:
        return (parts[0], str(counts[parts[0]]), *parts[1:])
    return parts
