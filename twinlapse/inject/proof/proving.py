"""Run all checks on an original and a written file."""

from __future__ import annotations

from concurrent.futures import Executor, Future, ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from twinlapse.arrays import Float, Int, Progress
from twinlapse.buffered_bytes import FileBytes, file_bytes
from twinlapse.gcode import Toolpath, read_toolpath
from twinlapse.inject.proof.arc_reading import OwnArcs, read_arcs
from twinlapse.inject.proof.block_bounds import check_bounds
from twinlapse.inject.proof.block_commands import check_commands, check_stands, read_blocks
from twinlapse.inject.proof.block_moves import check_machine, check_path, check_speed
from twinlapse.inject.proof.block_time import block_seconds, check_progress, check_time
from twinlapse.inject.proof.clearance import check_clearance, touches_of
from twinlapse.inject.proof.diff import OutsideDiff, compare_outside
from twinlapse.inject.proof.evidence import BlockMoves, Evidence, moves_of
from twinlapse.inject.proof.fences import FencedFile, read_fences
from twinlapse.inject.proof.firmware_reading import check_reading
from twinlapse.inject.proof.header_facts import facts_of, rig_of
from twinlapse.inject.proof.limits import check_limits
from twinlapse.inject.proof.objects import advice_on_cancelling, faults_of_places
from twinlapse.inject.proof.offsets import tool_offset
from twinlapse.inject.proof.outside_lines import ObjectsAround, look_outside
from twinlapse.inject.proof.report import Check, Fault, Proof, first, verdict
from twinlapse.inject.proof.rereading import ReadBack, read_stretches, read_whole, stretches_of
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
            compared = helper.submit(_compare, before, after, fenced, toolpath)
            looked = helper.submit(_look_outside, written, fenced)
            stretches = stretches_of(fenced, toolpath, rig.printer.firmware, len(after))
            share = part_of(tell, 0.5, 0.9)
            back = read_stretches(written, stretches, fenced, toolpath, share) if stretches else None
            outside, unread_is_same = compared.result()
            cues, objects = looked.result()
            fenced.faults.extend(cues)
            case = _Case(
                original=toolpath,
                read=read.result(),
                fenced=fenced,
                facts=facts,
                rig=rig,
                rig_is_named=named,
                outside=outside,
                objects=objects,
            )
            proof = _proof(case, back, helper) if back is not None and unread_is_same else None
            if proof is None or not proof.holds:
                back = read_whole(written, rig.printer.firmware, fenced, toolpath, share)
                proof = _proof(case, back, helper)
    tell(1.0)
    return proof


@dataclass(frozen=True, slots=True, kw_only=True)
class _Case:
    """All that is known before the written file's rows are read."""

    original: Toolpath
    read: OriginalRead
    fenced: FencedFile
    facts: dict[str, str]
    rig: Rig
    rig_is_named: bool
    outside: OutsideDiff
    objects: ObjectsAround


def _proof(case: _Case, back: ReadBack, helper: Executor) -> Proof:
    """Run all checks."""
    fenced = case.fenced
    checks = [
        _check_fences(fenced),
        _check_header(case.facts, case.original, fenced),
        check_limits(fenced, case.rig, named=case.rig_is_named),
        _check_original(case.outside),
        case.read.reading,
        back.same_rows,
    ]
    added_s = 0.0
    if back.block_rows is not None and not fenced.faults:
        evidence = Evidence(
            original=case.original,
            arcs=case.read.arcs,
            block_rows=back.block_rows,
            fenced=fenced,
            facts=case.facts,
            rig=case.rig,
            tool_offset_mm=case.read.tool_offset_mm,
            objects=case.objects,
        )
        moves = moves_of(back.block_rows)
        touches = helper.submit(touches_of, evidence, moves)  # it takes as long as all the others together
        seconds = block_seconds(back.block_rows, fenced, case.rig.printer)
        added_s = float(seconds.sum())
        checks.extend(_block_checks(evidence, moves, seconds, touches))
        checks.extend([check_progress(fenced, seconds), check_time(seconds, case.facts)])
    return Proof(
        checks=tuple(checks), shots=len(fenced.blocks), added_s=added_s, added_lines=fenced.added_lines
    )


def _compare(
    before: FileBytes, after: FileBytes, fenced: FencedFile, original: Toolpath
) -> tuple[OutsideDiff, bool]:
    """Compare the bytes outside the blocks; say whether they are those from which `original` was read."""
    outside = compare_outside(before, after, fenced, original.firmware)
    return outside, outside.is_none and before.sha256() == original.sha256


def _look_outside(written: Path, fenced: FencedFile) -> tuple[list[Fault], ObjectsAround]:
    with file_bytes(written, "written file") as view:
        return look_outside(view, fenced)


def _block_checks(evidence: Evidence, moves: BlockMoves, seconds: Float, touches: Future[Int]) -> list[Check]:
    readings = read_blocks(evidence)
    in_front = [
        check_path(evidence, advice_on_cancelling(evidence, moves, readings)),
        check_place(evidence),
        check_modes(evidence),
        check_feed(evidence),
        check_filament(evidence, moves),
        check_settings(evidence),
        check_commands(evidence, readings),
        check_bounds(evidence, moves, seconds, readings),
        check_machine(evidence, moves),
    ]
    behind = [check_speed(evidence, moves), check_stands(evidence, readings)]
    beside = faults_of_places(evidence, moves, readings)
    return [*in_front, check_clearance(evidence, moves, touches.result(), beside), *behind]


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
