"""What a file is: whose firmware it was made for, and what it looks like when it is no filament print."""

from __future__ import annotations

import re
from pathlib import Path

from twinlapse.errors import GcodeError, NotAPrintError

__all__ = [
    "FIRMWARES",
    "HEAD_BYTES",
    "TAIL_BYTES",
    "check_firmware",
    "guess_firmware",
    "refuse_binary",
    "refuse_no_print",
]

FIRMWARES = ("marlin", "klipper", "reprapfirmware")
HEAD_BYTES = 262_144
TAIL_BYTES = 65_536
_STRAY_BYTES = 16

_FLAVOUR = re.compile(rb"(?im)^[ \t]*;[^\n]{0,40}flavou?r\b[ \t]*[:=]?[ \t]*\"?([\w /().-]{2,40})")
_KLIPPER_WORDS = re.compile(
    rb"(?m)^[ \t]*(?:SET_VELOCITY_LIMIT|SET_PRESSURE_ADVANCE|EXCLUDE_OBJECT\w*|SET_HEATER_TEMPERATURE"
    rb"|TEMPERATURE_WAIT|SAVE_GCODE_STATE|BED_MESH_\w+|SET_PRINT_STATS_INFO|(?i:print_start|start_print)\b)"
)
_REPRAP_WORDS = re.compile(rb"(?m)^[ \t]*(?:M566|M572|M98 ?P|M671|M581|G10 ?P\d+ ?[RS]|M568)\b")

# tool change, tool length, drilling cycles, coolant: no filament printer has them
_MILLING = re.compile(rb"(?im)^[^;(\n]*\b(?:M0?6|G4[1-3]|G8[1-3]|M0?[78])\b")

# first bytes -> what such a file is
_MAGIC = (
    (b"\x89PNG", "a PNG picture"),
    (b"\xff\xd8\xff", "a JPEG picture"),
    (b"GIF8", "a GIF picture"),
    (b"PK\x03\x04", "a ZIP archive (a project or model file, or packed G-code)"),
    (b"\x1f\x8b", "gzip-packed"),
    (b"GCDE", "G-code in a binary packing"),
    (b"%PDF", "a PDF document"),
    (b"\xff\xfe", "UTF-16 text"),
    (b"\xfe\xff", "UTF-16 text"),
    (b"SQLite format 3", "a database"),
    (b"\x7fELF", "a program"),
    (b"MZ", "a program"),
    (b"solid ", "an STL model"),
    (b"<?xml", "an XML document"),
    (b"{\\rtf", "a text-processor document"),
)


def guess_firmware(head: bytes) -> str | None:
    """Return the firmware that the first lines of a file speak of, or None when they speak of none."""
    said = _FLAVOUR.search(head)
    if said:
        words = said[1].lower()
        if b"klipper" in words:
            return "klipper"
        if b"reprapfirmware" in words.replace(b" ", b"") or words.startswith(b"rrf"):
            return "reprapfirmware"
        if b"marlin" in words:
            return "marlin"
    if _KLIPPER_WORDS.search(head):
        return "klipper"
    if _REPRAP_WORDS.search(head):
        return "reprapfirmware"
    return None


def check_firmware(name: str) -> str:
    """Return the name of a known firmware or say which there are."""
    if name not in FIRMWARES:
        raise GcodeError(f"unknown firmware {name!r}", f"name one of {', '.join(FIRMWARES)}")
    return name


def refuse_binary(path: Path, head: bytes) -> None:
    """Refuse what is no text.

    Raises
    ------
    NotAPrintError
        naming what the file looks like instead.
    """
    for magic, what in _MAGIC:
        if head.startswith(magic):
            raise NotAPrintError(
                f"this is {what}, not plain G-code text", "export plain G-code from the slicer", path=path
            )
    piece = head[:65536]
    strange = sum(piece.count(bytes([c])) for c in (*range(9), *range(14, 27), *range(28, 32)))
    if strange > _STRAY_BYTES and strange * 100 > len(piece):
        raise NotAPrintError(
            "this is binary data, not G-code text (a resin printer's file, perhaps)",
            "export plain G-code from the slicer",
            path=path,
        )


def refuse_no_print(
    path: Path, head: bytes, *, moves: int, spindle: int, o_words: int, z_places: int
) -> None:
    """Say what a file without any extrusion looks like.

    Raises
    ------
    NotAPrintError
        always.
    """
    text = head.lower()
    if o_words:
        what = "this is a program with O-words for a machine tool"
    elif b"resin" in text or b"m6054" in text or b"lift speed" in text:
        what = "this looks like a file for a resin printer"
    elif b"laser" not in text and ((spindle and z_places > 2) or _MILLING.search(head)):
        what = "this looks like a milling program: nothing is extruded"
    elif b"laser" in text or spindle:
        what = "this looks like a laser program: nothing is extruded"
    elif moves:
        what = "no move in this file extrudes anything (a milling, laser or plotting program, perhaps)"
    else:
        raise NotAPrintError("this file holds no G-code moves", "name the sliced file", path=path)
    raise NotAPrintError(what, "name the file that your slicer made for a filament printer", path=path)
