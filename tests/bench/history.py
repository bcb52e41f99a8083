#!/usr/bin/env python3
"""The history of the benches: one JSON line a run in ``history.jsonl``, and a picture of it.

A bench calls `record`; ``python tests/bench/history.py -o history.png [BENCH ...]`` draws each value over the
runs. Times of different machines, or under different load, are not comparable: ratios taken in one run are.
"""

from __future__ import annotations

import argparse
import json
import os
import platform
import subprocess
import sys
import time
from collections import defaultdict
from collections.abc import Mapping
from pathlib import Path
from typing import Any

HISTORY = Path(__file__).parent / "history.jsonl"


def record(bench: str, values: Mapping[str, float], history: Path = HISTORY) -> dict[str, Any]:
    """Append one line: when, which commit, on what machine under what load, and the values.

    Parameters
    ----------
    bench : str
        Name of the bench, such as "analyse".
    values : mapping of str to float
        Names end in their unit; ratios end in ``_ratio``.
    """
    line = {
        "bench": bench,
        "at": time.strftime("%Y-%m-%dT%H:%M:%SZ", time.gmtime()),
        "commit": _commit(),
        "python": platform.python_version(),
        "machine": f"{platform.machine()}, {os.cpu_count()} cores",
        "load": round(os.getloadavg()[0], 2) if hasattr(os, "getloadavg") else None,
        "values": {name: round(float(value), 6) for name, value in values.items()},
    }
    with history.open("a", encoding="utf-8") as file:
        file.write(json.dumps(line) + "\n")
    return line


def read(history: Path = HISTORY) -> list[dict[str, Any]]:
    """Return all runs, oldest first."""
    if not history.exists():
        return []
    return [json.loads(line) for line in history.read_text(encoding="utf-8").splitlines() if line.strip()]


def draw(runs: list[dict[str, Any]], output: Path) -> None:
    """Draw every value of every bench over its runs, one panel a bench."""
    from matplotlib.figure import Figure

    by_bench: dict[str, list[dict[str, Any]]] = defaultdict(list)
    for run in runs:
        by_bench[run["bench"]].append(run)
    figure = Figure(figsize=(9, 2.6 * len(by_bench)), layout="constrained")
    panels = figure.subplots(len(by_bench), 1, squeeze=False)[:, 0]
    for axes, (bench, some) in zip(panels, sorted(by_bench.items()), strict=True):
        names = dict.fromkeys(name for run in some for name in run["values"])
        for name in names:
            points = [(n, run["values"][name]) for n, run in enumerate(some) if name in run["values"]]
            axes.plot(*zip(*points, strict=True), marker="o", ms=4, label=name)
        axes.set_title(bench, loc="left", fontsize=10)
        axes.set_xticks(range(len(some)), [run["commit"][:7] for run in some], rotation=45, fontsize=7)
        axes.set_ylim(bottom=0)
        axes.grid(alpha=0.3)
        axes.legend(fontsize=7)
    figure.savefig(output, dpi=110)


def _commit() -> str:
    command = ["git", "-C", str(Path(__file__).parent), "rev-parse", "--short", "HEAD"]
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    return done.stdout.strip() or "unknown"


def main() -> None:
    """Draw the history."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("benches", nargs="*", help="only these")
    parser.add_argument("-o", "--output", type=Path, default=Path("history.png"))
    options = parser.parse_args()
    runs = [run for run in read() if not options.benches or run["bench"] in options.benches]
    if not runs:
        sys.exit("no runs are recorded; run a bench first")
    draw(runs, options.output)
    print(options.output)


if __name__ == "__main__":
    main()
