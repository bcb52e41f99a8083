"""Checked reading of one TOML table: every key is taken once, and what is left over is an error."""

from __future__ import annotations

import difflib
import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, NoReturn

from twinlapse.errors import RigError
from twinlapse.rig.key_positions import nearest_line


@dataclass(frozen=True, slots=True)
class Required:
    """Stands in place of a default where the key must be written."""

    example: str


@dataclass(slots=True)
class Table:
    """One table of a rig file, its place in the file, and which of its keys have been asked for."""

    values: Mapping[str, Any]
    where: tuple[str, ...]
    path: Path | None
    lines: dict[tuple[str, ...], int]
    known: list[str] = field(default_factory=list)

    def fail(self, key: str, what: str, mend: str) -> NoReturn:
        """Raise a RigError at the line of `key`."""
        place = (*self.where, key) if key else self.where
        raise RigError(f"{dotted(place)}: {what}", mend, path=self.path, line=nearest_line(self.lines, place))

    def number(
        self,
        key: str,
        default: float | Required,
        *,
        low: float = -math.inf,
        high: float = math.inf,
        above: float | None = None,
    ) -> float:
        """Return a number within bounds; `above` is an excluded lower bound."""
        value = self._take(key, default)
        if key not in self.values:
            return float(value)
        if not _is_number(value):
            self.fail(key, f"{value!r} is not a number", "write a number")
        if above is not None and value <= above:
            self.fail(key, f"{value:g} is too small", f"write a number above {above:g}")
        if not low <= value <= high:
            bound = f"at least {low:g}" if value < low else f"at most {high:g}"
            self.fail(key, f"{value:g} is out of range", f"write a number of {bound}")
        return float(value)

    def whole(self, key: str, default: int, *, low: int, high: int) -> int:
        """Return a whole number within bounds."""
        value = self.number(key, default, low=low, high=high)
        if value != int(value):
            self.fail(key, f"{value:g} is not a whole number", "write a whole number")
        return int(value)

    def text(self, key: str, default: str | Required) -> str:
        """Return a string."""
        value = self._take(key, default)
        if not isinstance(value, str):
            self.fail(key, f"{value!r} is not text", 'write it in quotes, such as "text"')
        return value

    def choice(self, key: str, default: Any, options: tuple[Any, ...]) -> Any:
        """Return one of `options`."""
        value = self._take(key, default)
        if isinstance(value, bool) or value not in options:
            near = difflib.get_close_matches(str(value), [str(option) for option in options], n=1)
            listed = ", ".join(
                f'"{option}"' if isinstance(option, str) else str(option) for option in options
            )
            self.fail(
                key,
                f"{value!r} is not known",
                f'did you mean "{near[0]}"?' if near else f"write one of {listed}",
            )
        return value

    def flag(self, key: str, default: bool) -> bool:
        """Return true or false."""
        value = self._take(key, default)
        if not isinstance(value, bool):
            self.fail(key, f"{value!r} is neither true nor false", "write true or false")
        return value

    def point(self, key: str, default: Any, size: int) -> tuple[float, ...] | None:
        """Return `size` numbers as millimetres, or None where the key may be left out."""
        value = self._take(key, default)
        if value is None and key not in self.values:  # the null of a plan's JSON is no point
            return None
        if (
            not isinstance(value, list | tuple)
            or len(value) != size
            or not all(_is_number(item) for item in value)
        ):
            example = ", ".join(["10"] * size)
            self.fail(
                key,
                f"{value!r} is not a list of {size} numbers",
                f"write {size} numbers, such as [{example}]",
            )
        return tuple(float(item) for item in value)

    def numbers(self, key: str, default: tuple[float, ...]) -> tuple[float, ...]:
        """Return a list of numbers of any length."""
        value = self._take(key, default)
        if not isinstance(value, list | tuple) or not all(_is_number(item) for item in value):
            self.fail(
                key, f"{value!r} is not a list of numbers", "write numbers in brackets, such as [0.1, 0.02]"
            )
        return tuple(float(item) for item in value)

    def table(self, key: str) -> Table | None:
        """Return the table under `key`, or None where there is none."""
        value = self._take(key, None)
        if value is None:
            return None
        if not isinstance(value, Mapping):
            self.fail(
                key,
                f"{value!r} is not a table",
                f"write {key} = {{ ... }} or a section [{dotted((*self.where, key))}]",
            )
        return Table(value, (*self.where, key), self.path, self.lines)

    def tables(self, key: str) -> list[Table]:
        """Return the tables of the list under `key`."""
        value = self._take(key, ())
        if not isinstance(value, list | tuple) or not all(isinstance(item, Mapping) for item in value):
            self.fail(
                key, "this is not a list of tables", f"write [[{dotted((*self.where, key))}]] before each"
            )
        return [
            Table(item, (*self.where, key, str(i)), self.path, self.lines) for i, item in enumerate(value)
        ]

    def parsed(self, key: str, default: Any, parse: Callable[[Any], Any]) -> Any:
        """Return ``parse(value)``; a ValueError from `parse` becomes an error at this key: (what, mend)."""
        value = self._take(key, default)
        try:
            return parse(value)
        except ValueError as error:
            what, mend = (*error.args, "see docs/rig.md")[:2]
            self.fail(key, what, mend)

    def close(self) -> None:
        """Raise for the first key that nothing asked for, with a suggestion."""
        for key in self.values:
            if key not in self.known:
                near = difflib.get_close_matches(key, self.known, n=1, cutoff=0.5)
                self.fail(
                    key,
                    "there is no such key",
                    f'did you mean "{near[0]}"?' if near else f"keys here are: {', '.join(self.known)}",
                )

    def _take(self, key: str, default: Any) -> Any:
        self.known.append(key)
        if key in self.values:
            return self.values[key]
        if isinstance(default, Required):
            misspelt = difflib.get_close_matches(
                key, [name for name in self.values if name not in self.known], n=1
            )
            if misspelt:
                self.fail(misspelt[0], "there is no such key", f'did you mean "{key}"?')
            self.fail(key, "it is missing", f"add a line '{key} = {default.example}'")
        return default


def dotted(where: tuple[str, ...]) -> str:
    """Return a path as a person reads it: ``camera 2 lens.across_deg`` for the second camera."""
    text = ""
    for part in where:
        if part.isdigit():
            text += f" {int(part) + 1}"
        elif text:
            text += f" {part}" if text[-1].isdigit() else f".{part}"
        else:
            text = part
    return text


def _is_number(value: Any) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool) and math.isfinite(value)
