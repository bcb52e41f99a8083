"""Every key of a rig file, section by section, out of its declaration: for `rig keys` and docs/rig.md."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import MISSING, dataclass

from twinlapse.rig.model import Rig
from twinlapse.rig.schema import declared, default_of, key_name, toml_value, unit_of

__all__ = ["KeyRow", "key_rows", "markdown_table", "section_rows", "sections", "with_tables"]


@dataclass(frozen=True, slots=True, kw_only=True)
class KeyRow:
    """One key as a person reads it; Markdown in backquotes."""

    section: str  # "printer", "camera.lens"
    name: str
    unit: str
    values: str  # what may be written
    default: str
    sentence: str
    required: bool


def key_rows() -> list[KeyRow]:
    """Return every key of the rig file that is not itself a section, in the order of the file."""
    return [
        row for section in sections() for row in section_rows(section) if not row.values.startswith("see ")
    ]


def sections() -> dict[str, type]:
    """Return the record of every section, by its dotted name; the keys that lead to sections are none."""
    return dict(_sections(Rig, ()))


def section_rows(section: str) -> list[KeyRow]:
    """Return the keys of one section."""
    rows = []
    for item, key in declared(sections()[section]):
        name = key_name(item)
        default = default_of(item)
        rows.append(
            KeyRow(
                section=section,
                name=name,
                unit=unit_of(name),
                values=f"see `{section}.{name}`" if key.record is not None else key.values,
                default=_default_text(default, key.without),
                sentence=key.sentence,
                required=default is MISSING,
            )
        )
    return rows


def markdown_table(section: str) -> str:
    """Return the keys of a section as a Markdown table."""
    lines = ["| key | default | may be | meaning |", "|---|---|---|---|"]
    for row in section_rows(section):
        unit = f", {row.unit}" if row.unit and row.values != "table" else ""
        lines.append(f"| `{row.name}` | {row.default} | {row.values}{unit} | {row.sentence} |")
    return "\n".join(lines)


def with_tables(page: str) -> str:
    """Return a Markdown page with the table of each section put between its markers.

    A table stands between ``<!-- keys of SECTION -->`` and ``<!-- end of keys -->``.
    """
    head, *rest = page.split("<!-- keys of ")
    filled = [head]
    for chunk in rest:
        section, _, tail = chunk.partition(" -->")
        after = tail.partition("<!-- end of keys -->")[2]
        filled.append(f"{section} -->\n\n{markdown_table(section)}\n\n<!-- end of keys -->{after}")
    return "<!-- keys of ".join(filled)


def _sections(record: type, where: tuple[str, ...]) -> Iterator[tuple[str, type]]:
    for item, key in declared(record):
        if key.record is not None:
            place = (*where, key_name(item))
            yield ".".join(place), key.record
            yield from _sections(key.record, place)


def _default_text(default: object, without: str) -> str:
    if default is MISSING:
        return "must be written"
    if without:
        return without
    if default is None or default == ():
        return "none"
    if default == "":
        return "empty"
    if hasattr(default, "__dataclass_fields__"):
        short = toml_value(default)
        return f"`{short}`" if len(short) < 40 else "as below"
    return f"`{toml_value(default)}`"
