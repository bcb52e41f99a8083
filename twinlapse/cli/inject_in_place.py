"""``twinlapse inject --in-place``: as a post-processing script of a slicer."""

from __future__ import annotations

import shutil
from pathlib import Path
from typing import Any

import twinlapse
from twinlapse.cli.output import Output

__all__ = ["inject_in_place"]


def inject_in_place(output: Output, gcode: Path, rig_path: Path) -> dict[str, Any]:
    """Change a sliced file into the written one; a file that is written already for this rig stays as it is.

    The new file is written and proven beside the old one and takes its name in one step, so that a slicer
    finds either the one or the other.
    """
    from twinlapse.files import flush_folder
    from twinlapse.written_job import is_written

    rig = twinlapse.load_rig(rig_path)
    told: dict[str, Any] = {"file": str(gcode), "changed": False}
    source = gcode
    original = gcode.with_name(f".{gcode.name}.original")
    part = gcode.with_name(f".{gcode.name}.part")
    try:
        if gcode.exists() and is_written(gcode):
            if _is_current(gcode, rig.raw):
                output.say(f"{gcode}: holds its shots already")
                return told
            twinlapse.remove(gcode, original)  # written for another rig, or by a former version
            source = original
        sliced = twinlapse.read_sliced(source, rig)
        plan = twinlapse.plan(sliced, rig)
        report = twinlapse.inject(source, plan, part, toolpath=sliced.toolpath)
        shutil.copymode(gcode, part)
        part.replace(gcode)
        flush_folder(gcode.parent)
    finally:
        part.unlink(missing_ok=True)
        original.unlink(missing_ok=True)
    for warning in (*plan.warnings, *report.warnings):
        output.warn(warning)
    output.say(f"{gcode}: {report.shots} shots, {plan.cost_s / 60:.1f} min longer, proven")
    return {**told, "changed": True, "shot_count": report.shots, "added_s": round(plan.cost_s, 3)}


def _is_current(gcode: Path, rig: Any) -> bool:
    """Return whether a written file carries a plan for this very rig."""
    from twinlapse.errors import TwinlapseError
    from twinlapse.inject.carried_job import carried_plan

    try:
        return dict(carried_plan(gcode).rig) == dict(rig)
    except TwinlapseError:
        return False
