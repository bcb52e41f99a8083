"""Rows that pass by in pieces are the rows that are read at once."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from twinlapse.gcode import Toolpath, read_toolpath, reader
from twinlapse.gcode.chunked_reader import pass_toolpath

ROW_COLUMNS = (
    "line", "byte", "kind", "mode", "tool", "x_mm", "y_mm", "z_mm", "e_mm", "e_word", "feed_mm_s",
    "length_mm", "retracted_mm", "dwell_s", "accel_mm_s2",
)  # fmt: skip
ARCS = """M109 S200
G28
G21
M83
M204 S900
G1 X50 Y50 Z0.3 F3000
G2 X60 Y60 I10 J0 E1
M204 P1200 T2000
G1 X80 Y60 E1
G92 X0 Y0
G3 X10 Y10 R10 E.5
SET_VELOCITY_LIMIT ACCEL=700
G4 P500
G1 X20 Y20 E1
"""


@pytest.mark.parametrize("firmware", ["marlin", "klipper", "reprapfirmware"])
@pytest.mark.parametrize("step", [16, 40, 1000])
@pytest.mark.parametrize("name", ["arcs", "cube_start_end.gcode", "bracket_fw_retract.gcode"])
def test_pieces_are_the_whole(
    name: str, firmware: str, step: int, sliced_folder: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = sliced_folder / name
    if name == "arcs":
        path = tmp_path / "arcs.gcode"
        path.write_text(ARCS)
    else:
        step *= 400
    whole = read_toolpath(path, firmware=firmware)
    monkeypatch.setattr(reader, "PIECE_BYTES", step)
    kept: list[dict[str, np.ndarray]] = []
    settings: list[np.ndarray] = []
    rows = [0]

    def begin():  # type: ignore[no-untyped-def]
        kept.clear()
        settings.clear()
        rows[:] = [0]

        def take(piece: Toolpath) -> None:
            kept.append({column: getattr(piece, column).copy() for column in ROW_COLUMNS})
            settings.append(np.column_stack([piece.setting_row + rows[0], piece.setting_value]))
            rows[0] += len(piece)

        return take

    pass_toolpath(path, begin, firmware=firmware)
    assert len(kept) > 1 or step >= 1000
    for column in ROW_COLUMNS:
        joined = np.concatenate([piece[column] for piece in kept])
        np.testing.assert_array_equal(joined, getattr(whole, column), err_msg=column)
    table = np.concatenate(settings)
    np.testing.assert_array_equal(table[:, 0], whole.setting_row)
    np.testing.assert_array_equal(table[:, 1], whole.setting_value)
