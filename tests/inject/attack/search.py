"""Have the proof accept what the other machine sees collide, at random and by climbing on what it took."""

from __future__ import annotations

import random
from collections import Counter
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from attack.edits import PLACES, WILD, Lines, blocks
from attack.machine import NOTHING_MM, Judge, Tool
from attack.prints import Print

from twinlapse.gcode import find_layers, read_toolpath
from twinlapse.inject import inject_file, prove
from twinlapse.motion import time_toolpath
from twinlapse.plan import make_plan
from twinlapse.rig import Rig, rig_from_mapping

OVERLAP_MM = 0.3
MOST_BASES = 6  # accepted files that are climbed on from


@dataclass
class Tally:
    """What an attack on one print has seen."""

    name: str
    attempts: int = 0
    accepted: int = 0
    deepest_mm: float = NOTHING_MM  # of what was accepted
    wrong: list[str] = field(default_factory=list)  # accepted and collides, or prints something else
    collides: int = 0  # attempts that the other machine sees collide
    clear: int = 0  # attempts that move places alone, print the same and clear everything by 1 mm
    refused_clear: list[str] = field(default_factory=list)  # of these, refused for clearance alone
    why: Counter[str] = field(default_factory=Counter)  # first check that failed, of those that clear by 1 mm


class Attack:
    """One print, written and proven, under attack."""

    def __init__(self, target: Print, folder: Path, seed: int) -> None:
        self.rng = random.Random(f"{target.name} {seed}")
        self.source, self.out = folder / "pot.gcode", folder / "filmed.gcode"
        self.source.write_text("\n".join(target.lines) + "\n")
        self.rig = rig_from_mapping(target.rig)
        self.path = read_toolpath(self.source, firmware=target.firmware)
        layers = find_layers(self.path)
        plan = make_plan(self.path, layers, time_toolpath(self.path, self.rig.printer), self.rig)
        inject_file(self.source, plan, self.out, toolpath=self.path)
        self.written: Lines = self.out.read_text().split("\n")
        self.judge = Judge(target.lines, tool_of(self.rig), target.firmware)
        self.tally = Tally(target.name)
        depth, same = self.judge.judge(self.written)
        assert same and depth < OVERLAP_MM, (target.name, depth, same)
        self.bases: list[tuple[float, Lines]] = [(depth, self.written)]

    def run(self, attempts: int) -> Tally:
        """Try that many changed files."""
        while self.tally.attempts < attempts:
            climbing = self.rng.random() < 0.6
            places = climbing or self.rng.random() < 0.3
            deep = min(int(self.rng.expovariate(0.7)), len(self.bases) - 1)  # the deepest is climbed on most
            base = self.bases[deep][1] if climbing else self.written
            names, lines = self._edited(base, places=places)
            if lines is not None and lines != base:
                self._try(
                    lines, names, climbing=climbing, places=(places and base is self.written) or climbing
                )
        return self.tally

    def _edited(self, lines: Lines, *, places: bool) -> tuple[str, Lines | None]:
        names, out = [], lines
        for _ in range(self.rng.choice((1, 1, 1, 2, 3))):
            edit = self.rng.choice(PLACES if places or self.rng.random() < 0.2 else WILD)
            changed = edit(out, self.rng) if blocks(out) else None
            if changed is not None:
                out = changed
                names.append(edit.__name__)
        return "+".join(names), out if names else None

    def _try(self, lines: Lines, names: str, *, climbing: bool, places: bool) -> None:
        tally = self.tally
        tally.attempts += 1
        self.out.write_text("\n".join(lines))
        named = "change_header" not in names or self.rng.random() < 0.5
        broken = self._broken(self.rig if named else None)
        depth, same = self.judge.judge(lines)
        tally.collides += depth >= OVERLAP_MM
        if not broken:
            tally.accepted += 1
            tally.deepest_mm = max(tally.deepest_mm, depth)
            if depth >= OVERLAP_MM - 1e-9 or not same:
                tally.wrong.append(f"{names}: {depth} mm deep, prints {'the same' if same else 'otherwise'}")
                self.out.with_name(f"wrong{len(tally.wrong)}.gcode").write_text("\n".join(lines))
            elif climbing or places:
                self.bases = sorted([*self.bases, (depth, lines)], key=lambda base: -base[0])[:MOST_BASES]
        if places and same and depth == NOTHING_MM:
            tally.clear += 1
            if broken:
                tally.why[broken[0]] += 1
            if broken == ["clearance"]:
                tally.refused_clear.append(names)
                self.out.with_name(f"refused{len(tally.refused_clear)}.gcode").write_text("\n".join(lines))

    def _broken(self, rig: Rig | None) -> list[str]:
        """Names of the checks that fail; a file that cannot be judged is refused as well."""
        from twinlapse.errors import TwinlapseError

        try:
            proof = prove(self.source, self.out, rig, toolpath=self.path)
        except TwinlapseError as error:
            return [type(error).__name__]
        return [check.name for check in proof.checks if not check.holds]


def tool_of(rig: Rig) -> Tool:
    """The other machine's toolhead and room."""
    printer: Any = rig.printer
    head = printer.toolhead
    return Tool(
        low=(printer.x_range_mm[0], printer.y_range_mm[0]),
        high=(printer.x_range_mm[1], printer.y_range_mm[1]),
        height_mm=printer.height_mm,
        radius_mm=head.radius_mm,
        nozzle_radius_mm=head.nozzle_radius_mm,
        nozzle_length_mm=head.nozzle_length_mm,
        gantry_mm=0.0 if printer.kinematics == "bed-fixed" else head.gantry_mm,
        keep_out=tuple((*box.x_mm, *box.y_mm, box.z_mm) for box in printer.keep_out),
    )
