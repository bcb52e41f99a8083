"""What there is to say of a sliced file: totals, extents, layers, as plain values."""

from __future__ import annotations

from typing import Any

import numpy as np

from twinlapse.arrays import Float
from twinlapse.gcode.acceptance import accept_read
from twinlapse.gcode.filament import fresh_filament
from twinlapse.gcode.segments import printed_box
from twinlapse.gcode.toolpath import Kind, Layers, Notice, Toolpath

__all__ = ["all_notices", "analysis_json", "layer_rows", "tools_used"]


def analysis_json(
    path: Toolpath, layers: Layers, end_s: Float, *, print_s: float | None = None, with_layers: bool = True
) -> dict[str, Any]:
    """Return what ``twinlapse analyse --json`` prints.

    Parameters
    ----------
    path : Toolpath
    layers : Layers
        Of that toolpath.
    end_s : ndarray of shape (n,), s
        When each row ends.
    print_s : float, optional
        Of the whole file; the end of its last row when left out.
    with_layers : bool
        Whether to say where each layer begins and ends.
    """
    box = printed_box(path)
    found: dict[str, Any] = {
        "file": str(path.path),
        "sha256": path.sha256,
        "bytes": path.size,
        "line_count": path.line_count,
        "move_count": int(((path.length_mm > 0) | (path.e_mm != 0)).sum()),
        "layer_count": len(layers),
        "layer_source": layers.source,
        "raft_layers": int(layers.raft.sum()),
        "objects": list(layers.objects),
        "tools": tools_used(path),
        "extruded_mm": round(float(fresh_filament(path).sum()), 5),
        "bbox_mm": [[round(float(v), 4) for v in side] for side in (box.low_mm, box.high_mm)],
        "z_max_mm": round(float(path.z_mm.max()), 4),
        "print_s": round(float(end_s[-1] if print_s is None else print_s), 3),
        "firmware": path.firmware,
        "arc_count": len(path.arc_row),
        "spiral": layers.spiral,
        "sequential": layers.sequential,
        "warnings": [
            {"line": notice.line, "code": notice.code, "text": notice.text}
            for notice in all_notices(path, layers)
        ],
    }
    if with_layers:
        found["layers"] = layer_rows(layers, end_s)
    return found


def all_notices(path: Toolpath, layers: Layers) -> list[Notice]:
    """Return everything odd, by line: also what the firmware will not take as it is meant."""
    refused = [finding.notice for finding in accept_read(path, path.firmware) if finding.worth_a_word]
    return sorted([*path.warnings, *layers.warnings, *refused], key=lambda notice: notice.line)


def layer_rows(layers: Layers, end_s: Float) -> list[dict[str, Any]]:
    """Return one record a layer."""
    times = np.concatenate([[0.0], end_s])[layers.first_row]
    columns = zip(
        layers.object.tolist(),
        layers.z_mm.round(4).tolist(),
        layers.height_mm.round(4).tolist(),
        layers.first_line.tolist(),
        layers.first_line[1:].tolist(),
        times.round(3).tolist(),
        times[1:].round(3).tolist(),
        layers.extruded_mm.round(5).tolist(),
        layers.raft.tolist(),
        strict=False,
    )
    return [
        {
            "layer": number,
            "object": owner,
            "z_mm": z,
            "height_mm": height,
            "first_line": first,
            "last_line": following - 1,
            "start_s": start,
            "end_s": end,
            "extruded_mm": extruded,
            "raft": raft,
        }
        for number, (owner, z, height, first, following, start, end, extruded, raft) in enumerate(columns, 1)
    ]


def tools_used(path: Toolpath) -> list[int]:
    """Return the numbers of the tools that feed material."""
    counts = np.bincount(path.tool[(path.kind == Kind.EXTRUDE) | (path.kind == Kind.PRIME)], minlength=1)
    return [int(tool) for tool in np.flatnonzero(counts)] or [0]
