"""What the lines of a block say: permitted commands only, and at each cue a machine that stands still."""

from __future__ import annotations

import re
from dataclasses import dataclass, field

import numpy as np

from twinlapse.gcode import Kind
from twinlapse.inject.proof.evidence import Evidence
from twinlapse.inject.proof.fences import Fenced
from twinlapse.inject.proof.report import Check, Fault, first, verdict

_N = r"[-+]?(?:\d+\.?\d*|\.\d+)"
_MOVE = re.compile(rf"(?i)G0*[01](?:\s*[XYZEF]\s*{_N})+")
_DWELL = re.compile(r"(?i)G0*4\s*P\s*(\d+)")
_WAIT = re.compile(r"(?i)M400")
_STILL = re.compile(
    rf"(?i)G1[01]|G92\s*E\s*{_N}|G2[01]|G9[01]|M8[23]|M240|RESPOND\b[^\n]*|M204(?:\s*[SPTR]\s*{_N})+"
    rf"|SET_VELOCITY_LIMIT(?:\s+ACCEL\s*=\s*{_N})"
)
_RETRACTION = re.compile(r"(?i)G1[01]")
_TEXT = re.compile(r"(?i)M11[78]\b.*")
_ARM = re.compile(r"(?i)M11[78](?: E1)? (?:S?\")?twinlapse arm \d+\"?")
_ACTION = re.compile(r"(?i)action:")
_CUE = re.compile(r"twinlapse cue (\d+)\.(\d+) ([\w+-]+)")
_STOP = re.compile(rf"; stop (\d+)\.(\d+): ([\w+-]+) at X({_N}) Y({_N}) Z({_N}) for ({_N}) s")
_HOLD = {
    "marlin": re.compile(r"M0 Look at layer \d+, then go on"),
    "klipper": re.compile(r"PAUSE"),
    "reprapfirmware": re.compile(r'M291 P"Look at layer \d+, then go on" R"twinlapse" S2'),
}
_SLACK_MM = 0.0015  # places are stated to a thousandth
_SLACK_S = 0.0015


@dataclass(slots=True)
class CueStop:
    """One cue of a block, with what surrounds it."""

    line: int
    shot: int
    stop: int
    cameras: tuple[str, ...]
    stated_mm: tuple[float, float, float] | None
    stated_s: float
    waited: bool  # every move was done before it
    settled_s: float
    held_s: float = 0.0


@dataclass(slots=True)
class BlockReading:
    """A block read line by line."""

    stands: list[CueStop] = field(default_factory=list)
    faults: list[Fault] = field(default_factory=list)


class BlockReader:
    """Reads the lines between two fences."""

    def __init__(
        self, block: Fenced, macro: str, retracts_itself: bool, hold: re.Pattern[str] | None = None
    ) -> None:
        self.block = block
        self.hold = hold  # how this block may wait for a person, once; None: not at all
        self._held = False
        self.macro = macro.upper()
        self.retracts_itself = retracts_itself  # the original uses the firmware's retraction
        self.reading = BlockReading()
        self._waited = False
        self._settled_s = 0.0
        self._stated: tuple[int, int, str, tuple[float, float, float], float] | None = None
        self._standing: CueStop | None = None

    def run(self) -> BlockReading:
        """Read the whole block."""
        lines = self.block.text.decode("utf-8", "replace").split("\n")
        for number, line in enumerate(lines, self.block.line):
            self._line(number, line.strip())
        return self.reading

    def _line(self, number: int, line: str) -> None:
        command = line.split(";", 1)[0].strip()
        if found := _STOP.search(line):
            self._state(number, found)
        elif found := _CUE.search(line):
            self._cue(number, found)
            if self._held:
                self.reading.faults.append(Fault(number, "a cue comes after the wait for a person"))
        if not command:
            return
        if _MOVE.fullmatch(command):
            self._moves(command)
        elif found := _DWELL.fullmatch(command):
            self._dwells(int(found[1]) / 1000)
        elif _WAIT.fullmatch(command):
            self._waited = True
        elif _RETRACTION.fullmatch(command) and not self.retracts_itself:
            text = f"{command} is used, and the original never does: is the firmware able to?"
            self.reading.faults.append(Fault(number, text))
        elif self.hold is not None and self.hold.fullmatch(command):
            self._holds(number)
        elif not (_STILL.fullmatch(command) or self._is_text(command) or self._is_macro(command)):
            self.reading.faults.append(Fault(number, f"{command[:40]!r} has no place in a shot"))

    def _holds(self, number: int) -> None:
        if self._held:
            self.reading.faults.append(Fault(number, "it waits for a person a second time"))
        elif not self._waited:
            self.reading.faults.append(Fault(number, "it waits for a person while moves may be under way"))
        self._held, self._standing = True, None

    def _is_text(self, command: str) -> bool:
        return bool(_TEXT.fullmatch(command)) and not _ACTION.search(command)

    def _is_macro(self, command: str) -> bool:
        return bool(self.macro) and re.split(r"[ =]", command.upper(), maxsplit=1)[0] == self.macro

    def _moves(self, command: str) -> None:
        if re.search(r"(?i)[XYZE]", command):
            self._waited, self._settled_s, self._standing = False, 0.0, None

    def _dwells(self, seconds: float) -> None:
        if self._standing is not None:
            self._standing.held_s += seconds
        else:
            self._settled_s += seconds

    def _state(self, number: int, found: re.Match[str]) -> None:
        place = (float(found[4]), float(found[5]), float(found[6]))
        self._standing, self._settled_s = None, 0.0
        self._stated = (int(found[1]), int(found[2]), found[3], place, float(found[7]))

    def _cue(self, number: int, found: re.Match[str]) -> None:
        stated = self._stated
        mine = stated is not None and stated[:3] == (int(found[1]), int(found[2]), found[3])
        self._standing = CueStop(
            line=number,
            shot=int(found[1]),
            stop=int(found[2]),
            cameras=tuple(found[3].split("+")),
            stated_mm=stated[3] if mine and stated else None,
            stated_s=stated[4] if mine and stated else 0.0,
            waited=self._waited,
            settled_s=self._settled_s,
        )
        self.reading.stands.append(self._standing)
        self._stated = None


def check_blocks(evidence: Evidence) -> tuple[Check, Check]:
    """Read every block: are its commands permitted, and does the machine stand where and while it says."""
    macro = evidence.rig.cue.text if evidence.rig.cue.kind == "macro" else evidence.facts.get("macro", "")
    macro = re.split(r"[ ={]", macro.strip(), maxsplit=1)[0]
    retracts_itself = bool((evidence.original.kind == Kind.FW_RETRACT).any())
    commands: list[Fault] = []
    stands: list[Fault] = []
    for block in evidence.fenced.blocks:
        hold = _HOLD.get(evidence.rig.printer.firmware) if str(block.number) in evidence.holds else None
        reading = BlockReader(block, macro, retracts_itself, hold).run()
        commands.extend(reading.faults)
        stands.extend(_stand_faults(evidence, block, reading.stands))
    commands.extend(_arm_faults(evidence))
    unknown = f"; what the macro {macro} does is not known here" if macro else ""
    waits = f"; {len(evidence.holds)} wait for a person, as the rig asks" if evidence.holds else ""
    return (
        verdict(
            "commands",
            first(commands),
            f"blocks hold moves, waits and cues; fan, heat and everything else is left alone{waits}{unknown}",
        ),
        verdict(
            "stands", first(stands), "at every cue the machine stands still where it says, as long as it says"
        ),
    )


def _arm_faults(evidence: Evidence) -> list[Fault]:
    """An arming line says its own words and nothing else."""
    faults = []
    for piece in evidence.fenced.others:
        lines = piece.text.decode("utf-8", "replace").split("\n")[1:]
        for number, line in enumerate(lines, piece.line + 1):
            command = line.split(";", 1)[0].strip()
            if piece.kind == "header" and command:
                faults.append(Fault(number, f"{command[:40]!r} stands in the header"))
            elif piece.kind == "arm" and command and not _ARM.fullmatch(command):
                faults.append(Fault(number, f"{command[:40]!r} has no place in an arming line"))
    return faults


def _stand_faults(evidence: Evidence, block: Fenced, stands: list[CueStop]) -> list[Fault]:
    faults: list[Fault] = []
    if not stands:
        faults.append(Fault(block.line, f"shot {block.number} has no cue"))
    for index, stand in enumerate(stands, 1):
        text = _stand_fault(evidence, block, index, stand)
        if text:
            faults.append(Fault(stand.line, f"shot {block.number}: {text}"))
    return faults


def _stand_fault(evidence: Evidence, block: Fenced, index: int, stand: CueStop) -> str:
    if (stand.shot, stand.stop) != (block.number, index):
        return f"its cue says {stand.shot}.{stand.stop} instead of {block.number}.{index}"
    if stand.stated_mm is None:
        return "no comment states this stop"
    if not stand.waited:
        return "the cue comes while moves may still be under way (no M400)"
    place = _place_at(evidence, stand.line)
    if np.abs(place - np.array(stand.stated_mm)).max() > _SLACK_MM:
        return f"it stands at {_named(place)} and says {_named(stand.stated_mm)}"
    settle_s, dwell_s = _wanted(evidence, stand)
    if stand.settled_s < settle_s - _SLACK_S:
        return f"it settles for {stand.settled_s:g} s before the cue, {settle_s:g} s are asked"
    if abs(stand.held_s - stand.stated_s) > _SLACK_S:
        return f"it stands for {stand.held_s:g} s after the cue and says {stand.stated_s:g} s"
    if stand.held_s < dwell_s - _SLACK_S:
        return f"it stands for {stand.held_s:g} s after the cue, {dwell_s:g} s are asked"
    return ""


def _wanted(evidence: Evidence, stand: CueStop) -> tuple[float, float]:
    cameras = [camera for camera in evidence.rig.cameras if camera.name in stand.cameras]
    settle_s = max((camera.settle_s for camera in cameras), default=0.0)
    return settle_s, max((camera.dwell_s for camera in cameras), default=0.0)


def _place_at(evidence: Evidence, line: int) -> np.ndarray:
    path = evidence.block_rows.path
    row = max(int(np.searchsorted(path.line, line, "left")) - 1, 0)
    return np.array([path.x_mm[row], path.y_mm[row], path.z_mm[row]])


def _named(place: object) -> str:
    x, y, z = np.asarray(place, dtype=float).tolist()
    return f"X{x:g} Y{y:g} Z{z:g}"
