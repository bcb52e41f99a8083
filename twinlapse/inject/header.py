"""The comment lines at the head of a written file: what it is, cautions, facts that the proof needs."""

from __future__ import annotations

import re
import zlib
from collections.abc import Iterator
from dataclasses import fields

from twinlapse.inject.move_writer import number
from twinlapse.rig import Rig
from twinlapse.shots import Plan

__all__ = ["CAUTIONS", "header_lines", "place_of_header"]

_RETRACTION = ("retract_mm", "retract_mm_s", "prime_extra_mm", "wipe_mm")
_BEGIN = "; twinlapse header begin"
_END = "; twinlapse header end"

CAUTIONS = (
    "This file moves a hot machine to places that the slicer did not choose.",
    "Run the dry run first: bed clear, a hand on the stop. Then watch the first layers.",
    "Check every limit below against your own machine; they come from the rig file.",
    "Keep hands, hair and cables away from hot and moving parts.",
    "Do not print unattended.",
    "Mains wiring, for lights or power, is for a licensed electrician under the local code.",
)


def header_lines(plan: Plan, rig: Rig, size: int, added_s: float) -> list[str]:
    """Return the header of a written file, marker comments included, without line ends.

    Parameters
    ----------
    plan : Plan
    rig : Rig
    size : int
        Bytes of the original.
    added_s : float
        What all shots take.
    """
    lines = [_BEGIN, "; The stops of a time-lapse film stand between marker comments in this file."]
    lines.append("; 'twinlapse inject --remove' takes them out and gives the original back.")
    lines.extend(f"; CAUTION: {text}" for text in CAUTIONS)
    lines.append(f"; original_sha256 {plan.original_sha256}")
    lines.append(f"; original_bytes {size}")
    lines.append(f"; shots {len(plan.shots)}")
    lines.append(f"; added_s {number(added_s, 1)}")
    if holds := [str(shot.number) for shot in plan.shots if shot.hold_mm is not None]:
        lines.append(f"; hold {' '.join(holds)}")
    limits = [f"; {line}" for line in _machine(rig)]
    lines.extend(limits)
    checked = "".join(f"{line}\n" for line in limits).encode()
    lines.append(f"; limits_crc32 {zlib.crc32(checked):08x}")
    lines.append(_END)
    return lines


def _machine(rig: Rig) -> Iterator[str]:
    printer, head = rig.printer, rig.printer.toolhead
    yield f"firmware {printer.firmware}"
    yield f"kinematics {printer.kinematics}"
    yield f"bed_shape {printer.bed_shape}"
    for name, pair in (("x_mm", printer.x_range_mm), ("y_mm", printer.y_range_mm)):
        yield f"{name} {number(pair[0], 3)} {number(pair[1], 3)}"
    yield f"height_mm {number(printer.height_mm, 3)}"
    for name in ("travel_mm_s", "travel_z_mm_s", "accel_mm_s2", "accel_z_mm_s2", *_RETRACTION):
        yield f"{name} {number(getattr(printer, name), 3)}"
    for name in ("junction_deviation_mm", "square_corner_mm_s", "jerk_mm_s"):
        value = getattr(printer.cornering, name)
        if value is not None:
            yield f"cornering {name} {number(value, 5)}"
    for item in fields(printer.limits):
        value = getattr(printer.limits, item.name)
        if value is not None and value != item.default:
            yield f"limit {item.name} {number(value, 5)}"
    for name in ("radius_mm", "height_mm", "gantry_mm", "nozzle_radius_mm", "nozzle_length_mm"):
        yield f"toolhead {name} {number(getattr(head, name), 3)}"
    for box in printer.keep_out:
        sides = (*box.x_mm, *box.y_mm, box.z_mm)
        yield f"keep_out {' '.join('inf' if side == float('inf') else number(side, 3) for side in sides)}"
    for camera in rig.cameras:
        waits = f"settle_s {number(camera.settle_s, 3)} dwell_s {number(camera.dwell_s, 3)}"
        yield f"camera {camera.name} {waits}"
    if rig.cue.kind == "macro":
        yield f"macro {re.split(r'[ ={]', rig.cue.text.strip(), maxsplit=1)[0]}"


def place_of_header(head: bytes) -> int:
    """Return the offset of the first line that is no comment: readers of a file's first lines see them first.

    Parameters
    ----------
    head : bytes
        The beginning of the file, whole lines.
    """
    offset = 0
    for line in head.splitlines(keepends=True):
        bare = line.strip()
        if bare and not bare.startswith((b";", b"(", b"%", b"\xef\xbb\xbf;")):
            return offset
        offset += len(line)
    return 0
