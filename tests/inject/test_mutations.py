"""Seeded faults in written files: what changes the machine's doing is caught, what does not passes.

Translation validation after Pnueli, Siegel and Singerman (TACAS 1998): the output is checked, not its writer.
"""

from __future__ import annotations

import functools
import operator
import random
import re
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest

from twinlapse.gcode import Toolpath
from twinlapse.inject import inject_file, prove
from twinlapse.rig import Rig, rig_from_mapping

pytestmark = pytest.mark.usefixtures("both_ways")

# file -> firmware by whose rules it is read and written
FILES = {
    "cube_abs.gcode": "marlin",
    "bracket_fw_retract.gcode": "reprapfirmware",
    "vase_spiral_bare.gcode": "klipper",
    "towers_two_tools.gcode": "marlin",
    "table_support.gcode": "marlin",
    "cup_crlf.gcode": "klipper",
}
LARGE = ("cup_crlf.gcode", "towers_two_tools.gcode", "vase_spiral_bare.gcode")
Lines = list[str]
LAYS = re.compile(r"G1 .*X.*Y.*E[.\d]")
TRAVELS = re.compile(r"G1 X\S+ Y\S+ F")


@dataclass(frozen=True, slots=True)
class Case:
    """A written file and what it was made from."""

    original: Path
    written: Lines
    eol: str
    toolpath: Toolpath
    rig: Rig
    relative_e: bool
    begins: dict[int, int]  # shots that pull back themselves: number and index of the first fence
    laying: list[int]  # printing lines outside the shots, each with another right behind it


class Block:
    """The lines of one shot in a list of lines."""

    def __init__(self, lines: Lines, number: int, near: int = 0) -> None:
        self.lines = lines
        self.number = number
        mine = f"; twinlapse shot {number} begin"
        self.begin = next(i for i in range(max(near - 1000, 0), len(lines)) if lines[i].startswith(mine))
        self.end = lines.index(f"; twinlapse shot {number} end", self.begin)

    def find(self, pattern: str, nth: int = 0) -> int:
        """Return where the nth line that matches stands; from behind when negative."""
        return [i for i in range(self.begin, self.end) if re.match(pattern, self.lines[i])][nth]

    @property
    def z(self) -> float:
        """The top of the layer."""
        found = re.search(r"z (\S+)\)", self.lines[self.begin])
        assert found
        return float(found[1])

    def edit(self, pattern: str, nth: int, change: Callable[[str], str]) -> Lines:
        """Return the lines with one changed."""
        i = self.find(pattern, nth)
        assert change(self.lines[i]) != self.lines[i]
        return [*self.lines[:i], change(self.lines[i]), *self.lines[i + 1 :]]

    def drop(self, pattern: str, nth: int = 0) -> Lines:
        """Return the lines without one."""
        i = self.find(pattern, nth)
        return [*self.lines[:i], *self.lines[i + 1 :]]

    def put(self, text: str, before: str = "M400") -> Lines:
        """Return the lines with another before one."""
        i = self.find(before)
        return [*self.lines[:i], text, *self.lines[i:]]


def word(letter: str, value: float | str) -> Callable[[str], str]:
    """Return a change that gives a word another value."""
    text = value if isinstance(value, str) else f"{value:g}"
    return lambda line: re.sub(rf"{letter}[-.\d]+", f"{letter}{text}", line, count=1)


def shifted(letter: str, by: float) -> Callable[[str], str]:
    """Return a change that adds to a word."""
    return lambda line: re.sub(
        rf"{letter}([-.\d]+)", lambda found: f"{letter}{float(found[1]) + by:.5f}", line, count=1
    )


def laying_lines(lines: Lines) -> list[int]:
    """Return printing lines outside the shots that have another right behind them."""
    ours = False
    found = []
    for i, line in enumerate(lines[:-1]):
        if line.startswith("; twinlapse"):
            ours = "begin" in line
        elif not ours and line != lines[i + 1] and LAYS.match(line) and LAYS.match(lines[i + 1]):
            found.append(i)
    return found[len(found) // 4 :]


def outside(change: Callable[[str], str]) -> Callable[..., Lines]:
    """Return a fault that changes a printing line."""

    def fault(lines: Lines, block: Block, rng: random.Random, case: Case) -> Lines:
        i = rng.choice(case.laying)
        return [*lines[:i], change(lines[i]), *lines[i + 1 :]]

    return fault


def inserted(text: str) -> Callable[..., Lines]:
    """Return a fault that puts a line between two printing lines."""

    def fault(lines: Lines, block: Block, rng: random.Random, case: Case) -> Lines:
        i = rng.choice(case.laying) + 1
        return [*lines[:i], text, *lines[i:]]

    return fault


def read_by(firmwares: str, fault: Callable[..., Lines | None]) -> Callable[..., Lines | None]:
    """Return a fault that only some firmwares' files have."""
    return lambda lines, block, rng, case: (
        fault(lines, block, rng, case) if case.rig.printer.firmware in firmwares.split() else None
    )


def numbered(line: str) -> str:
    """Return a line with a number and its checksum, the exclusive or of its bytes (Marlin, queue.cpp)."""
    text = "N7 " + line
    return f"{text}*{functools.reduce(operator.xor, text.encode(), 0)}"


def in_block(text: str) -> Callable[..., Lines]:
    """Return a fault that puts a line into a block, before it waits."""
    return lambda lines, block, rng, case: block.put(text)


def _swap(lines: Lines, block: Block, rng: random.Random, case: Case) -> Lines:
    i = rng.choice(case.laying)
    return [*lines[:i], lines[i + 1], lines[i], *lines[i + 2 :]]


def _drop_command(pattern: str) -> Callable[..., Lines | None]:
    def fault(lines: Lines, block: Block, rng: random.Random, case: Case) -> Lines | None:
        found = [i for i, line in enumerate(lines) if re.match(pattern, line) and not _is_ours(lines, i)]
        if not found:
            return None
        i = rng.choice(found)
        return [*lines[:i], *lines[i + 1 :]]

    return fault


def _is_ours(lines: Lines, i: int) -> bool:
    for line in reversed(lines[:i]):
        if line.startswith("; twinlapse") and "cue" not in line:
            return "begin" in line
    return False


def _truncated(lines: Lines, block: Block, rng: random.Random, case: Case) -> Lines:
    return lines[: rng.choice(case.laying)]


def _without_end(lines: Lines, block: Block, rng: random.Random, case: Case) -> Lines:
    last = max(i for i, line in enumerate(lines) if re.match(r"G|M(?!118)", line))  # of the original
    return lines[:last]


def _without_last_comments(lines: Lines) -> Lines | None:
    kept = list(lines)
    while not kept[-1] or kept[-1].startswith(";"):
        kept.pop()
    return [*kept, ""] if len(kept) + 1 < len(lines) else None


def _double_prime(lines: Lines, block: Block, rng: random.Random, case: Case) -> Lines:
    if case.relative_e and "G11" not in lines[block.begin : block.end]:
        i = block.find(r"G1 E", -1)
        return [*lines[: i + 1], lines[i], *lines[i + 1 :]]
    if "G11" in lines[block.begin : block.end]:
        return block.put("G1 E1 F2100", "G11")
    return block.edit(r"G1 E", -1, shifted("E", 1.0))


def _retract(block: Block) -> str:
    return "G10" if "G10" in block.lines[block.begin : block.end] else r"G1 E"


def _prime(block: Block) -> str:
    return "G11" if "G11" in block.lines[block.begin : block.end] else r"G1 E"


def _prime_at_stop(lines: Lines, block: Block, rng: random.Random, case: Case) -> Lines:
    i = block.find(_prime(block), -1)
    rest = [*lines[:i], *lines[i + 1 :]]
    at = Block(rest, block.number, block.begin).find(TRAVELS.pattern, -1)
    return [*rest[:at], lines[i], *rest[at:]]


def _early_end(lines: Lines, block: Block, rng: random.Random, case: Case) -> Lines:
    rest = [*lines[: block.end], *lines[block.end + 1 :]]
    at = block.find(TRAVELS.pattern, -1)
    return [*rest[:at], lines[block.end], *rest[at:]]


def _duplicate(lines: Lines, block: Block, rng: random.Random, case: Case) -> Lines:
    return [*lines[: block.end + 1], *lines[block.begin : block.end + 1], *lines[block.end + 1 :]]


def _lost(lines: Lines, block: Block, rng: random.Random, case: Case) -> Lines:
    return [*lines[: block.begin], *lines[block.end + 1 :]]


def _exchanged(lines: Lines, block: Block, rng: random.Random, case: Case) -> Lines:
    other = Block(lines, block.number + 1, block.end)
    mine, theirs = lines[block.begin : block.end + 1], lines[other.begin : other.end + 1]
    between = lines[block.end + 1 : other.begin]
    return [*lines[: block.begin], *theirs, *between, *mine, *lines[other.end + 1 :]]


def _moved_down(lines: Lines, block: Block, rng: random.Random, case: Case) -> Lines:
    at = next(i for i in range(block.end + 1, len(lines)) if LAYS.match(lines[i])) + 1
    body = lines[block.begin : block.end + 1]
    return [*lines[: block.begin], *lines[block.end + 1 : at], *body, *lines[at:]]


def _moved_up(lines: Lines, block: Block, rng: random.Random, case: Case) -> Lines:
    at = max(i for i in range(block.begin) if LAYS.match(lines[i]))
    body = lines[block.begin : block.end + 1]
    return [*lines[:at], *body, *lines[at : block.begin], *lines[block.end + 1 :]]


def _park_in_print(lines: Lines, block: Block, rng: random.Random, case: Case) -> Lines:
    changed = block.edit(r"G1 Z", 0, word("Z", block.z))
    return Block(changed, block.number, block.begin).edit(TRAVELS.pattern, 0, lambda _: "G1 X100 Y100 F9000")


def _no_wait(lines: Lines, block: Block, rng: random.Random, case: Case) -> Lines:
    i = block.find("M400")
    j = next(k for k in range(i, block.end) if "twinlapse cue" in lines[k])
    return [*lines[:i], *(line for line in lines[i:j] if line != "M400"), *lines[j:]]


def _wait_late(lines: Lines, block: Block, rng: random.Random, case: Case) -> Lines:
    i = block.find("M400")
    j = next(k for k in range(i, block.end) if "twinlapse cue" in lines[k])
    kept = [line for line in lines[i:j] if line != "M400"]
    return [*lines[:i], *kept, lines[j], "M400", *lines[j + 1 :]]


def _no_speed(pattern: str, nth: int) -> Callable[..., Lines]:
    return lambda lines, block, rng, case: block.edit(pattern, nth, lambda line: re.sub(r" F\S+", "", line))


def _e_named(lines: Lines, block: Block, rng: random.Random, case: Case) -> Lines:
    path, line = case.toolpath, block.begin
    e = float(path.e_word[min(len(path) - 1, line)]) + 1.0
    return block.put(f"G92 E{e:.5f}")


def _e_mode(lines: Lines, block: Block, rng: random.Random, case: Case) -> Lines:
    return block.put("M82" if case.relative_e else "M83", f"; twinlapse shot {block.number} begin")


def _e_mode_at_end(lines: Lines, block: Block, rng: random.Random, case: Case) -> Lines:
    return [*lines[: block.end], "M82" if case.relative_e else "M83", *lines[block.end :]]


def _renumbered(lines: Lines, block: Block, rng: random.Random, case: Case) -> Lines:
    n = block.number
    body = [
        x.replace(f"shot {n} ", "shot 1 ").replace(f" {n}.", " 1.")
        for x in lines[block.begin : block.end + 1]
    ]
    return [*lines[: block.begin], *body, *lines[block.end + 1 :]]


def _b(method: str, *arguments: Any) -> Callable[..., Lines]:
    return lambda lines, block, rng, case: getattr(block, method)(*arguments)


TO_STOP, BACK = (TRAVELS.pattern, 0), (TRAVELS.pattern, -1)

FAULTS: dict[str, Callable[..., Lines | None]] = {
    # outside the blocks
    "a printing line is dropped": lambda lines, block, rng, case: (lambda i: [*lines[:i], *lines[i + 1 :]])(
        rng.choice(case.laying)
    ),
    "two printing lines are swapped": _swap,
    "X of a printing line differs by 0.01": outside(shifted("X", 0.01)),
    "E of a printing line differs by 0.001": outside(shifted("E", 0.001)),
    "a printing line gets a speed": outside(lambda line: line + " F777"),
    "a printing line loses its E": outside(lambda line: re.sub(r" E\S+", "", line)),
    "a fan command is dropped": _drop_command(r"M10[67]"),
    "a heating command is dropped": _drop_command(r"M10[49]"),
    "the E mode's command is dropped": _drop_command(r"M8[23]"),
    "a G92 is dropped": _drop_command(r"G92 E"),
    "a tool change is dropped": _drop_command(r"T\d"),
    "a retraction is dropped": _drop_command(r"G10|G1 E-?[\d.]+ F|G1 F\d+ E"),
    "homing stands between printing lines": inserted("G28 X"),
    "a fan command stands between printing lines": inserted("M106 S10"),
    "an unknown command stands between printing lines": inserted("FIRMWARE_RESTART"),
    "a G92 stands between printing lines": inserted("G92 E5"),
    "a wrong checksum is added": read_by("marlin reprapfirmware", outside(lambda line: f"{numbered(line)}0")),
    "letters are small where capitals are read": read_by("marlin", outside(str.lower)),
    "G1 is spelled G01 where it is another command": read_by(
        "klipper", outside(lambda line: line.replace("G1 ", "G01 "))
    ),
    "a word in parentheses is added": outside(lambda line: line + " (Z9)"),
    "a carriage return begins a move": read_by(
        "marlin reprapfirmware", outside(lambda line: line + " ; a thought\rG1 X0 Y0")
    ),
    "a comment hides a move behind a carriage return": read_by(
        "marlin reprapfirmware", inserted("; a thought\rG1 X0 Y0")
    ),
    "a line is longer than is read": read_by(
        "marlin", outside(lambda line: line.replace(" E", " " * 80 + "E"))
    ),
    "a word stands twice": outside(lambda line: re.sub(r"(X\S+)", r"\1 X1", line)),
    "the file is cut in the middle": _truncated,
    "the last command is missing": _without_end,
    # fences
    "a first fence is missing": _b("drop", "; twinlapse shot"),
    "a last fence is missing": lambda lines, block, rng, case: [*lines[: block.end], *lines[block.end + 1 :]],
    "the last fence stands too early": _early_end,
    "a shot is there twice": _duplicate,
    "a shot is missing": _lost,
    "two shots are exchanged": _exchanged,
    "a shot has the number of another": _renumbered,
    "a shot is moved down into a path": _moved_down,
    "a shot is moved up into a path": _moved_up,
    # filament
    "the retraction is missing": lambda lines, block, rng, case: block.drop(_retract(block)),
    "the prime is missing": lambda lines, block, rng, case: block.drop(_prime(block), -1),
    "it primes twice": _double_prime,
    "it primes at the stop": _prime_at_stop,
    "it lays material on its way back": lambda lines, block, rng, case: block.edit(
        *BACK, lambda line: line + (" E1" if case.relative_e else " E9999")
    ),
    "G92 E is one off": _e_named,
    "the E mode is lost at the beginning": _e_mode,
    "the E mode is lost at the end": _e_mode_at_end,
    # places
    "it does not lift": _b("drop", r"G1 Z"),
    "it lifts too little": lambda lines, block, rng, case: block.edit(r"G1 Z", 0, word("Z", block.z + 0.02)),
    "it does not go to its stop": _b("drop", *TO_STOP),
    "it does not go back": _b("drop", *BACK),
    "it does not come down": _b("drop", r"G1 Z", -1),
    "it comes back 0.01 mm beside": lambda lines, block, rng, case: block.edit(*BACK, shifted("X", 0.01)),
    "it comes down 0.01 mm too high": lambda lines, block, rng, case: block.edit(
        r"G1 Z", -1, shifted("Z", 0.01)
    ),
    "it dives into the print": lambda lines, block, rng, case: block.edit(
        r"G1 Z", -1, lambda line: f"{word('Z', max(block.z - 1, 0.0))(line)}"
    ),
    "it parks in the print": _park_in_print,
    "it parks beside the bed": lambda lines, block, rng, case: block.edit(*TO_STOP, word("X", -20)),
    "it parks above the machine": lambda lines, block, rng, case: block.edit(r"G1 Z", 0, word("Z", 400)),
    "it parks in a keep-out": lambda lines, block, rng, case: block.edit(
        *TO_STOP, lambda line: word("Y", 215)(word("X", 215)(line))
    ),
    "it parks at another place": lambda lines, block, rng, case: block.edit(*TO_STOP, shifted("X", 5)),
    "it goes in an arc": lambda lines, block, rng, case: block.edit(
        *TO_STOP, lambda line: line.replace("G1", "G2") + " I5 J5"
    ),
    # speeds
    "the speed is not restored": _b("drop", r"G1 F"),
    "another speed is restored": lambda lines, block, rng, case: block.edit(r"G1 F", -1, shifted("F", 60)),
    "it travels too fast": lambda lines, block, rng, case: block.edit(*TO_STOP, word("F", 30000)),
    "its travel has lost its speed": _no_speed(*TO_STOP),
    "it lifts too fast": lambda lines, block, rng, case: block.edit(r"G1 Z", 0, word("F", 9000)),
    # state
    "relative places are left on": in_block("G91"),
    "inches are left on": in_block("G20"),
    "another tool is left on": in_block("T3"),
    "the origin of X is moved": in_block("G92 X0"),
    "the acceleration is left changed": in_block("M204 S123"),
    "the speed factor is left changed": in_block("M220 S50"),
    "the flow is left changed": in_block("M221 S150"),
    "the fan is changed": in_block("M106 S255"),
    "the heater is switched off": in_block("M104 S0"),
    "the motors are switched off": in_block("M84"),
    "the print pauses": in_block("M0"),
    "it homes": in_block("G28"),
    "a second retraction of the firmware stays open": in_block("G10"),
    "the host is told to cancel": in_block("M118 A1 action:cancel"),
    "two commands stand in one line": lambda lines, block, rng, case: block.edit(
        "M400", 0, lambda line: line + " M106 S0"
    ),
    # standing
    "it does not wait for its moves": _no_wait,
    "it waits for its moves after the cue": _wait_late,
    "it does not settle": _b("drop", "G4 P"),
    "it leaves without a dwell": _b("drop", "G4 P", 1),
    "its dwell is short": lambda lines, block, rng, case: block.edit("G4 P", 1, word("P", 100)),
    "its cue is missing": _b("drop", r"M118 (?:E1 )?(?:S\")?twinlapse cue"),
    "its cue has another number": lambda lines, block, rng, case: block.edit(
        "M118", 0, lambda line: re.sub(r"cue \d+", "cue 999", line)
    ),
}

HARMLESS: dict[str, Callable[..., Lines | None]] = {
    "a comment is added": inserted("; a thought"),
    "a comment is added behind a command": outside(lambda line: line + " ; a thought"),
    "a blank line is added": inserted(""),
    "blanks are added": outside(lambda line: line.replace(" ", "   ") + "  "),
    "numbers are spelled otherwise": outside(lambda line: re.sub(r"(X\d+\.\d+)", r"\g<1>00", line)),
    # Klipper's gcode.py takes a command's name as it is written; stock Marlin reads capitals alone
    "G1 is spelled G01": read_by("marlin reprapfirmware", outside(lambda line: line.replace("G1 ", "G01 "))),
    "letters are small": read_by("klipper reprapfirmware", outside(str.lower)),
    "words stand in another order": outside(lambda line: re.sub(r"(X\S+) (Y\S+)", r"\2 \1", line)),
    "a line number and a checksum are added": outside(numbered),
    "a comment is added in a shot": in_block("; a thought"),
    "a blank line is added in a shot": in_block(""),
    "numbers in a shot are spelled otherwise": lambda lines, block, rng, case: block.edit(
        *TO_STOP, lambda line: line.replace("X10", "X10.000")
    ),
    "a byte-order mark is added": lambda lines, block, rng, case: ["\ufeff" + lines[0], *lines[1:]],
    "the end of the last line is missing": read_by(
        "marlin reprapfirmware", lambda lines, block, rng, case: lines[:-1] if not lines[-1] else None
    ),
    "comments at the end are cut off": lambda lines, block, rng, case: _without_last_comments(lines),
    "a caution in the header is reworded": lambda lines, block, rng, case: [
        line.replace("CAUTION: Do not", "CAUTION: Never do not") for line in lines
    ],
}


@pytest.fixture(
    scope="module",
    params=[pytest.param(name, marks=pytest.mark.slow if name in LARGE else ()) for name in FILES],
)
def case(
    request: pytest.FixtureRequest,
    sliced_folder: Path,
    hand_plan: Callable[..., tuple[Toolpath, Any]],
    rig_values: dict[str, Any],
    tmp_path_factory: pytest.TempPathFactory,
) -> Case:
    """A written file, made once for all faults."""
    return make_case(
        request.param, sliced_folder, hand_plan, rig_values, tmp_path_factory.mktemp("case") / "filmed.gcode"
    )


def make_case(name: str, folder: Path, hand_plan: Any, rig_values: dict[str, Any], out: Path) -> Case:
    """Write one of the files with a shot at every eighth layer."""
    box = {"x_mm": [205, 220], "y_mm": [205, 220], "z_mm": 300}
    printer = {**rig_values["printer"], "firmware": FILES[name], "keep_out": [box]}
    rig = {**rig_values, "printer": printer}
    toolpath, plan = hand_plan(folder / name, firmware=FILES[name], every=8, rig=rig)
    assert inject_file(folder / name, plan, out, toolpath=toolpath).proof.holds
    text = out.read_bytes().decode()
    eol = "\r\n" if "\r\n" in text else "\n"
    lines = text.split(eol)
    return Case(
        original=folder / name,
        written=lines,
        eol=eol,
        toolpath=toolpath,
        rig=rig_from_mapping(plan.rig),
        relative_e=bool(re.search(r"(?m)^M83", text)),
        begins=_usable(lines),
        laying=laying_lines(lines),
    )


def _usable(lines: Lines) -> dict[int, int]:
    """Return the shots that pull the filament back, but for the first and the last of all."""
    begins = {
        int(x.split()[3]): i for i, x in enumerate(lines) if x.startswith("; twinlapse shot") and "begin" in x
    }
    numbers = list(begins)[1:-1]
    return {
        n: begins[n]
        for n in numbers
        if any(re.match(r"G1 E|G11", x) for x in lines[begins[n] : begins[n] + 30])
    }


def verdict_on(case: Case, fault: Callable[..., Lines | None], seed: str, out: Path) -> Any:
    """Return the proof of the file with a fault in it, None when the file has no place for it."""
    rng = random.Random(seed)
    lines = list(case.written)
    number = rng.choice(list(case.begins))
    block = Block(lines, number, case.begins[number])
    changed = fault(lines, block, rng, case)
    if changed is None:
        return None
    assert changed != case.written
    out.write_bytes(case.eol.join(changed).encode())
    return prove(case.original, out, case.rig, toolpath=case.toolpath)


@pytest.mark.parametrize("name", list(FAULTS))
def test_fault_is_caught(case: Case, name: str, tmp_path: Path) -> None:
    proof = verdict_on(case, FAULTS[name], name, tmp_path / "faulty.gcode")
    if proof is None:
        pytest.skip("the file has no such line")
    assert not proof.holds, name
    broken = [check for check in proof.checks if not check.holds]
    assert all(check.detail for check in broken)
    assert any(check.line for check in broken)


@pytest.mark.parametrize("name", list(HARMLESS))
def test_harmless_edit_passes(case: Case, name: str, tmp_path: Path) -> None:
    proof = verdict_on(case, HARMLESS[name], name, tmp_path / "edited.gcode")
    if proof is None:
        pytest.skip("its firmware reads such a line otherwise")
    assert proof.holds, [check for check in proof.checks if not check.holds]
