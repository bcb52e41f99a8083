"""What a sliced file says: bytes to columns of moves, and moves to layers."""

from __future__ import annotations

from typing import TYPE_CHECKING

from twinlapse.gcode.state import ModalState, row_after_line, row_before_line, state_after
from twinlapse.gcode.toolpath import Kind, Layers, Mode, Note, Notice, Setting, Toolpath

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

__all__ = [
    "Kind",
    "Layers",
    "ModalState",
    "Mode",
    "Note",
    "Notice",
    "Setting",
    "Toolpath",
    "find_layers",
    "read_toolpath",
    "row_after_line",
    "row_before_line",
    "state_after",
]


def read_toolpath(
    path: Path, *, firmware: str | None = None, progress: Callable[[float], None] | None = None
) -> Toolpath:
    """Read a sliced file; see `twinlapse.gcode.reader.read_toolpath`."""
    from twinlapse.gcode.reader import read_toolpath as read

    return read(path, firmware=firmware, progress=progress)


def find_layers(toolpath: Toolpath) -> Layers:
    """Find the layers of a toolpath; see `twinlapse.gcode.layers.find_layers`."""
    from twinlapse.gcode.layers import find_layers as find

    return find(toolpath)
