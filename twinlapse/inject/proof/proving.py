"""Run all checks on an original and a written file."""

from __future__ import annotations

from collections.abc import Callable
from concurrent.futures import Executor, Future, ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from twinlapse.arrays import Float, Progress
from twinlapse.buffered_bytes import FileBytes, file_bytes
from twinlapse.errors import TwinlapseError
from twinlapse.gcode import Toolpath, read_toolpath
from twinlapse.gcode.chunked_reader import pass_toolpath
from twinlapse.inject.proof.arc_reading import OwnArcs, read_arcs
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
from twinlapse.inject.proof.objects import advice_on_cancelling, faults_of_places
from twinlapse.inject.proof.offsets import tool_offset
from twinlapse.inject.proof.outside_lines import ObjectsAround, objects_around, stray_cues
from twinlapse.inject.proof.report import Check, Fault, Proof, first, verdict
from twinlapse.inject.proof.same_rows import RowComparison
from twinlapse.inject.proof.state_restored import (
    check_feed,
    check_filament,
    check_modes,
    check_place,
    check_settings,
)
from twinlapse.progress import part_of
from twinlapse.rig.model import Rig

__all__ = ["OriginalRead", "prove", "read_original"]


@dataclass(frozen=True, slots=True, kw_only=True)
class OriginalRead:
    """What the original's own lines say, whatever is written."""

    arcs: OwnArcs
    reading: Check
    tool_offset_mm: tuple[float, float]


def read_original(original: Path, toolpath: Toolpath) -> OriginalRead:
    """Read the lines of the original as its firmware does; needs no written file, so it can run before."""
    with file_bytes(original, "G-code file") as view:
        arcs = read_arcs(toolpath, view)
        return OriginalRead(
            arcs=arcs, reading=check_reading(toolpath, view, arcs), tool_offset_mm=tool_offset(view)
        )


def prove(
    original: Path,
    written: Path,
    rig: Rig | None = None,
    *,
    toolpath: Toolpath | None = None,
    read: Future[OriginalRead] | None = None,
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
    read : Future of OriginalRead, optional
        Of `toolpath`, when `read_original` runs already.
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
        facts = facts_of(fenced)
        named, rig = rig is not None, rig or rig_of(facts, written)
        if toolpath is None:
            toolpath = read_toolpath(original, firmware=rig.printer.firmware, progress=part_of(tell, 0, 0.5))
        with ThreadPoolExecutor(1) as helper:  # compiled loops release the interpreter
            read = read or helper.submit(read_original, original, toolpath)
            looked = helper.submit(_look_outside, before, after, fenced, toolpath.firmware)
            block_rows, same_rows = _pass_by(written, rig, fenced, toolpath, part_of(tell, 0.5, 0.9))
            outside, cues, objects = looked.result()
            mine = read.result()
            fenced.faults.extend(cues)
            checks = [
                _check_fences(fenced),
                _check_header(facts, toolpath, fenced),
                check_limits(fenced, rig, named=named),
                _check_original(outside),
                mine.reading,
                same_rows,
            ]
            added_s = 0.0
            if block_rows is not None and not fenced.faults:
                evidence = Evidence(
                    original=toolpath,
                    arcs=mine.arcs,
                    block_rows=block_rows,
                    fenced=fenced,
                    facts=facts,
                    rig=rig,
                    tool_offset_mm=mine.tool_offset_mm,
                    objects=objects,
                )
                seconds = block_seconds(block_rows, fenced, rig.printer)
                added_s = float(seconds.sum())
                checks.extend(_block_checks(evidence, seconds, helper))
                checks.extend([check_progress(fenced, seconds), check_time(seconds, facts)])
    tell(1.0)
    return Proof(
        checks=tuple(checks),
        shots=len(fenced.blocks),
        added_s=added_s,
        added_lines=fenced.added_lines,
    )


def _look_outside(
    before: FileBytes, after: FileBytes, fenced: FencedFile, firmware: str
) -> tuple[OutsideDiff, list[Fault], ObjectsAround]:
    """Compare the bytes outside the blocks, and look there for cues and for brackets around shots."""
    outside = compare_outside(before, after, fenced, firmware)
    return outside, stray_cues(after, fenced), objects_around(after, fenced)


def _pass_by(
    written: Path, rig: Rig, fenced: FencedFile, original: Toolpath, progress: Progress | None
) -> tuple[BlockRows | None, Check]:
    """Read the written file, compare what stands outside the blocks and keep what stands in them."""
    passes: list[tuple[RowComparison, BlockRowCollector]] = []

    def begin() -> Callable[[Toolpath], None]:
        comparison, collector = RowComparison(original), BlockRowCollector(fenced.blocks)
        passes.append((comparison, collector))
        return lambda piece: comparison.piece(piece, collector.piece(piece))

    try:
        pass_toolpath(written, begin, firmware=rig.printer.firmware, progress=progress)
    except TwinlapseError as error:
        fault = Fault(error.line, f"it cannot be read: {error.what}")
        return None, verdict("prints the same", fault, "")
    comparison, collector = passes[-1]
    same_rows = comparison.finish(fenced.lines)
    return None if collector.is_empty else collector.finish(original), same_rows


def _block_checks(evidence: Evidence, seconds: Float, helper: Executor) -> list[Check]:
    moves = moves_of(evidence.block_rows)
    readings = read_blocks(evidence)
    cleared = helper.submit(check_clearance, evidence, moves, faults_of_places(evidence, moves, readings))
    return [
        check_path(evidence, advice_on_cancelling(evidence, moves, readings)),
        check_place(evidence),
        check_modes(evidence),
        check_feed(evidence),
        check_filament(evidence, moves),
        check_settings(evidence),
        check_commands(evidence, readings),
        check_bounds(evidence, moves, seconds, readings),
        check_machine(evidence, moves),
        cleared.result(),
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
