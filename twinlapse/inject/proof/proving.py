"""Run all checks on an original and a written file."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

from twinlapse.arrays import Float, Progress
from twinlapse.buffered_bytes import file_bytes
from twinlapse.errors import TwinlapseError
from twinlapse.gcode import Toolpath, read_toolpath
from twinlapse.gcode.chunked_reader import pass_toolpath
from twinlapse.inject.proof.arc_reading import read_arcs
from twinlapse.inject.proof.block_bounds import check_bounds
from twinlapse.inject.proof.block_commands import check_commands, check_stands, read_blocks
from twinlapse.inject.proof.block_moves import check_machine, check_path, check_speed
from twinlapse.inject.proof.block_rows import BlockRowCollector, BlockRows
from twinlapse.inject.proof.block_time import block_seconds, check_progress, check_time
from twinlapse.inject.proof.clearance import check_clearance
from twinlapse.inject.proof.diff import OutsideDiff, compare_outside
from twinlapse.inject.proof.evidence import Evidence, moves_of
from twinlapse.inject.proof.fences import FencedFile, read_fences
from twinlapse.inject.proof.firmware_reading import check_reading
from twinlapse.inject.proof.header_facts import facts_of, rig_of
from twinlapse.inject.proof.limits import check_limits
from twinlapse.inject.proof.offsets import tool_offset
from twinlapse.inject.proof.outside_lines import shots_in_objects, stray_cues
from twinlapse.inject.proof.report import Check, Fault, Proof, first, verdict
from twinlapse.inject.proof.same_rows import RowComparison
from twinlapse.inject.proof.state_restored import (
    check_feed,
    check_filament,
    check_modes,
    check_place,
    check_settings,
)
from twinlapse.rig.model import Rig

__all__ = ["prove"]


def prove(
    original: Path,
    written: Path,
    rig: Rig | None = None,
    *,
    toolpath: Toolpath | None = None,
    progress: Progress | None = None,
) -> Proof:
    """Check that `written` prints what `original` prints, and that every stop in it is safe.

    Parameters
    ----------
    original, written : Path
    rig : Rig, optional
        The machine. When it is left out, the header of `written` says what it was written for.
    toolpath : Toolpath, optional
        Of `original`, when it has been read already.
    progress : callable, optional
        Takes the share done, 0 to 1.

    Raises
    ------
    FileProblemError, NotAPrintError
        `original` cannot be read.
    InjectError
        without `rig`, when the header does not describe the machine.
    """
    tell = progress or (lambda share: None)
    with file_bytes(original, "G-code file") as before, file_bytes(written, "written file") as after:
        fenced = read_fences(after)
        fenced.faults.extend(stray_cues(after, fenced))
        in_objects = shots_in_objects(after, fenced)
        facts = facts_of(fenced)
        named, rig = rig is not None, rig or rig_of(facts, written)
        outside = compare_outside(before, after, fenced, rig.printer.firmware)
        offset = tool_offset(before)
        tell(0.2)
        if toolpath is None:
            toolpath = read_toolpath(original, firmware=rig.printer.firmware)
        arcs = read_arcs(toolpath, before)
        reading = check_reading(toolpath, before, arcs)
        tell(0.5)
    checks = [
        _check_fences(fenced),
        _check_header(facts, toolpath, fenced),
        check_limits(fenced, rig, named=named),
        _check_original(outside),
        reading,
    ]
    block_rows = _pass_by(written, rig, fenced, toolpath, checks, lambda share: tell(0.5 + 0.4 * share))
    added_s = 0.0
    if block_rows is not None and not fenced.faults:
        evidence = Evidence(
            original=toolpath,
            arcs=arcs,
            block_rows=block_rows,
            fenced=fenced,
            facts=facts,
            rig=rig,
            tool_offset_mm=offset,
            in_objects=in_objects,
        )
        seconds = block_seconds(block_rows, fenced, rig.printer)
        added_s = float(seconds.sum())
        checks.extend(_block_checks(evidence, seconds))
        checks.extend([check_progress(fenced, seconds), check_time(seconds, facts)])
    tell(1.0)
    return Proof(
        checks=tuple(checks),
        shots=len(fenced.blocks),
        added_s=added_s,
        added_lines=fenced.added_lines,
    )


def _pass_by(
    written: Path, rig: Rig, fenced: FencedFile, original: Toolpath, checks: list[Check], progress: Progress
) -> BlockRows | None:
    """Read the written file, compare what stands outside the blocks and keep what stands in them."""
    passes: list[tuple[RowComparison, BlockRowCollector]] = []

    def begin() -> Callable[[Toolpath], None]:
        comparison, collector = RowComparison(original), BlockRowCollector(fenced.blocks)
        passes.append((comparison, collector))
        return lambda piece: comparison.piece(piece, collector.piece(piece))

    try:
        pass_toolpath(written, begin, firmware=rig.printer.firmware, progress=progress)
    except TwinlapseError as error:
        checks.append(verdict("prints the same", Fault(error.line, f"it cannot be read: {error.what}"), ""))
        return None
    comparison, collector = passes[-1]
    checks.append(comparison.finish(fenced.lines))
    if collector.is_empty:
        return None
    return collector.finish(original)


def _block_checks(evidence: Evidence, seconds: Float) -> list[Check]:
    moves = moves_of(evidence.block_rows)
    readings = read_blocks(evidence)
    return [
        check_path(evidence),
        check_place(evidence),
        check_modes(evidence),
        check_feed(evidence),
        check_filament(evidence, moves),
        check_settings(evidence),
        check_commands(evidence, readings),
        check_bounds(evidence, moves, seconds, readings),
        check_machine(evidence, moves),
        check_clearance(evidence, moves),
        check_speed(evidence, moves),
        check_stands(evidence, readings),
    ]


def _check_fences(fenced: FencedFile) -> Check:
    good = f"{len(fenced.blocks)} shots, each between its two marker comments, in rising order"
    fault = first(fenced.faults)
    if fault is not None:
        fault = Fault(fault.line, f"{fault.text}; the shots themselves were not checked")
    return verdict("markers", fault, good)


def _check_header(facts: dict[str, Any], original: Toolpath, fenced: FencedFile) -> Check:
    line = 1 if fenced.header is None else fenced.header.line
    fault = None
    if fenced.header is None:
        fault = Fault(line, "the header is missing")
    elif facts.get("original_sha256") != original.sha256:
        fault = Fault(line, "the header names another original")
    elif facts.get("shots") != str(len(fenced.blocks)):
        fault = Fault(line, f"the header says {facts.get('shots')} shots, {len(fenced.blocks)} are there")
    return verdict("header", fault, "the header names this original and the count of shots")


def _check_original(outside: OutsideDiff) -> Check:
    good = "byte for byte outside the marker comments"
    if outside.rewritten:
        good = (
            f"same commands outside the marker comments; {outside.rewritten} lines or more spelled anew, "
            f"the first is line {outside.first_line}"
        )
    return verdict("original kept", outside.fault, good)
