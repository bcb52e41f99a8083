"""Blocks derive from the grammar, and at each cue the machine stands still where and as long as it says."""

from __future__ import annotations

import re
from collections.abc import Sequence

import numpy as np

from twinlapse.gcode import Kind
from twinlapse.inject.proof.block_grammar import BlockReader, BlockReading, BlockRules, CueStop
from twinlapse.inject.proof.evidence import Evidence
from twinlapse.inject.proof.fences import Fenced
from twinlapse.inject.proof.objects import faults_of_leaving
from twinlapse.inject.proof.report import Check, Fault, first, verdict

__all__ = ["check_commands", "check_stands", "read_blocks"]

_SAID = {  # the words that a fence of its own may say to the host or on the display
    "arm": re.compile(r"M11[78](?: E1)? (?:S?\")?twinlapse arm \d+\"?"),
    "run": re.compile(r"M11[78](?: E1)? (?:S?\")?twinlapse (?:begin|end) [0-9a-f]{6}\"?"),
}
_SLACK_MM = 0.0015  # places are stated to a thousandth
_SLACK_S = 0.0015


def read_blocks(evidence: Evidence) -> tuple[BlockReading, ...]:
    """Derive every block from the grammar, as far as it derives."""
    rules = BlockRules(
        firmware=evidence.rig.printer.firmware,
        macro=_macro(evidence),
        e_letters=evidence.original.e_letters,
        retracts_itself=bool((evidence.original.kind == Kind.FW_RETRACT).any()),
    )
    holds = evidence.holds
    return tuple(
        BlockReader(block, rules, may_hold=str(block.number) in holds).run()
        for block in evidence.fenced.blocks
    )


def check_commands(evidence: Evidence, readings: Sequence[BlockReading]) -> Check:
    """Blocks hold what the grammar has, header and arming lines nothing else than their own words."""
    faults = [fault for reading in readings for fault in reading.faults]
    faults.extend(_arm_faults(evidence))
    faults.extend(faults_of_leaving(evidence, readings))
    macro = _macro(evidence)
    unknown = f"; what the macro {macro} does is not known here" if macro else ""
    waits = f"; {len(evidence.holds)} wait for a person, as the rig asks" if evidence.holds else ""
    good = f"every shot derives from the grammar: moves, waits and cues alone{waits}{unknown}"
    return verdict("commands", first(faults), good)


def check_stands(evidence: Evidence, readings: Sequence[BlockReading]) -> Check:
    """At each cue of what derives, the machine stands still where and as long as it says."""
    faults = [
        fault
        for block, reading in zip(evidence.fenced.blocks, readings, strict=True)
        if not reading.faults
        for fault in _stop_faults(evidence, block, reading.stops)
    ]
    good = "at every cue the machine stands still where it says, as long as it says"
    return verdict("stands", first(faults), good)


def _macro(evidence: Evidence) -> str:
    cue = evidence.rig.cue
    text = cue.text if cue.kind == "macro" else evidence.facts.get("macro", "")
    return re.split(r"[ ={]", text.strip(), maxsplit=1)[0]


def _arm_faults(evidence: Evidence) -> list[Fault]:
    """Return what lines between other fences say beyond their own words."""
    faults = []
    code = str(evidence.facts.get("original_sha256", ""))[:6]
    for piece in evidence.fenced.others:
        if piece.kind == "run" and piece.text.rstrip().endswith(b"end"):
            words = f"twinlapse {'begin' if piece.number == 1 else 'end'} {code}"
            if not re.search(rf"{words}\b", piece.text.decode("utf-8", "replace")):
                faults.append(Fault(piece.line, f"'{words}' is missing"))
        lines = piece.text.decode("utf-8", "replace").split("\n")[1:]
        for number, line in enumerate(lines, piece.line + 1):
            command = line.split(";", 1)[0].strip()
            if "\r" in line.removesuffix("\r"):
                faults.append(Fault(number, "a carriage return stands inside a line"))
            elif piece.kind in ("header", "job") and command:
                faults.append(Fault(number, f"{command[:40]!r} stands in the {piece.kind}"))
            elif piece.kind in _SAID and command and not _SAID[piece.kind].fullmatch(command):
                faults.append(Fault(number, f"{command[:40]!r} has no place in a line of its kind"))
    return faults


def _stop_faults(evidence: Evidence, block: Fenced, stops: list[CueStop]) -> list[Fault]:
    faults: list[Fault] = []
    if not stops:
        faults.append(Fault(block.line, f"shot {block.number} has no cue"))
    for index, stop in enumerate(stops, 1):
        text = _stop_fault(evidence, block, index, stop)
        if text:
            faults.append(Fault(stop.line, f"shot {block.number}: {text}"))
    return faults


def _stop_fault(evidence: Evidence, block: Fenced, index: int, stop: CueStop) -> str:
    if (stop.shot, stop.stop) != (block.number, index):
        return f"its cue says {stop.shot}.{stop.stop} instead of {block.number}.{index}"
    if stop.job and stop.job != str(evidence.facts.get("original_sha256", ""))[:6]:
        return f"its cue names another job, {stop.job}"
    if stop.stated_mm is None:
        return "no comment states this stop"
    place = _place_at(evidence, stop.line)
    if np.abs(place - np.array(stop.stated_mm)).max() > _SLACK_MM:
        return f"it stands at {_named(place)} and says {_named(stop.stated_mm)}"
    settle_s, dwell_s = evidence.asked_s(stop.cameras)
    if stop.settled_s < settle_s - _SLACK_S:
        return f"it settles for {stop.settled_s:g} s before the cue, {settle_s:g} s are asked"
    if abs(stop.held_s - stop.stated_s) > _SLACK_S:
        return f"it stands for {stop.held_s:g} s after the cue and says {stop.stated_s:g} s"
    if stop.held_s < dwell_s - _SLACK_S:
        return f"it stands for {stop.held_s:g} s after the cue, {dwell_s:g} s are asked"
    return ""


def _place_at(evidence: Evidence, line: int) -> np.ndarray:
    path = evidence.block_rows.path
    row = max(int(np.searchsorted(path.line, line, "left")) - 1, 0)
    return np.array([path.x_mm[row], path.y_mm[row], path.z_mm[row]])


def _named(place: object) -> str:
    x, y, z = np.asarray(place, dtype=float).tolist()
    return f"X{x:g} Y{y:g} Z{z:g}"
