"""``twinlapse rig check --firmware-config``: the rig against the machine's own configuration."""

from __future__ import annotations

from dataclasses import asdict
from pathlib import Path

import click

from twinlapse.cli.output import Output

__all__ = ["compare"]


def compare(out: Output, rig_file: Path, config_file: Path, gcode: Path | None, *, write: bool) -> None:
    """Say where the rig differs from the machine, and what its firmware lacks; with `write`, take it over."""
    from twinlapse.files import read_text, write_bytes
    from twinlapse.rig import read_rig
    from twinlapse.rig.firmware_config import (
        differences,
        idle_faults,
        missing_sections,
        read_firmware_config,
        with_limits,
    )

    rig = read_rig(rig_file)
    config = read_firmware_config(config_file)
    found = differences(rig, config)
    faults = [*missing_sections(rig, config, _needed(gcode, config.firmware)), *idle_faults(rig, config)]
    out.say(f"{config_file}: {config.firmware}, {len(config.values)} limits")
    for note in config.notes:
        out.warn(note)
    written = 0
    if write and found:
        text, by_hand = with_limits(read_text(rig_file, "rig file"), rig, found)
        write_bytes(rig_file, text.encode())
        written, found = len(found) - len(by_hand), by_hand
        out.say(f"wrote {written} limits to {rig_file}")
    for difference in found:
        out.say(f"  NO  {difference.text}" + ("; write it yourself" if write else ""))
    for fault in faults:
        out.say(f"  NO  {fault}")
    if not found and not faults:
        out.say("  ok  the rig says what the machine says")
    out.result(
        {
            "holds": not found and not faults,
            "firmware": config.firmware,
            "differences": [asdict(difference) for difference in found],
            "faults": faults,
            "notes": list(config.notes),
            "written": written,
        }
    )
    if found or faults:
        raise click.exceptions.Exit(1)


def _needed(gcode: Path | None, firmware: str) -> list[str]:
    """Return what the lines of a file need of the firmware."""
    if gcode is None:
        return []
    from twinlapse.gcode.acceptance import accept

    return [finding.rule.needs for finding in accept(gcode, firmware) if finding.rule.needs]
