#!/usr/bin/env python3
"""Files made to be slow: does any take more than its share of processor time, and does time grow with size?

``python tests/bench/hostile_files.py [STYLE ...] [--mb 0.5 2] [--rig layer|seconds|fixed|auto|survey]`` makes
each style at two sizes and reads, plans, writes and proves it, each file in a process of its own. Printed are
seconds of processor time by step, the peak of resident memory, and the exponent with which each step grows: 1
is in proportion, 2 is quadratic. A refusal with one line counts as an answer. The promise: no command takes
more than 10 s or 1 GB for a file of 10 MB.
"""

from __future__ import annotations

import argparse
import json
import math
import random
import resource
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

Lines = Iterator[str]
HEAD = "G28\nM109 S200\nG90\nM83\nG1 F1800\n"


def _fed(length_mm: float, height_mm: float = 0.2) -> str:
    """Return the E word of a line 0.45 mm wide, filament of 1.75 mm: others are refused for their width."""
    return f"E{0.45 * height_mm * length_mm / 2.405:.5f}"


def _square(x: float, y: float, side: float) -> str:
    e = _fed(side)[1:]
    return (
        f"G0 X{x:.2f} Y{y:.2f} F9000\nG1 X{x + side:.2f} E{e} F1800\nG1 Y{y + side:.2f} E{e}\n"
        f"G1 X{x:.2f} E{e}\nG1 Y{y:.2f} E{e}\n"
    )


def layers_of_objects(rng: random.Random) -> Lines:
    """Many thin layers, each of several named objects."""
    for k in range(10**9):
        yield f";LAYER:{k}\nG0 Z{0.2 + 0.005 * k:.3f}\n"
        for n in range(3):
            yield f";MESH:object {3 * k + n}\nG0 X{50 + n} Y50\nG1 X{60 + n} E0.1\n"


def many_layers(rng: random.Random) -> Lines:
    """As many layers as a file can say."""
    for k in range(10**9):
        yield f";LAYER:{k}\nG0 X50 Y50 Z{0.2 + 0.002 * k:.3f}\nG1 X60 E0.1\n"


def bare_layers(rng: random.Random) -> Lines:
    """As many layers, told by their heights alone."""
    for k in range(10**9):
        fed = _fed(math.hypot(18 if k % 2 else 2, 1), 0.025)
        yield f"G1 Z{0.2 + 0.004 * k:.3f}\nG1 X{50 + k % 2 * 20} Y{50 + k % 7} {fed}\nG0 X52\n"


def heights_to_and_fro(rng: random.Random) -> Lines:
    """Every path at another height."""
    while True:
        yield f"G0 Z{rng.uniform(0.2, 150):.2f}\nG1 X{rng.uniform(50, 150):.1f} Y90 E1\n"


def excluded_objects(rng: random.Random) -> Lines:
    """Objects that can be cancelled, each with its outline."""
    for k in range(10**9):
        name = f"EXCLUDE_OBJECT_START NAME=o{k}\n"
        yield f"EXCLUDE_OBJECT_DEFINE NAME=o{k} CENTER=50,50 POLYGON=[[40,40],[60,40],[60,60]]\n"
        yield f"G0 Z{0.2 + k // 50 * 0.2:.2f}\n{name}{_square(50 + k % 50, 60, 8)}EXCLUDE_OBJECT_END NAME=o{k}\n"  # noqa: E501


def numbered_objects(rng: random.Random) -> Lines:
    """M486 from one object into the next."""
    for k in range(10**9):
        z, x = 0.2 + k // 50 * 0.2, 50 + k % 50
        yield f"G0 Z{z:.2f}\nM486 S{k}\nG0 X{x} Y60\nG1 X{x + 5} {_fed(5)}\n"


def tool_changes(rng: random.Random) -> Lines:
    """A tool change behind every path."""
    for k in range(10**9):
        yield f"G0 Z{0.2 + k // 400 * 0.2:.2f}\nT{k % 5}\nG0 X{50 + k % 40} Y50\nG1 Y70 E1\n"


def arcs(rng: random.Random) -> Lines:
    """Full circles, as wide as the bed allows."""
    for k in range(10**9):
        yield f"G0 X60 Y110 Z{0.2 + k // 100 * 0.2:.2f}\nG2 X60 Y110 I{45 - k % 40} J0 E9\n"


def helices(rng: random.Random) -> Lines:
    """Every arc rises, in a plane that changes."""
    for k in range(10**9):
        yield f"G0 X60 Y110 Z{0.2 + k // 100 * 0.2:.2f}\nG17\nG2 X60 Y110 Z{0.4 + k // 100 * 0.2:.2f} I{30} E9\nG18\n"  # noqa: E501


def tiny_segments(rng: random.Random) -> Lines:
    """A path of segments a few micrometres long."""
    yield "G0 X50 Y50 Z0.2\n"
    for k in range(10**9):
        yield f"G1 X{50 + k * 0.0003:.4f} E.0001\n"


def long_segments(rng: random.Random) -> Lines:
    """Every path as long as the bed, one layer."""
    yield "G0 X20 Y20 Z0.2\n"
    while True:
        yield f"G1 X{rng.randint(20, 200)} Y{rng.randint(20, 200)} E9\n"


def long_layers(rng: random.Random) -> Lines:
    """Every path as long as the bed, a layer each."""
    for k in range(10**9):
        fed = _fed(150, 0.01)
        yield f"G0 Z{0.2 + 0.01 * k:.2f}\nG1 X{20 + k % 2 * 180} Y{20 + k % 3 * 90} {fed}\nG0 X100\n"


def travels(rng: random.Random) -> Lines:
    """One gap of very many travels."""
    yield f"G0 Z0.2\n{_square(50, 50, 50)}"
    for k in range(10**9):
        if k % 20000 == 19999:
            yield f"G0 Z{0.2 + 0.2 * (k // 20000)}\n{_square(50, 50, 50)}"
        yield f"G0 X{k % 200} Y{k % 150}\n"


def idle_rows(rng: random.Random) -> Lines:
    """Gaps of hundreds of rows that do nothing, thousands of them."""
    for k in range(10**9):
        yield f"G0 Z{0.2 + 0.2 * k:.1f}\n{_square(50, 50, 50)}" + "G1 F1800\nG1 F1700\n" * 490


def pulls(rng: random.Random) -> Lines:
    """Retractions behind each other."""
    for k in range(10**9):
        yield f"G0 Z{0.2 + k // 100 * 0.2:.2f}\nG1 X60 Y50 E1\nG1 E-1\nG1 E-1\nG1 E1\nG1 E1\nG0 X50 Y50\n"


def waits(rng: random.Random) -> Lines:
    """Pauses, dwells and waits for heat behind every path."""
    for k in range(10**9):
        yield f"G0 Z{0.2 + k // 100 * 0.2:.2f}\nG1 X60 Y50 E1\nM109 S200\nM0\nG4 P1\nM400\nG0 X50 Y50\n"


def settings(rng: random.Random) -> Lines:
    """Accelerations, factors and offsets that change with every line."""
    for k in range(10**9):
        yield f"M204 S{1000 + k % 500}\nM220 S{90 + k % 20}\nG92 E0\nM205 X{8 + k % 3}\nG1 X{50 + k % 90} Y50 Z{0.2 + k // 500 * 0.2:.1f} {_fed(1)}\n"  # noqa: E501


def shifted_origins(rng: random.Random) -> Lines:
    """G92 of all axes behind every move."""
    for k in range(10**9):
        yield f"G92 X50 Y50 Z{0.2 + k // 500 * 0.2:.2f}\nG1 X60 E1\nG0 X50\n"


def small_steps(rng: random.Random) -> Lines:
    """G91, millions of steps."""
    yield "G0 X50 Y50 Z0.2\nG91\n"
    for k in range(10**9):
        yield f"G1 X{(1, -1)[k // 100 % 2]} Y{(0.1, -0.1)[k // 300 % 2]} E.1\n" + (
            "G0 Z.2\n" if k % 500 == 499 else ""
        )


def towers(rng: random.Random) -> Lines:
    """Thousands of towers, one after the other."""
    for k in range(10**9):
        x, y = 40 + k % 30 * 4, 40 + k // 30 % 30 * 4
        yield f";MESH:tower {k}\n"
        for n in range(5):
            yield f";LAYER:{n}\nG0 Z{0.2 + 0.2 * n:.1f}\n{_square(x, y, 3)}"
        yield "G0 Z8\n"


def islands(rng: random.Random) -> Lines:
    """Layers of thousands of islands."""
    for k in range(10**9):
        yield f";LAYER:{k}\nG0 Z{0.2 + 0.2 * k:.1f}\n" + "".join(
            _square(40 + n % 70 * 2, 40 + n // 70 * 2, 1) for n in range(3000)
        )


def spiral(rng: random.Random) -> Lines:
    """Thousands of turns of a spiral, eight segments each."""
    for k in range(10**9):
        angle = k * math.pi / 4
        yield f"G1 X{110 + 30 * math.cos(angle):.2f} Y{110 + 30 * math.sin(angle):.2f} Z{0.2 + k * 0.001:.4f} {_fed(23, 0.008)}\n"  # noqa: E501


def brackets(rng: random.Random) -> Lines:
    """Parentheses within parentheses."""
    yield "G1 X50 Y50 Z0.2 E1\n"
    while True:
        yield "(" * 5000 + ")" * 4990 + "\nG1 X60 E1\nG1 X50 E1\n"


def comments(rng: random.Random) -> Lines:
    """Comments of every kind that means something."""
    yield "G1 X50 Y50 Z0.2 E1\n"
    for k in range(10**9):
        yield f";TYPE:WALL-OUTER\n;LAYER_CHANGE\n;Z:{k % 50}\n;HEIGHT:0.2\n;MESH:m{k % 99}\n; layer {k}, Z = 1\nG1 X{60 + k % 9} Z{0.2 + k // 50 * 0.2:.1f} {_fed(1)}\n"  # noqa: E501


def blanks(rng: random.Random) -> Lines:
    """Comments and lines of blanks."""
    yield "G1 X50 Y50 Z0.2 E1\nG1 X60 E1\n"
    while True:
        yield ";" + " " * 3000 + "x" + "\t" * 3000 + "\n" + " " * 3000 + "G1 X60 E1\nG1 X50 E1\n"


def one_huge_line(rng: random.Random) -> Lines:
    """A line as long as the file."""
    yield "G1 X50 Y50 Z0.2 E1\nG1 X60 E1\nG1 "
    while True:
        yield "X50 Y60 " * 500


def unknown_commands(rng: random.Random) -> Lines:
    """Commands that nobody knows, each another one."""
    yield "G1 X50 Y50 Z0.2 E1\n"
    for k in range(10**9):
        yield f"DO_{k} A={k} B='{'x' * 20}'\nM{2000 + k}\nG{700 + k % 200}.{k % 9} P{k}\nG1 X{50 + k % 50} Z{0.2 + k // 100 * 0.2:.1f} {_fed(1)}\n"  # noqa: E501


def carriage_returns(rng: random.Random) -> Lines:
    """Lone carriage returns, small letters, wrong checksums, words said twice."""
    yield "G1 X50 Y50 Z0.2 E1\n"
    for k in range(10**9):
        yield f"; a\rG0 X50\nN{k} g1 X{60 + k % 9} Y50 E1*33\nG1 X50 X51 (Z5) E1 ; \r"


def progress_lines(rng: random.Random) -> Lines:
    """M73 and M117 behind every move."""
    for k in range(10**9):
        yield f"M73 P{k % 100} R{k % 500}\nM117 {k}\nG1 X{50 + k % 90} Y{50 + k % 7} Z{0.2 + k // 1000 * 0.2:.1f} {_fed(3)}\n"  # noqa: E501


STYLES: tuple[Callable[[random.Random], Lines], ...] = (
    layers_of_objects, many_layers, bare_layers, heights_to_and_fro, excluded_objects, numbered_objects,
    tool_changes, arcs, helices, tiny_segments, long_segments, long_layers, travels, idle_rows, pulls, waits,
    settings, shifted_origins, small_steps, towers, islands, spiral, brackets, comments, blanks, one_huge_line,  # noqa: E501
    unknown_commands, carriage_returns, progress_lines,
)  # fmt: skip
# the schedule of both cameras, and what is special about the printer
RIGS: dict[str, tuple[Any, dict[str, Any]]] = {
    "layer": ("layer", {}),
    "seconds": ({"s": 5}, {"kinematics": "bed-moves-z", "firmware": "reprapfirmware"}),
    "fixed": ("layer", {"kinematics": "bed-fixed", "firmware": "klipper"}),
    "auto": ("auto", {}),
    "survey": ({"layers": 10}, {}),
}


def write(style: str, size: int, file: Path) -> None:
    """Write a file of a style, of about that many bytes."""
    make = next(make for make in STYLES if make.__name__ == style)
    with file.open("w", newline="") as out:
        out.write(HEAD)
        done = 0
        for text in make(random.Random(style)):
            done += out.write(text)
            if done >= size:
                break
        out.write("\nM104 S0\n")


def rig_of(name: str) -> dict[str, Any]:
    """Return a rig as it is written down."""
    every, special = RIGS[name]
    toolhead = {
        "radius_mm": 20,
        "nozzle_radius_mm": 4,
        "nozzle_length_mm": 4,
        "gantry_mm": 30,
        "height_mm": 40,
    }
    printer = {
        "bed_mm": [220, 220],
        "height_mm": 1e4,
        "firmware": "marlin",
        "toolhead": toolhead,
        "kinematics": "bed-moves-y",
        **special,
    }
    wide = {"name": "wide", "mount": "frame", "every": every}
    nozzle = {"name": "nozzle", "mount": "toolhead", "every": every}
    rig: dict[str, Any] = {"printer": printer, "camera": [wide, nozzle]}
    if name == "survey":
        nozzle |= {"stance": "over", "lens": {"width_px": 640, "height_px": 480, "across_deg": 45}}
        rig["plan"] = {"survey_layers": [1, 2]}
    return rig


def judge(file: Path, rig_name: str) -> dict[str, Any]:
    """Read, plan, write and prove; return seconds of processor time by step."""
    from twinlapse.errors import TwinlapseError
    from twinlapse.gcode import find_layers, read_toolpath
    from twinlapse.gcode.analysis import analysis_json
    from twinlapse.inject import inject_file, prove
    from twinlapse.inject.removal import remove_shots
    from twinlapse.motion import time_toolpath
    from twinlapse.plan import make_plan
    from twinlapse.rig import rig_from_mapping

    took: dict[str, Any] = {}
    rig = rig_from_mapping(rig_of(rig_name))
    written = file.with_suffix(".filmed")

    def timed(name: str, call: Callable[[], Any]) -> Any:
        began = time.process_time()
        try:
            return call()
        finally:
            took[name] = round(time.process_time() - began, 3)

    try:
        path = timed("read", lambda: read_toolpath(file, firmware=rig.printer.firmware))
        layers = timed("layers", lambda: find_layers(path))
        timeline = timed("time", lambda: time_toolpath(path, rig.printer))
        timed("analyse", lambda: json.dumps(analysis_json(path, layers, timeline.end_s)))
        plan = timed("plan", lambda: make_plan(path, layers, timeline, rig))
        took["shots"] = len(plan.shots)
        timed("inject", lambda: inject_file(file, plan, written, toolpath=path))
        timed("prove", lambda: prove(file, written, rig))
        timed("remove", lambda: remove_shots(written, file.with_suffix(".again")))
    except TwinlapseError as error:
        took["refused"] = str(error)[:90]
    took["mb"] = round(resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024)
    return took


def in_own_process(style: str, size_mb: float, rig_name: str) -> dict[str, Any]:
    """Return what `judge` says of a file, from a process that has compiled everything before."""
    with tempfile.TemporaryDirectory() as folder:
        file = Path(folder) / "pot.gcode"
        write(style, int(size_mb * 1e6), file)
        words = [sys.executable, __file__, "--judge", str(file), "--rig", rig_name]
        done = subprocess.run(words, capture_output=True, text=True, check=False, timeout=600)
    if done.returncode:
        return {"crash": done.stderr.strip().splitlines()[-1][:150] if done.stderr else "?"}
    return json.loads(done.stdout)  # type: ignore[no-any-return]


def main() -> None:
    """Try styles at two sizes."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("styles", nargs="*", default=[style.__name__ for style in STYLES])
    parser.add_argument("--mb", nargs=2, type=float, default=[0.5, 2.0])
    parser.add_argument("--rig", choices=RIGS, default="layer")
    parser.add_argument("--judge", type=Path, help=argparse.SUPPRESS)
    options = parser.parse_args()
    if options.judge:
        print(json.dumps(judge(options.judge, options.rig)))
        return
    for style in options.styles:
        small, large = (in_own_process(style, mb, options.rig) for mb in options.mb)
        print(style, json.dumps(large))
        growth = {
            name: round(math.log(large[name] / small[name]) / math.log(options.mb[1] / options.mb[0]), 1)
            for name in large
            if isinstance(large.get(name), float) and small.get(name) and large[name] > 0.5
        }
        total_s = sum(value for value in large.values() if isinstance(value, float))
        print(f"    {total_s:.1f} s for {options.mb[1]:g} MB; grows with the power {growth}", flush=True)


if __name__ == "__main__":
    main()
