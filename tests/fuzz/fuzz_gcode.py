"""Fuzz the scanner, the interpreter and the layers with atheris; run by hand, see docs/reading.md.

    pip install atheris
    python tests/fuzz/fuzz_gcode.py -max_total_time=1200 tests/fuzz/corpus

The loops run uncompiled, so that atheris sees their branches and Python checks every index.
"""

from __future__ import annotations

import sys
import tempfile
import warnings
from pathlib import Path

import atheris

from twinlapse import jit

jit.kernel = jit.part_of_kernel = lambda function: function
warnings.simplefilter("error")

with atheris.instrument_imports(include=["twinlapse.gcode"]):
    from twinlapse.gcode import find_layers, reader, row_buffer

from twinlapse.errors import GcodeError  # noqa: E402

row_buffer._ROOM = 400  # small tables are filled and emptied sooner
FILE = Path(tempfile.mkdtemp()) / "pot.gcode"


def one_input(data: bytes) -> None:
    """Read some bytes as a file; anything but a refusal or a whole answer is a fault."""
    FILE.write_bytes(data + b"\nG1 X7 Y7 E1\n")
    try:
        path = reader.read_toolpath(FILE)
    except GcodeError:
        return
    found = find_layers(path)
    assert len(found.first_row) == len(found) + 1
    assert len(path) <= path.size


if __name__ == "__main__":
    atheris.Setup(sys.argv, one_input)
    atheris.Fuzz()
