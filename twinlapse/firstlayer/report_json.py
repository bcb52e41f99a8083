"""What was found on a layer as plain values, and the file that keeps it with the job.

``JOB/firstlayer-N.json`` is what ``twinlapse first-layer`` prints with ``--json``, and the number of the run
whose frames it is about; the film's captions and the service read it.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import asdict
from pathlib import Path
from typing import Any

from twinlapse.files import write_json
from twinlapse.firstlayer.camera_trouble import CameraTrouble
from twinlapse.firstlayer.classify import Judgement
from twinlapse.firstlayer.corner_check import CornerCheck
from twinlapse.firstlayer.mosaic import Mosaic
from twinlapse.firstlayer.report import verdict
from twinlapse.firstlayer.self_calibration import SelfCalibration

__all__ = ["as_json", "calibration_json", "corners_json", "known_only", "report_file", "write_report"]


def report_file(folder: Path, layer: int) -> Path:
    """Return where the report of a layer, from 0, lies in a job folder."""
    return folder / f"firstlayer-{layer + 1}.json"


def write_report(folder: Path, layer: int, told: Mapping[str, Any], run: int) -> Path:
    """Keep a report with the job, whole or not at all; return the file."""
    path = report_file(folder, layer)
    write_json(path, {**told, **({"run": run} if run else {})})
    return path


def known_only(value: Any) -> Any:
    """Return plain values with null for every number that is not known: JSON has no NaN (RFC 8259)."""
    if isinstance(value, float):
        return value if math.isfinite(value) else None
    if isinstance(value, Mapping):
        return {key: known_only(item) for key, item in value.items()}
    if isinstance(value, list | tuple):
        return [known_only(item) for item in value]
    return value


def as_json(mosaic: Mosaic, judgement: Judgement) -> dict[str, Any]:
    """Return what was found as plain values."""
    told: dict[str, Any] = known_only(
        {
            "sound": judgement.sound,
            "can_tell": judgement.can_tell,
            "defects": [asdict(defect) for defect in judgement.defects],
            "verdict": verdict(judgement),
            "why": judgement.why,
            "not_looked_for": list(judgement.not_looked_for),
            "patches": [list(box) for box in judgement.patches],
            "objects": [asdict(item) for item in judgement.objects],
            "unseen": [list(item.at_mm) for item in judgement.unseen],
            "laying": None if judgement.laying is None else asdict(judgement.laying),
            "camera": None if judgement.trouble is None else _camera(judgement.trouble),
            "gaps_shown": None if judgement.gaps is None else asdict(judgement.gaps),
            "seen_share": round(judgement.seen_share, 4),
            "separability": round(judgement.separability, 2),
            "offset_mm": [round(v, 3) for v in judgement.offset_mm],
            "frames": len(mosaic.shifts_mm),
            "overlaps": len(mosaic.links),
            "overlaps_used": sum(link.used for link in mosaic.links),
            "residual_mm": round(mosaic.residual_mm, 4),
            "shifts_mm": [[round(float(v), 4) for v in shift] for shift in mosaic.shifts_mm],
        }
    )
    return told


def corners_json(corner_check: CornerCheck | None) -> dict[str, Any]:
    """Return what the corners did as plain values; a layer that does not show one is null."""
    if corner_check is None:
        return {"corners": [], "corner_layers": []}
    corners = [
        {
            "at_mm": list(w.corner_mm),
            "lift_mm": [round(float(v), 3) if math.isfinite(v) else None for v in w.lift_mm],
            "lifted": w.lifted,
            "known": w.known,
            "confidence": w.confidence,
        }
        for w in corner_check.watches
    ]
    return {"corners": corners, "corner_layers": [layer + 1 for layer in corner_check.layers]}


def calibration_json(found: SelfCalibration) -> dict[str, Any]:
    """Return what the print says of the camera as plain values."""
    place, look, roll, lens = (
        found.camera.place_mm or (),
        found.camera.look_mm or (),
        found.camera.roll_deg,
        found.camera.lens,
    )
    return {
        "trusted": found.trusted,
        "residual_mm": round(found.residual_mm, 4) if math.isfinite(found.residual_mm) else None,
        "pieces": found.pieces,
        "place_mm": [round(v, 3) for v in place],
        "look_mm": [round(v, 3) for v in look],
        "roll_deg": round(roll, 3),
        "across_deg": round(lens.across_deg, 3),
        "distortion": [round(v, 5) for v in lens.distortion],
        "place_error_mm": round(found.place_error_mm, 3),
        "turn_error_deg": round(found.turn_error_deg, 3),
    }


def _camera(trouble: CameraTrouble) -> dict[str, Any]:
    return {**asdict(trouble), "sentences": list(trouble.sentences)}
