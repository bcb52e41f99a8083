"""Write the shots of a plan into a sliced file, prove what was written, keep it only if the proof holds."""

from __future__ import annotations

import os
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from pathlib import Path

from twinlapse.arrays import Progress
from twinlapse.buffered_bytes import FileBytes, file_bytes
from twinlapse.errors import InjectError, ProofError
from twinlapse.files import replacing
from twinlapse.gcode import Toolpath, read_toolpath, row_after_line, state_after
from twinlapse.gcode.acceptance import DialectFinding, accept, accept_read
from twinlapse.gcode.homing import homes_by_macro
from twinlapse.inject.blocks import block_lines
from twinlapse.inject.carried_job import carried_lines
from twinlapse.inject.early_notice import arm_insertions
from twinlapse.inject.header import header_lines, place_of_header
from twinlapse.inject.progress import progress_insertions
from twinlapse.inject.proof import Proof, prove, read_original
from twinlapse.inject.removal import MARK
from twinlapse.inject.retraction_style import style_at
from twinlapse.inject.run_lines import run_lines
from twinlapse.inject.splice import Insertion, as_bytes, line_end, splice
from twinlapse.progress import part_of
from twinlapse.rig import Rig, rig_from_mapping
from twinlapse.shots import Plan, Shot, job_code

__all__ = [
    "InjectReport",
    "end_insertion",
    "header_insertion",
    "inject_file",
    "lines_of_shot",
    "needed_sections",
    "plan_insertions",
    "shot_insertions",
]

_HEAD_BYTES = 1_048_576  # in which the first command stands, thumbnails included; no source


@dataclass(frozen=True, slots=True, kw_only=True)
class InjectReport:
    """What was written, and its proof."""

    path: Path
    shots: int
    bytes: int
    added_s: float
    proof: Proof
    warnings: tuple[str, ...] = ()  # what the firmware does not take as it is meant


def inject_file(
    original: Path,
    plan: Plan,
    out: Path,
    *,
    toolpath: Toolpath | None = None,
    progress: Progress | None = None,
) -> InjectReport:
    """Write `original` with the shots of `plan` to `out`.

    Parameters
    ----------
    original : Path
    plan : Plan
    out : Path
        Replaced whole, and only when the proof holds.
    toolpath : Toolpath, optional
        Of `original`, when it has been read already.
    progress : callable, optional
        Takes the share done, 0 to 1.

    Raises
    ------
    InjectError
        when the plan does not fit the file, or the file holds shots already.
    ProofError
        when the written file would not print what the original prints; nothing is kept.
    """
    rig = rig_from_mapping(plan.rig)
    _refuse_same(original, out)
    firmware = rig.printer.firmware
    findings = accept(original, firmware) if toolpath is None else accept_read(toolpath, firmware)
    _refuse_unprintable(findings, original)
    if toolpath is None:
        toolpath = read_toolpath(original, firmware=firmware, progress=part_of(progress, 0.0, 0.3))
    with file_bytes(original, "G-code file") as view, ThreadPoolExecutor(1) as helper:
        read = helper.submit(read_original, original, toolpath)
        _refuse(view, original, plan, toolpath)
        insertions = list(plan_insertions(view, plan, rig, toolpath))
        with replacing(out) as file, ThreadPoolExecutor(1) as disk:
            splice(view, insertions, file, part_of(progress, 0.3, 0.5))
            size = file.tell()
            file.flush()
            flushed = disk.submit(os.fsync, file.fileno())  # a slow card writes while the proof reads
            proof = prove(
                original,
                Path(file.name),
                rig,
                toolpath=toolpath,
                read=read,
                progress=part_of(progress, 0.5, 1.0),
            )
            _refuse_unproven(proof, out)
            flushed.result()
    return InjectReport(
        path=out,
        shots=len(plan.shots),
        bytes=size,
        added_s=proof.added_s,
        proof=proof,
        warnings=(*needed_sections(rig, plan), *_warnings(findings)),
    )


def plan_insertions(view: FileBytes, plan: Plan, rig: Rig, toolpath: Toolpath) -> Iterator[Insertion]:
    """Yield the header and the blocks of all shots in the order of the file."""
    pieces = [
        header_insertion(view, plan, rig, plan.cost_s + _wipes_s(plan, rig, toolpath)),
        *arm_insertions(plan, rig, toolpath, line_end(view[:_HEAD_BYTES])),
        *shot_insertions(view, plan, rig, toolpath),
        *progress_insertions(view, plan),
        end_insertion(view, plan, rig),
    ]
    yield from sorted(pieces, key=lambda piece: piece.byte)


def end_insertion(view: FileBytes, plan: Plan, rig: Rig) -> Insertion:
    """Return what stands behind the last line: the print has ended, and the plan that the file carries."""
    eol = line_end(view[:_HEAD_BYTES])
    lines = [*run_lines("end", job_code(plan.original_sha256), rig), *carried_lines(plan, len(view))]
    text = as_bytes(lines, eol)
    open_line = view[len(view) - 1 :] != b"\n" and all(shot.byte < len(view) for shot in plan.shots)
    return Insertion(byte=len(view), text=eol + text if open_line else text)


def header_insertion(view: FileBytes, plan: Plan, rig: Rig, added_s: float) -> Insertion:
    """Return the header at its place, and the line that says that the print begins."""
    head = view[:_HEAD_BYTES]
    lines = header_lines(plan, rig, len(view), added_s)
    lines += run_lines("begin", job_code(plan.original_sha256), rig)
    return Insertion(byte=place_of_header(head), text=as_bytes(lines, line_end(head)))


def shot_insertions(view: FileBytes, plan: Plan, rig: Rig, toolpath: Toolpath) -> Iterator[Insertion]:
    """Yield the block of every shot at its place."""
    eol = line_end(view[:_HEAD_BYTES])
    for shot in plan.shots:
        text = as_bytes(lines_of_shot(shot, rig, toolpath), eol)
        if view[shot.byte - 1 : shot.byte] != b"\n":  # the last line has no end of its own
            text = eol + text
        yield Insertion(byte=shot.byte, text=text)


def _wipes_s(plan: Plan, rig: Rig, toolpath: Toolpath) -> float:
    """Return about what the wipes take, which no plan counts."""
    if rig.printer.wipe_mm <= 0:
        return 0.0
    rows = [row_after_line(toolpath, shot.after_line) - 1 for shot in plan.shots if shot.retract != "already"]
    feeds = toolpath.feed_mm_s[rows].astype(float)
    return float((rig.printer.wipe_mm / feeds[feeds > 0]).sum())


def lines_of_shot(shot: Shot, rig: Rig, toolpath: Toolpath) -> list[str]:
    """Return the block of one shot at its place in the original."""
    row = row_after_line(toolpath, shot.after_line) - 1
    style = style_at(toolpath, row, rig.printer.wipe_mm)
    state = state_after(toolpath, row)
    if not state.homed and homes_by_macro(toolpath, rig.printer.homes):
        state = replace(state, homed=True)
    return block_lines(shot, state, rig, style, job_code(toolpath.sha256))


def _refuse_same(original: Path, out: Path) -> None:
    if out.exists() and original.exists() and out.samefile(original):
        raise InjectError("the written file would replace the original", "name another file", path=out)


def _refuse_unprintable(findings: list[DialectFinding], original: Path) -> None:
    for finding in findings:
        if finding.fatal:
            raise InjectError(
                finding.notice.text,
                f"slice for {finding.firmware}, or name the firmware of your machine in the rig",
                path=original,
                line=finding.line,
            )


def _warnings(findings: list[DialectFinding]) -> list[str]:
    """Return a sentence for each finding that a person should know of."""
    told = [finding.notice for finding in findings if finding.worth_a_word]
    return [f"line {notice.line:,}: {notice.text}" for notice in told]


def needed_sections(rig: Rig, plan: Plan) -> list[str]:
    """Return what Klipper's configuration must hold for the lines that are written.

    Without the section the firmware calls the command unknown and goes on (klippy/gcode.py, `cmd_default`).
    """
    if rig.printer.firmware != "klipper":
        return []
    found = []
    if rig.cue.kind == "host":
        found.append("the cues are M118: klipper needs [respond], else the print goes on without pictures")
    if rig.cue.kind == "display":
        found.append("the cues are M117: klipper needs [display_status], else there are no pictures")
    if any(shot.hold_mm is not None for shot in plan.shots):
        found.append("a shot waits for you: klipper needs [pause_resume], else it does not wait")
    return found


def _refuse(view: FileBytes, original: Path, plan: Plan, toolpath: Toolpath) -> None:
    if plan.original_sha256 != toolpath.sha256:
        raise InjectError(
            "the plan was made for another file",
            "make a plan for this one with 'twinlapse plan'",
            path=original,
        )
    marks = view.places_of(MARK)[0].tolist()
    place = next((mark for mark in marks if mark == 0 or view[mark - 1 : mark] == b"\n"), -1)
    if place >= 0:
        raise InjectError(
            "this file holds shots already",
            "take them out with 'twinlapse inject --remove', or name the original",
            path=original,
            line=view.count_lines(0, place) + 1,
        )
    _refuse_order(view, original, plan)


def _refuse_order(view: FileBytes, original: Path, plan: Plan) -> None:
    number, byte = 0, place_of_header(view[:_HEAD_BYTES])
    for shot in plan.shots:
        at_line_end = view[shot.byte - 1 : shot.byte] == b"\n" or shot.byte == len(view)
        if shot.number <= number or not byte <= shot.byte <= len(view) or not at_line_end:
            raise InjectError(
                f"shot {shot.number} of the plan stands inside a line or before the shot that it follows",
                "make the plan again",
                path=original,
                line=shot.after_line,
            )
        number, byte = shot.number, shot.byte


def _refuse_unproven(proof: Proof, out: Path) -> None:
    for check in proof.checks:
        if not check.holds:
            raise ProofError(
                f"the proof fails at '{check.name}': {check.detail}; nothing was written",
                "make the plan again, or check the rig's limits",
                path=out,
                line=check.line,
            )
