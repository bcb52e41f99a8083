"""What a file leaves unsaid about its E words, and what is assumed until its numbers speak against it."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from twinlapse.gcode import interpreter as machine
from twinlapse.gcode.tokenizer import LINE, ODD
from twinlapse.gcode.toolpath import Notice

__all__ = ["E_LETTERS", "Assumptions", "first_assumptions", "next_assumptions", "undeclared"]

_A, _E, _U = (ord(letter) - 65 for letter in "AEU")
E_LETTERS = {_A: "AB", _E: "E", _U: "U"}  # of each tool in turn
_State = NDArray[np.int64]


@dataclass(frozen=True, slots=True, kw_only=True)
class Assumptions:
    """How the file is taken where it does not say."""

    rule: int  # what G90 and G91 do to E
    dialect: int  # units of M203, M205 and G4
    relative: bool = False  # E words are distances from the first line on
    declared: bool = False  # and nobody shall doubt it
    own_e: bool = False  # every tool has an E position of its own
    letter: int = _E  # the extruder's


def first_assumptions(firmware: str) -> Assumptions:
    """Return what the firmware does when it is switched on.

    Marlin lets G90 and G91 set the mode of E as well; Klipper takes E words as distances while G91 holds and
    as M82 and M83 say else; RepRapFirmware leaves E to M82 and M83.
    """
    return {
        "marlin": Assumptions(rule=machine.RULE_SETS_E, dialect=machine.MARLIN),
        "klipper": Assumptions(rule=machine.RULE_FORCES_E, dialect=machine.KLIPPER),
        "reprapfirmware": Assumptions(rule=machine.RULE_E_APART, dialect=machine.REPRAPFIRMWARE),
    }[firmware]


def next_assumptions(assumed: Assumptions, n: _State) -> tuple[Assumptions, Notice] | None:
    """Return what to assume instead, and the reason to tell; None when nothing speaks against the pass."""
    status, line = int(n[machine.STATUS]), int(n[LINE])
    if status == machine.TOOLS_OWN_E:
        notice = Notice(line=line, code="tools-own-e", text="each tool has an E position of its own")
        return replace(assumed, own_e=True), notice
    if status == machine.E_IMPLAUSIBLE:
        return _other_e_mode(assumed, n, line)
    letter = _other_letter(assumed, n)
    if letter is None:
        return None
    text = "the extruders' letters are A and B" if letter == _A else "the extruder's letter is U"
    changed = replace(assumed, letter=letter, own_e=letter == _A)
    return changed, Notice(line=1, code="e-letter", text=text)


def _other_e_mode(assumed: Assumptions, n: _State, line: int) -> tuple[Assumptions, Notice]:
    if n[machine.E_SOURCE] == machine.SOURCE_MOTION and assumed.rule == machine.RULE_SETS_E:
        text = "E words do not follow G90 in this file: what M82 or M83 said before was taken to hold on"
        return replace(assumed, rule=machine.RULE_FORCES_E), Notice(
            line=line, code="e-mode-inferred", text=text
        )
    relative = not n[machine.MODE] & machine.M_REL_E
    rule = machine.RULE_FORCES_E if assumed.rule == machine.RULE_SETS_E else assumed.rule
    meant = "distances (as after M83)" if relative else "positions (as after M82)"
    notice = Notice(
        line=line, code="e-mode-inferred", text=f"neither M82 nor M83 says so, but E words are {meant}"
    )
    return replace(assumed, rule=rule, relative=bool(relative), declared=True), notice


def _other_letter(assumed: Assumptions, n: _State) -> int | None:
    """Return the letter that feeds when E never stands in a move, None in a file that starts a spindle.

    A heating command need not be there, because a start macro may heat. Whether the words feed as filament
    does is judged when the file has been read.
    """
    turns = not n[machine.HEATED] and n[ODD + 2 * machine.SPINDLE]
    if assumed.letter != _E or n[machine.N_E] or turns:
        return None
    if n[machine.N_A] == 0 and n[machine.N_U] == 0:
        return None
    return _A if n[machine.N_A] >= n[machine.N_U] else _U


def undeclared(assumed: Assumptions, n: _State) -> list[Notice]:
    """Return the notice that nobody said how E words are meant."""
    if n[machine.E_SOURCE] != machine.SOURCE_NONE or assumed.declared or not n[machine.N_E]:
        return []
    text = "neither M82 nor M83 is there; E words were read as positions, and nothing speaks against it"
    return [Notice(line=1, code="e-mode-undeclared", text=text)]
