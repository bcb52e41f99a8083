#!/usr/bin/env python3
"""How long the commands take on the sample print, as a user starts them: one process each.

``python tests/bench/bench_commands.py`` prints the times and appends them to the history. ``help_ratio`` is
the time of ``twinlapse --help`` over that of an empty Python process, ``..._ratio`` of the others over that
of ``analyse``; the compiled code is cached before anything is timed. Each is the least of five runs.
"""

from __future__ import annotations

import importlib.util
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import twinlapse

RUNS = 5


def least_s(words: list[str], folder: Path) -> float:
    """Return the least wall time of a command, in seconds."""
    took = []
    for _ in range(RUNS):
        began = time.perf_counter()
        subprocess.run([sys.executable, *words], cwd=folder, check=True, capture_output=True)
        took.append(time.perf_counter() - began)
    return min(took)


def main() -> None:
    """Time the commands and record them."""
    spec = importlib.util.spec_from_file_location("history", Path(__file__).with_name("history.py"))
    assert spec is not None and spec.loader is not None
    history = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(history)
    commands = {
        "analyse": ["analyse", "pot.gcode", "--no-layers"],
        "plan": ["plan", "pot.gcode", "-r", "rig.toml", "-o", "plan.json"],
        "inject": ["inject", "pot.gcode", "--plan", "plan.json", "-o", "filmed.gcode"],
        "prove": ["prove", "pot.gcode", "filmed.gcode"],
        "make_job": ["make-job", "pot.gcode", "-r", "rig.toml", "-o", "job"],
    }
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        twinlapse.copy_sample(folder)
        for words in commands.values():  # compiles, and makes the files that the next ones need
            subprocess.run(
                [sys.executable, "-m", "twinlapse", *words], cwd=folder, check=True, capture_output=True
            )
        empty_s = least_s(["-c", ""], folder)
        values = {"help_ratio": least_s(["-m", "twinlapse", "--help"], folder) / empty_s}
        times_s = {name: least_s(["-m", "twinlapse", *words], folder) for name, words in commands.items()}
    values |= {f"{name}_s": took for name, took in times_s.items()}
    values |= {f"{name}_ratio": times_s[name] / times_s["analyse"] for name in times_s if name != "analyse"}
    print(history.record("commands", values))


if __name__ == "__main__":
    main()
