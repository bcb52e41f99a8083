"""Tool offsets set by the file itself: the carriage is offset from the commanded nozzle position by these."""

from __future__ import annotations

import re

from twinlapse.buffered_bytes import FileBytes

__all__ = ["tool_offset"]

_HEAD_BYTES = 1_048_576  # tools are described in the start code
# RepRapFirmware: G10 P1 X20; Marlin: M218 T1 X20; Klipper: SET_GCODE_OFFSET X=20 (each firmware's own pages)
_LINE = re.compile(rb"(?im)^[ \t]*(?:G10[ \t]*P\d|M218\b|SET_GCODE_OFFSET\b)[^;\n]*")
_WORD = re.compile(rb"(?i)([XY])(?:_ADJUST)?[ \t]*=?[ \t]*(-?\d+\.?\d*|-?\.\d+)")


def tool_offset(original: FileBytes) -> tuple[float, float]:
    """Return the greatest offset along X and along Y, in millimetres without sign."""
    most = {b"X": 0.0, b"Y": 0.0}
    for line in _LINE.findall(original[:_HEAD_BYTES]):
        for axis, value in _WORD.findall(line):
            most[axis.upper()] = max(most[axis.upper()], abs(float(value)))
    return most[b"X"], most[b"Y"]
