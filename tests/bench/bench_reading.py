"""All figures of speed in one table: reading against bare loops, inject against analyse, cold starts.

    python tests/bench/bench_reading.py [--sizes 10 60 150] [--runs 5] [--only reading inject cold]

Whole processes, run by turns: the split loop of `bench_analyse`, `bare_reader` (scan, state, look-ahead; the
same compiler), ``analyse --no-layers``, and ``inject --rig``. Wall and processor seconds are told as the
least, the median and the most of the runs; ratios are those of the medians. The load is told before and
after: wall seconds of a busy machine say nothing. Aims: analyse 1.4 times the bare reader and 5 bytes
resident a byte of file; 10 MB within 0.35 s, its start-up (all but what a second reading in the same process
takes) told beside it; inject twice analyse and 20 % more memory; a cold analysis of
the sample 6 processor seconds, a cold demo 30 s on two cores.
"""

from __future__ import annotations

import argparse
import os
import statistics
import subprocess
import sys
import tempfile
import time
from dataclasses import dataclass
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent))
from bench_analyse import write_pot
from history import record

import twinlapse

BYTES = tempfile.TemporaryDirectory()
AGAIN = """
import sys, time, twinlapse
from twinlapse.motion.sliced_print import read_sliced
from twinlapse.gcode.analysis import analysis_json
from twinlapse.rig import Printer
for _ in range(3):
    began = time.perf_counter(), time.process_time()
    sliced = read_sliced(sys.argv[1], Printer(bed_mm=(220.0, 220.0), height_mm=250.0))
    analysis_json(sliced.toolpath, sliced.layers, sliced.timeline.end_s, with_layers=False)
    del sliced
    took = time.perf_counter() - began[0], time.process_time() - began[1]
print(*took)
"""


@dataclass(frozen=True, slots=True, kw_only=True)
class Run:
    """One process, from its start to its end."""

    wall_s: float
    cpu_s: float
    resident: int  # bytes at most


def run(command: list[str], cache: Path | None = None) -> Run:
    """Run a command whose output is thrown away; modules are kept compiled, as after an install."""
    environment = {name: value for name, value in os.environ.items() if name != "PYTHONDONTWRITEBYTECODE"}
    environment["PYTHONPYCACHEPREFIX"] = BYTES.name
    if cache is not None:
        environment["NUMBA_CACHE_DIR"] = str(cache)
    began = time.perf_counter()
    process = subprocess.Popen(command, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL, env=environment)
    _, status, usage = os.wait4(process.pid, 0)
    process.returncode = os.waitstatus_to_exitcode(status)
    if process.returncode:
        raise SystemExit(f"{command} failed: {process.returncode}")
    return Run(
        wall_s=time.perf_counter() - began,
        cpu_s=usage.ru_utime + usage.ru_stime,
        resident=usage.ru_maxrss * 1024,
    )


def by_turns(commands: dict[str, list[str]], runs: int) -> dict[str, list[Run]]:
    """Run each command once without counting, then all in turn."""
    for command in commands.values():
        run(command)
    taken: dict[str, list[Run]] = {name: [] for name in commands}
    for _ in range(runs):
        for name, command in commands.items():
            taken[name].append(run(command))
    return taken


def spread(values: list[float]) -> str:
    """Return the least, the median and the most as text."""
    return f"{min(values):.2f} {statistics.median(values):.2f} {max(values):.2f}"


def tell(name: str, runs: list[Run], size: int) -> None:
    """Print one row of the table."""
    resident = statistics.median(one.resident for one in runs)
    wall, cpu = spread([one.wall_s for one in runs]), spread([one.cpu_s for one in runs])
    print(
        f"  {name:<12} wall {wall} s   cpu {cpu} s"
        f"   resident {resident / 1e6:.0f} MB" + (f" ({resident / size:.2f} a byte)" if size else ""),
        flush=True,
    )


def ratio(over: list[Run], under: list[Run], field: str) -> float:
    """Return the ratio of the medians of a field."""
    return statistics.median(getattr(one, field) for one in over) / statistics.median(
        getattr(one, field) for one in under
    )


def command_of(*words: str | Path) -> list[str]:
    """Return a command of twinlapse."""
    return [sys.executable, "-m", "twinlapse", *map(str, words)]


def compare(path: Path, folder: Path, runs: int, parts: set[str]) -> dict[str, float]:
    """Print the rows of one file and return its values."""
    size = path.stat().st_size
    label = f"{size / 1e6:.0f}mb"
    rig = folder / "rig.toml"
    commands = {"analyse": command_of("analyse", "--no-layers", "--json", path)}
    if "reading" in parts:
        split = f"for l in open({str(path)!r},'rb'): l.split()"
        commands["split loop"] = [sys.executable, "-c", split]
        bare = Path(__file__).with_name("bare_reader.py")
        commands["bare reader"] = [sys.executable, str(bare), str(path)]
    if "inject" in parts:
        commands["inject"] = command_of("inject", path, "--rig", rig, "-o", folder / "filmed.gcode")
    taken = by_turns(commands, runs)
    print(f"{size / 1e6:.0f} MB", flush=True)
    for name, some in taken.items():
        tell(name, some, size)
    values: dict[str, float] = {}
    if "reading" in parts and size < 20e6:
        values |= start_up(path, taken["analyse"], label)
    for name, key in (("bare reader", "reading"), ("inject", "inject")):
        if name in taken:
            over, under = taken["analyse"], taken[name]
            if name == "inject":
                over, under = under, over
            values |= {f"{key}_{label}_ratio": ratio(over, under, "wall_s")}
            values |= {f"{key}_{label}_cpu_ratio": ratio(over, under, "cpu_s")}
            more = ratio(over, under, "resident")
            print(
                f"  {key} ratio: wall {values[f'{key}_{label}_ratio']:.2f}, "
                f"cpu {values[f'{key}_{label}_cpu_ratio']:.2f}, memory {more:.2f}",
                flush=True,
            )
    return values


def start_up(path: Path, whole: list[Run], label: str) -> dict[str, float]:
    """Print what a process takes beside the reading itself."""
    told = subprocess.run([sys.executable, "-c", AGAIN, path], capture_output=True, text=True, check=True)
    wall_s, cpu_s = map(float, told.stdout.split())
    wall_s = statistics.median(one.wall_s for one in whole) - wall_s
    cpu_s = statistics.median(one.cpu_s for one in whole) - cpu_s
    print(f"  start-up     wall {wall_s:.2f} s   cpu {cpu_s:.2f} s", flush=True)
    return {f"start_up_{label}_s": wall_s, f"start_up_{label}_cpu_s": cpu_s}


def cold(folder: Path, runs: int) -> dict[str, float]:
    """Run an analysis of the sample and the demo, each with nothing kept."""
    sample = twinlapse.sample_job() / "pot.gcode"
    analyses, demos = [], []
    for k in range(runs):
        analyses.append(run(command_of("analyse", sample), folder / f"cache{k}"))
    demos.append(run(command_of("demo", folder / "demo"), folder / "cache_of_demo"))
    print("cold, nothing kept")
    tell("analyse", analyses, 0)
    tell("demo", demos, 0)
    return {
        "cold_analyse_cpu_s": statistics.median(one.cpu_s for one in analyses),
        "cold_demo_s": demos[0].wall_s,
        "cold_demo_cpu_s": demos[0].cpu_s,
    }


def main() -> None:
    """Write the files, print the table, record the values."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--sizes", nargs="+", type=int, default=[10, 60, 150], help="megabytes")
    parser.add_argument("--runs", type=int, default=5)
    parser.add_argument("--only", nargs="+", choices=["reading", "inject", "cold"])
    options = parser.parse_args()
    parts = set(options.only or ["reading", "inject", "cold"])
    values: dict[str, float] = {}
    print(f"load before: {os.getloadavg()[0]:.2f}; times are least, median, most of {options.runs} runs")
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        rig = (twinlapse.sample_job() / "rig.toml").read_text()
        (folder / "rig.toml").write_text(rig.replace("height_mm = 250", "height_mm = 1000"))
        for megabytes in options.sizes if parts & {"reading", "inject"} else []:
            path = folder / f"pot{megabytes}.gcode"
            write_pot(path, megabytes * 1_000_000)
            values |= compare(path, folder, options.runs, parts)
            path.unlink()
        if "cold" in parts:
            values |= cold(folder, min(options.runs, 3))
    print(f"load after: {os.getloadavg()[0]:.2f}")
    record("reading", values)


if __name__ == "__main__":
    main()
