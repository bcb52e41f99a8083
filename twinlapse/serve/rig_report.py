"""What the page shows beside the live pictures of a rig: the lines to aim by, and every check.

Run as ``python -m twinlapse.serve.rig_report RIG``: a process of its own, so that the service keeps neither
the memory nor the seconds that geometry takes.
"""

from __future__ import annotations

import json
import math
import sys
from dataclasses import asdict
from pathlib import Path
from typing import Any

import numpy as np

from twinlapse.errors import TwinlapseError
from twinlapse.optics.aiming_lines import aim_lines, near_tip, visible_runs
from twinlapse.optics.pose import in_picture, pose_in_bed, rest_of, see
from twinlapse.optics.upright import upright_camera
from twinlapse.rig.camera import Camera
from twinlapse.rig.checking import check_rig
from twinlapse.rig.printer import Printer
from twinlapse.rig.reader import read_rig

__all__ = ["camera_report", "main", "rig_report"]

_ABOVE_MM = 0.2  # of the nozzle over the bed while one aims: a first layer's height, as `rig aim` takes it


def rig_report(rig_file: Path) -> dict[str, Any]:
    """Return cameras with their lines, and findings, as values that JSON can hold.

    Raises
    ------
    RigError
        when the rig file is faulty.
    """
    rig = read_rig(rig_file)
    return {
        "cameras": [camera_report(camera, rig.printer) for camera in rig.cameras],
        "findings": [_plain(asdict(finding)) for finding in check_rig(rig)],
    }


def camera_report(camera: Camera, printer: Printer) -> dict[str, Any]:
    """Return how one camera is aimed: sizes in pixels of its upright picture, lines, where the tip should be.

    Lines are lists of (x, y); the middle of the upper left pixel is (0, 0).
    """
    upright = upright_camera(camera)
    nozzle = (*rest_of(camera, printer)[:2], _ABOVE_MM)
    pose = pose_in_bed(upright, printer, nozzle)
    tip = see(np.array(nozzle), pose, upright.lens)
    lines = [
        {"kind": line.kind, "points": np.round(run, 1).tolist()}
        for line in aim_lines(pose, upright.lens, printer, nozzle)
        for run in visible_runs(line.pixels, upright.lens)
    ]
    return {
        "name": camera.name,
        "mount": camera.mount,
        "size_px": [upright.lens.width_px, upright.lens.height_px],
        "rotate_deg": camera.rotate_deg,
        "mirror": camera.mirror,
        "nozzle_mm": [round(value, 2) for value in nozzle],
        "step_mm": 10 if near_tip(pose, nozzle) else 50,
        "tip_px": np.round(tip, 1).tolist() if in_picture(tip, upright.lens) else None,
        "lines": lines,
    }


def main() -> int:
    """Write the report of the rig file that is named, or what is wrong with it, to standard output."""
    try:
        told, status = rig_report(Path(sys.argv[1])), 0
    except TwinlapseError as error:
        told, status = {"error": error.what, "hint": error.hint}, 2
    json.dump(told, sys.stdout)
    return status


def _plain(value: Any) -> Any:
    """Return a value that JSON can hold: what has no number is null."""
    if isinstance(value, dict):
        return {key: _plain(one) for key, one in value.items()}
    return None if isinstance(value, float) and not math.isfinite(value) else value


if __name__ == "__main__":
    raise SystemExit(main())
