"""Checked access to one TOML table: every key is taken once, and what is left over is an error."""

from __future__ import annotations

import difflib
import math
import re
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, NoReturn

from twinlapse.errors import RigError
from twinlapse.rig.key_positions import nearest_line

__all__ = ["InvalidValueError", "Table", "dotted", "is_number"]


class InvalidValueError(ValueError):
    """A value that a key does not take: what is wrong with it, and what to write instead."""

    def __init__(self, what: str, hint: str) -> None:
        super().__init__(what, hint)
        self.what = what
        self.hint = hint

    def __str__(self) -> str:
        return f"{self.what}; {self.hint}"


@dataclass(slots=True)
class Table:
    """One table of a rig file, its position in the file, and which of its keys have been asked for."""

    values: Mapping[str, Any]
    where: tuple[str, ...] = ()
    path: Path | None = None
    lines: dict[tuple[str, ...], int] = field(default_factory=dict)
    known: list[str] = field(default_factory=list)
    renamed: dict[str, str] = field(default_factory=dict)  # former name of a key: its name now

    def fail(self, key: str, what: str, hint: str) -> NoReturn:
        """Raise a RigError at the line of `key`."""
        place = (*self.where, key) if key else self.where
        raise RigError(f"{dotted(place)}: {what}", hint, path=self.path, line=nearest_line(self.lines, place))

    def has(self, key: str, former: tuple[str, ...] = ()) -> bool:
        """Return whether `key` is written, and note that it is a key of this table, once called `former`."""
        self.known.append(key)
        self.renamed.update(dict.fromkeys(former, key))
        return key in self.values

    def missing(self, key: str, example: str) -> NoReturn:
        """Raise for a key that must be written and is not."""
        for name in self.values:
            if self.renamed.get(name) == key:
                self.fail(name, f'this key is called "{key}" now', f'write "{key}" instead')
        left = [name for name in self.values if name not in self.known]
        if misspelt := difflib.get_close_matches(key, left, n=1):
            self.fail(misspelt[0], "there is no such key", f'did you mean "{key}"?')
        self.fail(key, "it is missing", f"add a line '{key} = {example}'")

    def close(self) -> None:
        """Raise for the first key that nothing asked for, with a suggestion."""
        for key in self.values:
            if key in self.known:
                continue
            if key in self.renamed:
                self.fail(
                    key,
                    f'this key is called "{self.renamed[key]}" now',
                    f'write "{self.renamed[key]}" instead',
                )
            near = difflib.get_close_matches(key, self.known, n=1, cutoff=0.5)
            self.fail(
                key,
                "there is no such key",
                f'did you mean "{near[0]}"?' if near else f"keys here are: {', '.join(self.known)}",
            )

    def number(
        self, key: str, *, low: float = -math.inf, high: float = math.inf, above: float | None = None
    ) -> float:
        """Return a number within bounds; `above` is an excluded lower bound."""
        value = self.values[key]
        if not is_number(value):
            self.fail(key, f"{value!r} is not a number", "write a number")
        if above is not None and value <= above:
            self.fail(key, f"{value:g} is too small", f"write a number above {above:g}")
        if not low <= value <= high:
            bound = f"at least {low:g}" if value < low else f"at most {high:g}"
            self.fail(key, f"{value:g} is out of range", f"write a number of {bound}")
        return float(value)

    def whole(self, key: str, *, low: int, high: int) -> int:
        """Return a whole number within bounds."""
        value = self.number(key, low=low, high=high)
        if value != int(value):
            self.fail(key, f"{value:g} is not a whole number", "write a whole number")
        return int(value)

    def text(self, key: str) -> str:
        """Return a string."""
        value = self.values[key]
        if not isinstance(value, str):
            self.fail(key, f"{value!r} is not text", 'write it in quotes, such as "text"')
        return value

    def choice(self, key: str, options: tuple[Any, ...], others: Mapping[str, str] | None = None) -> Any:
        """Return one of `options`; `others` names the option that a word from elsewhere stands for."""
        value = self.values[key]
        if isinstance(value, bool) or value not in options:
            word = re.sub(r"[^a-z]", "", value.lower()) if isinstance(value, str) else ""
            if others and word in others:
                self.fail(key, f"{value!r} is not known", f'for such a machine write "{others[word]}"')
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

    def flag(self, key: str) -> bool:
        """Return true or false."""
        value = self.values[key]
        if not isinstance(value, bool):
            self.fail(key, f"{value!r} is neither true nor false", "write true or false")
        return value

    def point(
        self, key: str, size: int, *, low: float = -math.inf, high: float = math.inf, above: float = -math.inf
    ) -> tuple[float, ...]:
        """Return `size` numbers, each within bounds; `above` is an excluded lower bound."""
        value = self.values[key]
        if not isinstance(value, list | tuple) or len(value) != size or not all(map(is_number, value)):
            self.fail(
                key,
                f"{value!r} is not a list of {size} numbers",
                f"write {size} numbers, such as [{', '.join(['10'] * size)}]",
            )
        if min(value) <= above:
            self.fail(key, f"{min(value):g} is too small", f"write {size} numbers above {above:g}")
        if not (low <= min(value) and max(value) <= high):
            self.fail(key, f"{value!r} is out of range", f"write {size} numbers from {low:g} to {high:g}")
        return tuple(float(item) for item in value)

    def numbers(self, key: str) -> tuple[float, ...]:
        """Return a list of numbers of any length."""
        value = self.values[key]
        if not isinstance(value, list | tuple) or not all(map(is_number, value)):
            self.fail(
                key, f"{value!r} is not a list of numbers", "write numbers in brackets, such as [0.1, 0.02]"
            )
        return tuple(float(item) for item in value)

    def words(self, key: str) -> tuple[str, ...]:
        """Return a list of strings, none of them empty."""
        value = self.values[key]
        if not isinstance(value, list | tuple) or not all(isinstance(word, str) and word for word in value):
            self.fail(key, f"{value!r} is not a list of texts", 'write texts in brackets: ["a", "b"]')
        return tuple(value)

    def table(self, key: str) -> Table:
        """Return the table under `key`."""
        value = self.values[key]
        if not isinstance(value, Mapping):
            self.fail(
                key,
                f"{value!r} is not a table",
                f"write {key} = {{ ... }} or a section [{dotted((*self.where, key))}]",
            )
        return Table(value, (*self.where, key), self.path, self.lines)

    def tables(self, key: str) -> list[Table]:
        """Return the tables of the list under `key`."""
        value = self.values[key]
        if not isinstance(value, list | tuple) or not all(isinstance(item, Mapping) for item in value):
            self.fail(
                key, "this is not a list of tables", f"write [[{dotted((*self.where, key))}]] before each"
            )
        return [
            Table(item, (*self.where, key, str(i)), self.path, self.lines) for i, item in enumerate(value)
        ]


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


def is_number(value: Any) -> bool:
    """Return whether a TOML value is a finite number (true and false are none)."""
    return isinstance(value, int | float) and not isinstance(value, bool) and math.isfinite(value)
