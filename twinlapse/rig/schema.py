"""How a key of the rig file is declared: once, as the metadata of the field that holds its value.

    limit_s: float = field(default=5.0, metadata=number("a command is ended after this", above=0))

Everything else follows from this line: the reader's checks, `rig new`, `rig keys` and the tables of
docs/rig.md. The default is the field's own; a field without one must be written in the file; the unit is the
suffix of the name. A field without metadata is no key of the file.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Mapping
from dataclasses import MISSING, Field, dataclass, fields
from fractions import Fraction
from typing import Any, get_args

from twinlapse.rig.toml_fields import InvalidValueError, Table

__all__ = [
    "Check",
    "Key",
    "bounds_text",
    "choice",
    "declared",
    "default_of",
    "flag",
    "key_name",
    "number",
    "numbers",
    "parsed",
    "part",
    "parts",
    "point",
    "read_record",
    "text",
    "toml_value",
    "unit_of",
    "whole",
    "words",
]

Check = Callable[[Any, Table], Any]

_KEY = "rig key"
_UNITS = {  # suffix of a name: unit as it is printed
    "mm_s2": "mm/s²",
    "mm_s": "mm/s",
    "mm": "mm",
    "s": "s",
    "px": "px",
    "deg": "°",
    "um": "µm",
    "mb": "MB",
    "kb": "kB",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Key:
    """What may be written under one key of a rig file."""

    sentence: str  # what it means, without a full stop
    read: Callable[[Table, str], Any]  # the checked value of a key that is written
    values: str  # what may be written, for a person
    name: str = ""  # in the file, where it is not the field's name
    former: tuple[str, ...] = ()  # names it had in earlier versions: an error that names the new one
    example: str = ""  # a value as TOML, where the default shows none
    without: str = ""  # what holds where it is left out, when the default does not say it
    record: type | None = None  # what a table under this key becomes
    many: bool = False  # a list of such tables


def declared(record: type) -> Iterator[tuple[Field[Any], Key]]:
    """Yield the fields of a record that are keys of the rig file, in their order."""
    for item in fields(record):
        key = item.metadata.get(_KEY)
        if key is not None:
            yield item, key


def key_name(item: Field[Any]) -> str:
    """Return the name of a field's key in the file."""
    return item.metadata[_KEY].name or item.name


def default_of(item: Field[Any]) -> Any:
    """Return the default of a field; MISSING where it must be written."""
    return item.default_factory() if item.default_factory is not MISSING else item.default


def unit_of(name: str) -> str:
    """Return the unit that the suffix of a name says: "mm/s" of ``travel_mm_s``, "" of ``mirror``."""
    return next(
        (unit for suffix, unit in _UNITS.items() if name.endswith(f"_{suffix}") or name == suffix), ""
    )


def read_record(record: type[Any], table: Table, check: Check | None = None) -> Any:
    """Return the record that a table describes; every key is checked, and an unknown one is an error.

    Parameters
    ----------
    record : type
        A dataclass whose fields declare keys.
    table : Table
    check : callable, optional
        Takes the record and the table, says what no key can say alone, and returns the record.

    Raises
    ------
    RigError
        with file, line, key and hint.
    """
    values = {}
    for item, key in declared(record):
        name = key_name(item)
        if table.has(name, key.former):
            values[item.name] = key.read(table, name)
        elif default_of(item) is MISSING:
            table.missing(name, key.example)
    table.close()
    made = record(**values)
    return check(made, table) if check is not None else made


def number(
    sentence: str,
    *,
    low: float = -math.inf,
    high: float = math.inf,
    above: float | None = None,
    **more: Any,
) -> dict[str, Key]:
    """Declare a number from `low` to `high`; `above` is an excluded lower bound."""
    return _key(
        sentence,
        lambda table, name: table.number(name, low=low, high=high, above=above),
        bounds_text(low, high, above),
        more,
    )


def whole(sentence: str, *, low: int, high: int, **more: Any) -> dict[str, Key]:
    """Declare a whole number from `low` to `high`."""
    return _key(
        sentence,
        lambda table, name: table.whole(name, low=low, high=high),
        f"whole number, {low} to {high}",
        more,
    )


def text(sentence: str, **more: Any) -> dict[str, Key]:
    """Declare a text."""
    return _key(sentence, lambda table, name: table.text(name), "text", more)


def flag(sentence: str, **more: Any) -> dict[str, Key]:
    """Declare true or false."""
    return _key(sentence, lambda table, name: table.flag(name), "`true` or `false`", more)


def choice(
    options: Any, sentence: str, *, others: Mapping[str, str] | None = None, **more: Any
) -> dict[str, Key]:
    """Declare one of the values of a Literal; `others`: words from elsewhere, and the value for each."""
    allowed = get_args(options)
    listed = ", ".join(f"`{toml_value(option)}`" for option in allowed)
    return _key(sentence, lambda table, name: table.choice(name, allowed, others), listed, more)


def point(
    sentence: str,
    size: int,
    *,
    low: float = -math.inf,
    high: float = math.inf,
    above: float = -math.inf,
    **more: Any,
) -> dict[str, Key]:
    """Declare a list of `size` numbers."""
    bounds = bounds_text(low, high, None if above == -math.inf else above)
    return _key(
        sentence,
        lambda table, name: table.point(name, size, low=low, high=high, above=above),
        f"{size} numbers" + (f", {bounds}" if bounds != "number" else ""),
        more,
    )


def numbers(sentence: str, **more: Any) -> dict[str, Key]:
    """Declare a list of numbers of any length."""
    return _key(sentence, lambda table, name: table.numbers(name), "list of numbers", more)


def words(sentence: str, **more: Any) -> dict[str, Key]:
    """Declare a list of texts."""
    return _key(sentence, lambda table, name: table.words(name), "list of texts", more)


def parsed(parse: Callable[[Any], Any], values: str, sentence: str, **more: Any) -> dict[str, Key]:
    """Declare a value with a notation of its own.

    Parameters
    ----------
    parse : callable
        Takes the TOML value, returns what the field holds, raises InvalidValueError.
    values : str
        What may be written, for a person.
    """

    def read(table: Table, name: str) -> Any:
        try:
            return parse(table.values[name])
        except InvalidValueError as error:
            table.fail(name, error.what, error.hint)

    return _key(sentence, read, values, more)


def part(record: type, sentence: str, *, check: Check | None = None, **more: Any) -> dict[str, Key]:
    """Declare a table that becomes a record of its own."""
    return _key(
        sentence,
        lambda table, name: read_record(record, table.table(name), check),
        "table",
        more,
        record=record,
    )


def parts(record: type, sentence: str, *, check: Check | None = None, **more: Any) -> dict[str, Key]:
    """Declare a list of such tables."""
    return _key(
        sentence,
        lambda table, name: tuple(read_record(record, item, check) for item in table.tables(name)),
        "list of tables",
        more,
        record=record,
        many=True,
    )


def bounds_text(low: float, high: float, above: float | None) -> str:
    """Return bounds as a person reads them: "above 0, at most 60", "0 to 60", "number"."""
    if above is not None:
        return f"above {above:g}" + (f", at most {high:g}" if math.isfinite(high) else "")
    if math.isfinite(low):
        return f"{low:g} to {high:g}" if math.isfinite(high) else f"at least {low:g}"
    return f"at most {high:g}" if math.isfinite(high) else "number"


def toml_value(value: Any) -> str:
    """Return a value as TOML, on one line; a record becomes an inline table of what is not None."""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, tuple | list):
        return f"[{', '.join(map(toml_value, value))}]"
    if isinstance(value, Mapping):
        return f"{{ {', '.join(f'{key} = {toml_value(item)}' for key, item in value.items())} }}"
    if isinstance(value, Fraction) and value.denominator > 1:
        return f'"{value}"'
    if isinstance(value, int | float | Fraction):
        return f"{float(value):.12g}"
    if isinstance(value, str):
        escaped = value.replace("\\", "\\\\").replace('"', '\\"')
        return '"' + "".join(c if c.isprintable() else f"\\u{ord(c):04x}" for c in escaped) + '"'
    given = {key_name(item): getattr(value, item.name) for item, _ in declared(type(value))}
    return toml_value({name: item for name, item in given.items() if item is not None})


def _key(
    sentence: str,
    read: Callable[[Table, str], Any],
    values: str,
    more: Mapping[str, Any],
    *,
    record: type | None = None,
    many: bool = False,
) -> dict[str, Key]:
    return {_KEY: Key(sentence=sentence, read=read, values=values, record=record, many=many, **more)}
