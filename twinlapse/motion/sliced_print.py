"""A sliced file read once: its moves, its layers, and the time of each move."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path

from twinlapse.arrays import Progress
from twinlapse.gcode import Layers, Toolpath, find_layers, read_toolpath
from twinlapse.motion.timeline import Timeline
from twinlapse.motion.timing import time_toolpath
from twinlapse.records import ArrayRecord
from twinlapse.rig import Printer

__all__ = ["SlicedPrint", "read_sliced"]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False, repr=False)
class SlicedPrint(ArrayRecord):
    """What planning needs of a sliced file; all three belong to the same rows."""

    toolpath: Toolpath
    layers: Layers
    timeline: Timeline


def read_sliced(
    gcode: Path, printer: Printer, *, firmware: str | None = None, progress: Progress | None = None
) -> SlicedPrint:
    """Read a sliced file, find its layers and time its moves.

    Parameters
    ----------
    gcode : Path
    printer : Printer
        Whose speeds and accelerations hold.
    firmware : str, optional
        Dialect of the file; detected from the file if omitted.
    progress : callable, optional
        Takes the share done, 0 to 1.

    Raises
    ------
    FileProblemError
        when the file cannot be read.
    GcodeError
        when it is not a filament print.
    """
    toolpath = read_toolpath(gcode, firmware=firmware, progress=progress)
    with ThreadPoolExecutor(1) as helper:  # both are compiled loops that release the interpreter
        timeline = helper.submit(time_toolpath, toolpath, printer)
        return SlicedPrint(toolpath=toolpath, layers=find_layers(toolpath), timeline=timeline.result())
