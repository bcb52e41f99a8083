"""Each key of a rig file is declared once: reader, template, `rig keys` and docs/rig.md follow from it."""

from __future__ import annotations

import tomllib
from dataclasses import MISSING, Field, fields
from pathlib import Path
from typing import Any

import pytest

from twinlapse.errors import RigError
from twinlapse.rig import Rig, rig_from_mapping
from twinlapse.rig.reference import key_rows, sections, with_tables
from twinlapse.rig.schema import Key, declared, default_of, key_name, toml_value
from twinlapse.rig.template import every_key_text, read_back

PAGE = Path(__file__).parents[2] / "docs" / "rig.md"
KEYS = [
    pytest.param(section, item, key, id=f"{section}.{key_name(item)}")
    for section, record in sections().items()
    for item, key in declared(record)
    if key.record is None
]
NEEDED = {  # keys that others of the same table ask for
    "camera.light": {"on": ["/bin/led"], "off": ["/bin/led"]},
    "camera.power": {"on": ["/bin/usb"], "off": ["/bin/usb"]},
    "capture.alarm.mail": {"to": "club@example.org", "sender": "printer@example.org"},
    "printer.keep_out": {"x_mm": [0, 20], "y_mm": [0, 20]},
}


def written(section: str, name: str, value: Any) -> Rig:
    """Read a rig with one key written."""
    rig: dict[str, Any] = {
        "printer": {"bed_mm": [200, 200], "height_mm": 200},
        "camera": [{"name": "eye", "mount": "frame"}],
    }
    table: Any = rig
    for part in section.split("."):
        default: Any = [{}] if part == "keep_out" else {}
        table = table.setdefault(part, default)
        table = table[0] if isinstance(table, list) else table
    table.update(NEEDED.get(section, {}))
    table[name] = value
    return rig_from_mapping(rig)


def held(rig: Rig, section: str, field: str) -> Any:
    """Return what the record of a section holds."""
    record: Any = rig
    for part in section.split("."):
        name = {"camera": "cameras"}.get(part, part)
        record = getattr(record, name)
        record = record[0] if isinstance(record, tuple) else record
    return getattr(record, field)


@pytest.mark.parametrize(("section", "item", "key"), KEYS)
def test_a_written_default_is_the_default(section: str, item: Field[Any], key: Key) -> None:
    default = default_of(item)
    if default in (MISSING, None):
        value = tomllib.loads(f"value = {key.example}")["value"]
        assert held(written(section, key_name(item), value), section, item.name) is not None
    elif default != float("inf") and key_name(item) != "off":
        value = tomllib.loads(f"value = {toml_value(default)}")["value"]
        assert held(written(section, key_name(item), value), section, item.name) == default
    if key.example:
        written(section, key_name(item), tomllib.loads(f"value = {key.example}")["value"])


@pytest.mark.parametrize(("section", "item", "key"), KEYS)
def test_no_key_takes_everything(section: str, item: Field[Any], key: Key) -> None:
    with pytest.raises(RigError) as caught:
        written(section, key_name(item), {"nothing": [None]})
    assert key_name(item) in str(caught.value)


@pytest.mark.parametrize("row", [row for row in key_rows() if " to " in row.values], ids=lambda row: row.name)
def test_bounds_as_printed_are_the_bounds(row: Any) -> None:
    low, high = (float(part.split()[-1]) for part in row.values.split(" to "))
    count = int(row.values.split()[0]) if "numbers" in row.values else 0

    def value(number: float) -> Any:
        return [number] * count if count else int(number) if number == int(number) else number

    for inside in (low, high):
        try:
            written(row.section, row.name, value(inside))
        except RigError as error:
            assert "wider than" in str(error)  # two keys that do not go together
    for outside in (low - 1, high + 1):
        with pytest.raises(RigError, match="out of range"):
            written(row.section, row.name, value(outside))


def test_every_field_is_a_key() -> None:
    for record in sections().values():
        assert {item.name for item in fields(record)} == {item.name for item, _ in declared(record)}
    assert {item.name for item in fields(Rig)} - {item.name for item, _ in declared(Rig)} == {"raw"}


def test_the_page_has_every_section_and_is_up_to_date() -> None:
    page = PAGE.read_text(encoding="utf-8")
    for section in sections():
        assert page.count(f"<!-- keys of {section} -->") == 1, section
    assert with_tables(page) == page, "run 'python docs/write_rig_keys.py'"


def test_the_template_holds_every_key_and_reads_back() -> None:
    text = every_key_text()
    assert [camera.name for camera in read_back(text).cameras] == ["wide"]
    for row in key_rows():
        assert f"{row.name} = " in text


def test_a_former_name_is_told_the_new_one() -> None:
    renamed = [(section, item, key) for section, item, key in (p.values for p in KEYS) if key.former]
    for section, item, key in renamed:
        for former in key.former:
            with pytest.raises(RigError, match=f'is called "{key_name(item)}" now'):
                written(section, former, tomllib.loads(f"value = {key.example or 1}")["value"])
