"""The grammar of a shot: a block is accepted only when it derives from it, line by line.

Nothing is forbidden by name. Every line is one of a few kinds, and a small automaton says which kinds may
follow which; whatever else stands in a block has no place there. docs/inject.md shows the grammar.
"""

from __future__ import annotations

import re
from dataclasses import dataclass, field

from twinlapse.inject.proof.fences import Fenced
from twinlapse.inject.proof.report import Fault

__all__ = ["LINE_BYTES", "BlockReader", "BlockReading", "BlockRules", "CueStop", "N"]

N = r"[-+]?(?:\d+\.?\d*|\.\d+)"
_STOP = re.compile(rf"; stop (\d+)\.(\d+): ([\w+-]+) at X({N}) Y({N}) Z({N}) for ({N}) s")
_CUE = re.compile(r"twinlapse cue (\d+)\.(\d+) ([\w+-]+)(?: ([0-9a-f]{6})\b)?")
_WORD = re.compile(rf"[ \t]*([A-Z])[ \t]*({N})")
_TEXT = {
    # characters that end a command, begin a comment, a checksum or another text have no place in a cue
    "marlin": re.compile(r"M118 E1 (?!A1)[^;*\"(){}]+|M117 [^;*\"(){}]+"),
    "klipper": re.compile(r"M118 [^;*\"(){}]+|M117 [^;*\"(){}]+"),
    "reprapfirmware": re.compile(r'M118 S"[^;*"(){}]+"|M117 "[^;*"(){}]+"'),
}
# How a block may wait for a person, once, line by line; what guards heat and motors meanwhile is optional.
_HOLD = {
    "marlin": (r"M84 S\d+", r"M0(?: S\d+)? Look at layer \d+, then go on", r"M84 S\d+"),
    "klipper": (
        r"SET_IDLE_TIMEOUT TIMEOUT=\d+", r"M117 Look at layer \d+, then go on", r"PAUSE",
        r"SET_IDLE_TIMEOUT TIMEOUT=\d+",
    ),
    "reprapfirmware": (r'M291 P"Look at layer \d+, then go on" R"twinlapse" S2',),
}  # fmt: skip
_OPTIONAL = ("M84", "SET_IDLE_TIMEOUT")
# Bytes of a command that a firmware keeps. Number and checksum take 13 of Marlin's 95 (MAX_CMD_SIZE);
# RepRapFirmware's buffer 256; Klipper reads lines of any length.
LINE_BYTES = {"marlin": 82, "klipper": None, "reprapfirmware": 255}
# A macro of the rig's own may do anything; these do not come back, or end the print.
_NO_MACRO = re.compile(
    r"(?i)[GTN]\s*\d|M\s*(?!98\b|240\b)\d|CANCEL|PAUSE|RESUME|.*RESTART|SDCARD_|TURN_OFF|SET_HEATER|M112"
    r"|FORCE_MOVE|SET_KINEMATIC|RESTORE_GCODE|SET_GCODE|STEPPER|SET_STEPPER"
)
_ACTION = re.compile(r"(?i)action:|TYPE\s*=\s*\"?command")

# What may follow what. States are named by what has just been read; "" ends a block.
_AWAY = {"way": "way", "rise": "placed", "stop": "stated", "wait": "holding"}
_ENDS = {"prime": "primed", "recover": "recovered", "name": "named", "feed": "fed", "enter": "entered"}
_BACK = {"way": "back", "rise": "down", **_ENDS}
_STATES: dict[str, dict[str, str]] = {
    "begun": {"leave": "left", "filament": "retracted", "retract": "retracted", **_AWAY, "rise": "up"},
    "left": {"filament": "retracted", "retract": "retracted", **_AWAY, "rise": "up"},
    "retracted": {**_AWAY, "rise": "up"},
    "up": _AWAY,
    "way": {**_AWAY, **_ENDS},
    "placed": {"stop": "stated", "way": "wiping", **_ENDS},  # before a stop, or down above the print again
    "cued": {"dwell": "stood", **_AWAY, **_ENDS, "rise": "risen"},
    "stood": {**_AWAY, **_ENDS, "rise": "risen"},
    "risen": {**_AWAY, **_ENDS},
    "held": _BACK,
    "back": _BACK,
    "down": {"way": "wiping", **_ENDS},
    "wiping": {"way": "wiping", **_ENDS},
    "recovered": {"prime": "primed", "name": "named", "feed": "fed", "enter": "entered"},
    "primed": {"name": "named", "feed": "fed", "enter": "entered"},
    "named": {"feed": "fed", "enter": "entered"},
    "fed": {"enter": "entered"},
    "entered": {},
}
# G4 holds the stream on Marlin and RepRapFirmware. On Klipper it only moves the print's clock on, so the
# settling has to stand before M400. The cue follows M400 at once: a pause in between would move the head.
_STOPS_BLOCKING = {
    "stated": {"wait": "still"},
    "still": {"wait": "still", "dwell": "settled", "cue": "cued"},
    "settled": {"wait": "waited"},
    "waited": {"wait": "waited", "cue": "cued"},
}
_STOPS_RUNNING = {
    "stated": {"wait": "waited", "dwell": "settled"},
    "settled": {"wait": "waited"},
    "waited": {"wait": "waited", "cue": "cued"},
}
_OPEN = ("stated", "still", "settled", "waited", "holding")  # a block does not end here
_NAMES = {
    "filament": "a retraction", "prime": "a prime", "retract": "G10", "recover": "G11", "rise": "G1 Z",
    "way": "G1 X Y", "stop": "the comment of a stop", "wait": "M400", "dwell": "G4 P", "cue": "a cue",
    "hold": "a wait for a person",
    "name": "G92 E", "feed": "G1 F", "leave": "M486 S-1", "enter": "M486 S with the number of an object",
}  # fmt: skip


@dataclass(slots=True)
class CueStop:
    """One cue of a block, with what stands around it."""

    line: int
    shot: int
    stop: int
    cameras: tuple[str, ...]
    stated_mm: tuple[float, float, float] | None
    stated_s: float
    settled_s: float
    held_s: float = 0.0
    job: str = ""  # code of the job that the cue names, empty in files of former versions


@dataclass(slots=True)
class BlockReading:
    """What a block says, derived from the grammar as far as it derives."""

    stops: list[CueStop] = field(default_factory=list)
    faults: list[Fault] = field(default_factory=list)
    leaves: bool = False  # its first command says that it belongs to no object
    enters: int | None = None  # the object to which its last command says that all belongs behind it


@dataclass(frozen=True, slots=True, kw_only=True)
class BlockRules:
    """What the blocks of one file may hold."""

    firmware: str
    macro: str = ""  # the first word of the rig's own cue command
    retracts_itself: bool = False  # the original uses the firmware's retraction
    e_letters: str = "E"  # by which the original feeds its extruders

    @property
    def states(self) -> dict[str, dict[str, str]]:
        """The automaton of the firmware."""
        return {**_STATES, **(_STOPS_RUNNING if self.firmware == "klipper" else _STOPS_BLOCKING)}


class BlockReader:
    """Derives one block."""

    def __init__(self, block: Fenced, rules: BlockRules, *, may_hold: bool) -> None:
        self.block = block
        self.rules = rules
        self.reading = BlockReading()
        self._states = rules.states
        self._state = "begun"
        self._holds = list(_HOLD[rules.firmware]) if may_hold else []
        self._guarded = False  # limits of standing are raised while it waits
        self._settled_s = 0.0
        self._stated: re.Match[str] | None = None

    def run(self) -> BlockReading:
        """Read the whole block; the first line without a place ends it."""
        lines = self.block.text.decode("utf-8", "replace").split("\n")
        for number, line in enumerate(lines, self.block.line):
            fault = self._line(number, line.removesuffix("\r").strip(" \t"))
            if fault:
                self.reading.faults.append(Fault(number, fault))
                return self.reading
        if self._state in _OPEN:
            text = f"it ends where {self._expected()} must follow"
            self.reading.faults.append(Fault(self.block.line, text))
        return self.reading

    def _line(self, number: int, line: str) -> str:
        if "\r" in line:  # it ends the line, comment or not, where the firmware takes it for an end
            return "a carriage return stands inside a line"
        command = line.split(";", 1)[0].rstrip(" \t")
        stated, cue = _STOP.fullmatch(line), _CUE.search(line)
        if not command and not stated and not cue:
            return ""
        most = LINE_BYTES[self.rules.firmware]
        if most is not None and len(command.encode()) > most:
            return f"a command of {len(command)} characters, {self.rules.firmware} keeps {most}"
        if self._state == "holding":
            return self._hold(command)
        kind = "stop" if stated else self._cue_kind(command) if cue else self._kind(command)
        if not kind:
            return f"{command[:40]!r} has no place in a shot"
        if kind == "filament" and "filament" not in self._states[self._state]:
            kind = "prime"
        after = self._states[self._state].get(kind)
        if after is None:
            name = _NAMES.get(kind, kind)
            return f"{name} ({line[:30]!r}) has no place here; what may follow: {self._expected()}"
        self._state = after
        self._take(number, kind, command, stated or cue)
        return ""

    def _expected(self) -> str:
        may = [_NAMES[name] for name in self._states.get(self._state, {"hold": ""})]
        return " or ".join(may) or "the end of the shot"

    def _kind(self, command: str) -> str:
        """Return which kind of line a command is, spelled as the firmware reads it; empty when it is none."""
        firmware = self.rules.firmware
        if firmware != "marlin":  # stock Marlin knows capitals only (GCODE_CASE_INSENSITIVE is off)
            command = command.upper()
        if re.fullmatch("M400", command):
            return "wait"
        if found := re.fullmatch(r"M486[ \t]*S[ \t]*(-1|\d{1,9})", command):
            return "leave" if found[1] == "-1" else "enter"
        if re.fullmatch(r"G4[ \t]*P[ \t]*\d{1,9}", command):
            return "dwell"
        if command in ("G10", "G11") and self.rules.retracts_itself:  # else: is the firmware able to?
            return "retract" if command == "G10" else "recover"
        if re.fullmatch(rf"G92[ \t]*[{self.rules.e_letters}][ \t]*{N}", command):
            return "name"
        # Klipper knows no G01 (gcode.py takes the command's name as it is written)
        found = re.fullmatch(rf"{'G' if firmware == 'klipper' else 'G0*'}[01]((?:{_WORD.pattern})+)", command)
        words = [word for word, _ in _WORD.findall(found[1])] if found else []
        return _kind_of_move(words, self.rules.e_letters) if words else ""

    def _cue_kind(self, command: str) -> str:
        macro = self.rules.macro.upper()
        plain = not command or command == "M240" or _TEXT[self.rules.firmware].fullmatch(command)
        mine = bool(macro) and re.split(r"[ =]", command.upper(), maxsplit=1)[0] == macro
        mine = mine and not _NO_MACRO.match(command)
        return "cue" if (plain or mine) and not _ACTION.search(command) else ""

    def _hold(self, command: str) -> str:
        """Take the next line of the wait for a person: what was raised before it is set back behind it."""
        while self._holds:
            pattern = self._holds.pop(0)
            guard = pattern.startswith(_OPTIONAL)
            if re.fullmatch(pattern, command):
                self._guarded = self._guarded or guard
                if not self._holds or (
                    all(x.startswith(_OPTIONAL) for x in self._holds) and not self._guarded
                ):
                    self._state = "held"
                return ""
            if not guard or self._guarded:
                break
        return f"{command[:40]!r} has no place behind an M400 that begins no stop"

    def _take(self, number: int, kind: str, command: str, found: re.Match[str] | None) -> None:
        if kind == "stop":
            self._stated, self._settled_s = found, 0.0
        elif kind == "dwell":
            seconds = int(re.split("[Pp]", command)[1]) / 1000
            if self._state == "stood":
                self.reading.stops[-1].held_s += seconds
            else:
                self._settled_s += seconds
        elif kind == "cue":
            assert found is not None
            self._cue(number, found)
        elif kind == "leave":
            self.reading.leaves = True
        elif kind == "enter":
            self.reading.enters = int(re.split("[Ss]", command)[1])

    def _cue(self, number: int, found: re.Match[str]) -> None:
        stated = self._stated
        mine = stated is not None and (stated[1], stated[2], stated[3]) == (found[1], found[2], found[3])
        place = (float(stated[4]), float(stated[5]), float(stated[6])) if mine and stated else None
        self.reading.stops.append(
            CueStop(
                line=number,
                shot=int(found[1]),
                stop=int(found[2]),
                cameras=tuple(found[3].split("+")),
                stated_mm=place,
                stated_s=float(stated[7]) if mine and stated else 0.0,
                settled_s=self._settled_s,
                job=found[4] or "",
            )
        )
        self._stated = None


def _kind_of_move(words: list[str], e_letters: str) -> str:
    """Return the kind of a plain move by its words; no firmware agrees with another on a word said twice."""
    if len(set(words)) < len(words):
        return ""
    axes = set(words) - {"F"}
    if len(axes) == 1 and axes <= set(e_letters):
        return "filament"
    if axes == {"Z"}:
        return "rise"
    if not axes:
        return "feed"
    return "way" if axes <= {"X", "Y"} else ""
