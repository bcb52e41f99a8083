"""What each firmware does with lines that others read otherwise, and which lines of a file those are.

Sources, unless a rule names its own. Klipper: klippy/gcode.py (a command is its letter and number as written;
others are "Unknown command" and passed over), klippy/extras/gcode_move.py, gcode_arcs.py, virtual_sdcard.py;
run. Marlin 2.1: gcode/parser.cpp, gcode/queue.cpp, with the defaults of Configuration.h and
Configuration_adv.h. RepRapFirmware 3.5: GCodes2.cpp, GCodeBuffer/StringParser.cpp and its G-code dictionary.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Literal

from twinlapse.buffered_bytes import file_bytes
from twinlapse.gcode.line_features import Feature, FeatureCounts, features_of
from twinlapse.gcode.toolpath import Notice, Toolpath

__all__ = ["ACCEPTANCE_RULES", "DialectFinding", "Fate", "Rule", "accept", "accept_read"]

# run otherwise than elsewhere; passed over without harm; not run, though the print needs it; aborts the print
Fate = Literal["otherwise", "ignored", "dropped", "error"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Rule:
    """What one firmware does with a kind of line."""

    fate: Fate
    text: str  # what it does, as it ends the sentence "klipper ..."
    needs: str = ""  # section of the configuration, or option of the build, without which the fate holds


@dataclass(frozen=True, slots=True, kw_only=True)
class DialectFinding:
    """Lines of a file that its firmware does not take as they are meant."""

    feature: Feature
    rule: Rule
    firmware: str
    count: int
    line: int  # of the first

    @property
    def fatal(self) -> bool:
        """Whether the file cannot be printed as it is: the print is aborted, or moves are missing in it."""
        lost = self.rule.fate == "dropped" and not self.rule.needs and self.feature in _MOVES
        return self.rule.fate == "error" or lost

    @property
    def worth_a_word(self) -> bool:
        """Whether a person should know of it before printing."""
        return self.rule.fate != "ignored"

    @property
    def notice(self) -> Notice:
        """The finding as a warning of the file."""
        times = f" ({self.count:,} lines)" if self.count > 1 else ""
        needs = f" without {self.rule.needs}" if self.rule.needs else ""
        code = f"firmware-{self.feature.name.lower().replace('_', '-')}"
        return Notice(line=self.line, code=code, text=f"{self.firmware}{needs} {self.rule.text}{times}")


_MOVES = (Feature.LEADING_ZERO, Feature.NO_COMMAND)  # lines that move, as a rule
_UNCERTAIN_LONG = Rule(
    fate="otherwise",
    text="takes 95 characters of a line, its number and checksum among them: over a serial line this one is "
    "too long",
)
_NOT_MOVED = "drops a line that begins with an axis; the motion of the line before is not repeated"
_FEED = "drops a line that begins with F"
ACCEPTANCE_RULES: dict[str, dict[Feature, Rule]] = {
    "marlin": {
        Feature.LOWERCASE: Rule(
            fate="dropped", text="reads capital letters alone", needs="GCODE_CASE_INSENSITIVE"
        ),
        Feature.NO_COMMAND: Rule(fate="dropped", text=_NOT_MOVED, needs="GCODE_MOTION_MODES"),
        Feature.FEED_FIRST: Rule(fate="dropped", text=_FEED, needs="GCODE_MOTION_MODES"),
        Feature.GLUED: Rule(fate="dropped", text="runs the first of two commands in one line"),
        Feature.PARENTHESES: Rule(
            fate="otherwise",
            text="reads text in parentheses as words of the command",
            needs="PAREN_COMMENTS",
        ),
        Feature.INCHES: Rule(
            fate="dropped", text="does not know G20: everything is millimetres", needs="INCH_MODE_SUPPORT"
        ),
        Feature.MACHINE_PLACES: Rule(fate="dropped", text="drops G53 lines", needs="CNC_COORDINATE_SYSTEMS"),
        Feature.ORIGIN_RESET: Rule(
            fate="dropped", text="does not know G92.1", needs="CNC_COORDINATE_SYSTEMS"
        ),
        Feature.G10_WORDS: Rule(fate="otherwise", text="retracts at G10, whatever its words", needs=""),
        Feature.FW_RETRACT: Rule(fate="dropped", text="does not know G10 and G11", needs="FWRETRACT"),
        Feature.PLACEHOLDER: Rule(fate="otherwise", text="reads a placeholder as a word without a number"),
        Feature.EXTENDED: Rule(fate="ignored", text="passes over extended commands"),
        Feature.LONG_82: _UNCERTAIN_LONG,
        Feature.LONG_95: Rule(fate="dropped", text="cuts lines off after 95 characters (MAX_CMD_SIZE)"),
    },
    "klipper": {
        Feature.NO_COMMAND: Rule(fate="dropped", text=_NOT_MOVED),
        Feature.FEED_FIRST: Rule(fate="dropped", text=_FEED),
        Feature.GLUED: Rule(fate="dropped", text="runs the first of two commands in one line"),
        Feature.PARENTHESES: Rule(fate="error", text="aborts the print at text in parentheses behind a move"),
        Feature.LEADING_ZERO: Rule(fate="dropped", text="does not know G01 and the like"),
        Feature.INCHES: Rule(fate="error", text="aborts the print at G20: it has no inches"),
        Feature.ARC: Rule(fate="dropped", text="does not know G2 and G3", needs="[gcode_arcs]"),
        Feature.ARC_RADIUS: Rule(fate="error", text="aborts the print at an arc with R: it takes I and J"),
        Feature.ARC_RELATIVE: Rule(fate="error", text="aborts the print at an arc while G91 holds"),
        Feature.MACHINE_PLACES: Rule(fate="dropped", text="drops G53 lines"),
        Feature.ORIGIN_RESET: Rule(fate="dropped", text="does not know G92.1"),
        Feature.G10_WORDS: Rule(fate="otherwise", text="retracts at G10, whatever its words"),
        Feature.FW_RETRACT: Rule(
            fate="dropped", text="does not know G10 and G11", needs="[firmware_retraction]"
        ),
        Feature.DWELL_SECONDS: Rule(fate="otherwise", text="does not wait at G4 S: it knows P alone"),
        Feature.M204_HALF: Rule(fate="ignored", text="passes over M204 with P or T alone"),
        Feature.TOOL: Rule(fate="dropped", text="does not change tools", needs="a macro T1 and so on"),
        Feature.PLACEHOLDER: Rule(fate="error", text="aborts the print at an unfilled placeholder"),
        Feature.WAIT_FOR_PERSON: Rule(
            fate="dropped", text="does not wait at M0, M1, M226 or M600", needs="a macro of that name"
        ),
        Feature.VOLUMETRIC: Rule(fate="otherwise", text="passes over M200: E words stay millimetres"),
        Feature.LIMITS: Rule(fate="ignored", text="passes over M201, M203, M205 and M566"),
        Feature.HOST_LINE: Rule(fate="dropped", text="does not know M118", needs="[respond]"),
        Feature.DISPLAY: Rule(fate="ignored", text="does not know M117 and M73", needs="[display_status]"),
        Feature.PAUSE: Rule(fate="dropped", text="does not know PAUSE", needs="[pause_resume]"),
        Feature.OBJECTS: Rule(fate="ignored", text="does not know EXCLUDE_OBJECT", needs="[exclude_object]"),
        Feature.NOT_UTF8: Rule(
            fate="error",
            text="stops silently at a byte that is not UTF-8 (virtual_sdcard.py)",
        ),
        Feature.NO_LINE_END: Rule(
            fate="otherwise", text="does not run a last line without a line end (virtual_sdcard.py)"
        ),
    },
    "reprapfirmware": {
        Feature.NO_COMMAND: Rule(fate="dropped", text=_NOT_MOVED, needs="CNC mode (M453)"),
        Feature.FEED_FIRST: Rule(fate="dropped", text=_FEED, needs="CNC mode (M453)"),
        Feature.PARENTHESES: Rule(
            fate="otherwise",
            text="reads text in parentheses as words of the command",
            needs="CNC mode (M453)",
        ),
        Feature.ORIGIN_RESET: Rule(fate="dropped", text="does not know G92.1"),
        Feature.VOLUMETRIC: Rule(fate="otherwise", text="reads E words as volumes behind M200"),
        Feature.HOST_LINE_BARE: Rule(
            fate="dropped", text='sends nothing at M118 without S"text"', needs='S"text"'
        ),
        Feature.EXTENDED: Rule(fate="ignored", text="answers an extended command with an error and goes on"),
        Feature.LONG_255: Rule(fate="error", text="refuses lines of more than 255 characters"),
    },
}


def accept(path: Path, firmware: str) -> list[DialectFinding]:
    """Return what a firmware will refuse, drop or read otherwise in a file, the gravest first.

    Parameters
    ----------
    path : Path
    firmware : str
        ``marlin``, ``klipper`` or ``reprapfirmware``.

    Raises
    ------
    FileProblemError
        The file cannot be read.
    """
    with file_bytes(path, "G-code file") as view:
        return _findings(features_of(view), firmware)


def accept_read(toolpath: Toolpath, firmware: str) -> list[DialectFinding]:
    """Return what `accept` does, by what was counted when the file was read."""
    counted = toolpath.line_features
    return accept(toolpath.path, firmware) if counted is None else _findings(counted, firmware)


def _findings(counted: FeatureCounts, firmware: str) -> list[DialectFinding]:
    counted = dict(counted)
    if Feature.LONG_95 in counted:
        counted.pop(Feature.LONG_82, None)
    order = ("error", "dropped", "otherwise", "ignored")
    found = [
        DialectFinding(
            feature=feature,
            rule=ACCEPTANCE_RULES[firmware][feature],
            firmware=firmware,
            count=count,
            line=line,
        )
        for feature, (count, line) in counted.items()
        if feature in ACCEPTANCE_RULES[firmware]
    ]
    return sorted(found, key=lambda finding: (order.index(finding.rule.fate), bool(finding.rule.needs)))
