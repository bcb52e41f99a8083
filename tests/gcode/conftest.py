"""Small files made in the tests, read back as toolpaths."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

from twinlapse.gcode import Toolpath, read_toolpath

Read = Callable[..., Toolpath]


@pytest.fixture
def read(tmp_path: Path) -> Read:
    """Write a text (or bytes) as a file and read it."""

    def read_text(text: str | bytes, *, firmware: str | None = None) -> Toolpath:
        file = tmp_path / "label.gcode"
        file.write_bytes(text if isinstance(text, bytes) else text.encode())
        return read_toolpath(file, firmware=firmware)

    return read_text


@pytest.fixture
def square() -> Callable[..., str]:
    """Return the G-code of one layer: a square outline in relative E, reached by a travel at its height."""

    def outline(z: float, *, x: float = 50.0, y: float = 50.0, side: float = 20.0, rounds: int = 4) -> str:
        lines = [f"G0 X{x:.3f} Y{y:.3f} Z{z:.3f} F7200", "G1 F1800"]
        for k in range(rounds):
            s = side - 0.8 * k
            corners = [(x + s, y), (x + s, y + s), (x, y + s), (x, y)]
            lines += [f"G1 X{a:.3f} Y{b:.3f} E{s * 0.04:.4f}" for a, b in corners]
        return "\n".join(lines) + "\n"

    return outline
