"""How the judge of the first layer tells how lines are laid, by pictures of two renderers.

``python tests/bench/firstlayer_laying.py [seeds] [first seed] [--bare] [row,row]`` prints for each row what
is said, and how far the width of the outermost lines and the advised amount are off. "second": the scenes of
tests/firstlayer/second_scenes.py, the whole way with a camera that is not the rig's; "rehearsed": the
rehearsal's camera. Ridges are drawn in pieces of about a millimetre along both sides of lines.
"""

from __future__ import annotations

import sys
from collections import Counter
from pathlib import Path

import numpy as np

sys.path[:0] = [str(Path(__file__).parent), str(Path(__file__).parents[1] / "firstlayer")]

import firstlayer_rehearsed as rehearsed  # noqa: E402
import firstlayer_second_judge as second  # noqa: E402
import second_scenes as scenes  # noqa: E402

from twinlapse.firstlayer.classify import Judgement, judge  # noqa: E402
from twinlapse.firstlayer.expected import lines_of  # noqa: E402
from twinlapse.plan.where.survey_grid import plan_survey  # noqa: E402
from twinlapse.rehearsal.beads import Beads  # noqa: E402
from twinlapse.rehearsal.faults import Faults  # noqa: E402

ROWS: dict[str, dict] = {
    "sound": {},
    "thin 40": {"flow": 0.4},
    "thin 60": {"flow": 0.6},
    "thin 80": {"flow": 0.8},
    "0.1 too high": {"rise": 0.1},
    "0.05 too high": {"rise": 0.05},
    "0.05 too low": {"rise": -0.05},
    "0.1 too low": {"rise": -0.1},
    "ridges 0.05": {"rise": -0.05, "ridges": 0.05},
    "ridges 0.1": {"rise": -0.05, "ridges": 0.1},
    "sound, blur 2 px": {"spoil": {"blur_px": 2.0}},
    "thin 60, blur 2 px": {"flow": 0.6, "spoil": {"blur_px": 2.0}},
}
LOOKS = (("terracotta", True), ("light", True), ("terracotta", False), ("light", False))
LAYER_MM, WIDTH_MM = 0.2, 0.45


def laid_beads(
    beads: Beads, dice: np.random.Generator, flow: float = 1.0, rise: float = 0.0, ridges: float = 0.0
) -> Beads:
    """The rehearsal's lines with less material, or with the nozzle off its height: w h stays."""
    columns = {name: getattr(beads, name).copy() for name in Beads.__dataclass_fields__}
    taller = 1 + rise / (2 * columns["half_height_mm"])
    columns["half_width_mm"] = (columns["half_width_mm"] * flow / taller).astype(np.float32)
    columns["half_height_mm"] = (columns["half_height_mm"] * taller).astype(np.float32)
    for name in ("first_mm", "last_mm"):
        columns[name][:, 2] += rise / 2
    return _ridged(Beads(**columns), beads, ridges, dice) if ridges else Beads(**columns)


def _ridged(beads: Beads, asked: Beads, tall_mm: float, dice: np.random.Generator) -> Beads:
    way = beads.last_mm - beads.first_mm
    length = np.hypot(way[:, 0], way[:, 1])
    unit = way / np.maximum(length, 1e-9)[:, None]
    side = np.column_stack([-unit[:, 1], unit[:, 0], 0 * length]) * asked.half_width_mm[:, None]
    ends, tall, row = [], [], []
    for k in range(len(beads)):
        for sign in (-1, 1):
            at = 0.0
            while at < length[k]:
                stop = min(at + dice.uniform(0.3, 1.5), length[k])
                if dice.random() < 0.7:
                    foot = beads.first_mm[k] + sign * side[k] * dice.uniform(0.75, 0.95)
                    foot[2] += beads.half_height_mm[k]
                    ends.append((foot + unit[k] * at, foot + unit[k] * stop))
                    tall.append(tall_mm * dice.uniform(0.4, 1.4))
                    row.append(beads.row[k])
                at = stop + dice.uniform(0, 0.4)
    both = np.array(ends, np.float32)
    return Beads(
        first_mm=np.concatenate([beads.first_mm, both[:, 0]]),
        last_mm=np.concatenate([beads.last_mm, both[:, 1]]),
        half_width_mm=np.concatenate([beads.half_width_mm, np.full(len(both), 0.05, np.float32)]),
        half_height_mm=np.concatenate([beads.half_height_mm, np.array(tall, np.float32)]),
        row=np.concatenate([beads.row, np.full(len(both), beads.row[-1])]),
    )


def by_rehearsal(row: dict, seed: int) -> tuple[Judgement, float]:
    """The rehearsal's square, and how wide its lines are."""
    made = rehearsed.sheet()
    survey = plan_survey(made.path, made.layers, 0, rehearsed.CAMERA, rehearsed.PRINTER)
    places = [(stop.x_mm, stop.y_mm, stop.z_mm) for stop in survey.stops]
    lines = lines_of(made.path, made.layers, 0, rehearsed.PRINTER)
    beads = laid_beads(made.beads, np.random.default_rng([seed, 77]), **row)
    filament, textured = LOOKS[seed % 4]
    eyes = rehearsed.eye(made, beads, filament, textured, (0.1, 0.5, 2.0)[seed // 4 % 3])
    shown = rehearsed.frames(eyes, places, seed, Faults(parking_mm=0.1, missing=0, damaged=0))
    judged = judge(rehearsed.mapped(made, shown, lines), lines, smallest_mm=0.4, height_mm=LAYER_MM)
    return judged, WIDTH_MM * row.get("flow", 1.0) * LAYER_MM / (LAYER_MM + row.get("rise", 0.0))


def by_second(row: dict, seed: int, bare: bool) -> tuple[Judgement, float]:
    """A scene of the second renderer, and how wide its lines are."""
    second.ROWS["laying"] = row
    judged = second.run("laying", seed, bare_bed=bare)[0]
    return judged, scenes.laid_width(scenes.PITCH, row.get("flow", 1.0), row.get("rise", 0.0)) + 0.04


def main(names: list[str], seeds: range, bare: bool) -> None:
    """Print a line for each renderer and row."""
    for name in names:
        for renderer in ("second", "rehearsed"):
            row = ROWS[name]
            if renderer == "rehearsed" and ("spoil" in row or bare):
                continue
            said: Counter[str] = Counter()
            off, sure, amounts, alarms = [], [], [], 0
            for seed in seeds:
                judged, width = (
                    by_second(row, seed, bare) if renderer == "second" else by_rehearsal(row, seed)
                )
                laying = judged.laying
                said["cannot tell" if laying is None else laying.laid] += 1
                alarms += judged.sound is False
                if laying is not None and laying.outer is not None and laying.outer.told:
                    off.append(laying.outer.width_mm - width)
                    sure.append(off[-1] / laying.outer.error_mm)
                if laying is not None and laying.off_mm is not None:
                    amounts.append(laying.off_mm)
            widths = (
                f"width told {len(off)}, off {np.mean(off):+.3f} +-{np.std(off):.3f} mm"
                if off
                else "no width"
            )
            worst = (
                f", at most {np.abs(off).max():.3f}, {np.sqrt(np.mean(np.square(sure))):.1f} sd"
                if off
                else ""
            )
            told = f"; amounts {np.mean(amounts):+.3f} +-{np.std(amounts):.3f}" if amounts else ""
            print(f"{name}, {renderer}: {dict(said)}, found {alarms}; {widths}{worst}{told}", flush=True)


if __name__ == "__main__":
    words = [word for word in sys.argv[1:] if not word.startswith("--")]
    numbers = [int(word) for word in words if word.isdigit()]
    chosen = [name for word in words if not word.isdigit() for name in word.split(",")]
    count, first = (numbers + [6, 9000][len(numbers) :])[:2]
    main(chosen or list(ROWS), range(first, first + count), "--bare" in sys.argv)
