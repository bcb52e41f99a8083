#!/usr/bin/env python3
"""What every command takes of a small board: processor time, time at a tenth of the speed, memory.

``python tests/bench/small_board.py`` runs the commands on the sample print, each in a process of its own that
gets a tenth of one core: by a control group where this user may make one, else by stopping and continuing it.
Memory is the largest proportional share (PSS) of the command and all its children together, looked at five
times a second; pages of a mapped file count too. Cold runs compile their loops first. Memory is not limited.
"""

from __future__ import annotations

import argparse
import contextlib
import importlib.util
import os
import signal
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import twinlapse

SHARE = 0.1
LOOK_S = 0.2
STEPS = {
    "analyse": ["analyse", "pot.gcode"],
    "plan": ["plan", "pot.gcode", "-r", "rig.toml", "--survey-layers", "1", "-o", "plan.json"],
    "inject": ["inject", "pot.gcode", "--plan", "plan.json", "-o", "filmed.gcode"],
    "inject --rig": ["inject", "pot.gcode", "-r", "rig.toml", "-o", "other.gcode"],
    "prove": ["prove", "pot.gcode", "filmed.gcode"],
    "rehearse": ["rehearse", "filmed.gcode", "--plan", "plan.json", "-r", "rig.toml", "-o", "job"],
    "first-layer": ["first-layer", "job"],
    "render --preview": ["render", "job", "-o", "preview.mp4", "--preview"],
    "render": ["render", "job", "-o", "film.mp4"],
    "film-sheet": ["film-sheet", "job", "-o", "sheet.png"],
}
IDLE = {"serve, idle": ["serve", "prints"]}


@dataclass(frozen=True, slots=True)
class Taken:
    """What one command took."""

    processor_s: float
    wall_s: float
    peak_mb: float
    status: int


def tree(pid: int) -> list[int]:
    """Return a process and all that come from it."""
    found = [pid]
    for one in found:
        with contextlib.suppress(OSError):
            for task in Path(f"/proc/{one}/task").iterdir():
                found += [int(child) for child in (task / "children").read_text("ascii").split()]
    return found


def share_mb(pids: list[int]) -> float:
    """Return the proportional share of memory of some processes together."""
    total_kb = 0
    for pid in pids:
        with contextlib.suppress(OSError):
            lines = Path(f"/proc/{pid}/smaps_rollup").read_text("ascii").splitlines()
            total_kb += next((int(line.split()[1]) for line in lines if line.startswith("Pss:")), 0)
    return total_kb * 1024 / 1e6


@contextlib.contextmanager
def tenth(share: float) -> Iterator[tuple[str, Path | None]]:
    """Yield how processes are slowed down, and the folder of the control group where there is one."""
    name = f"small-board-{os.getpid()}"
    for base, limit in (
        (Path("/sys/fs/cgroup/cpu"), "cpu.cfs_quota_us"),
        (Path("/sys/fs/cgroup"), "cpu.max"),
    ):
        folder = base / name
        try:
            folder.mkdir()
        except OSError:
            continue
        try:
            (folder / limit).write_text(f"{round(100_000 * share)}", "ascii")
            yield "a control group", folder
            return
        except OSError:
            continue
        finally:
            folder.rmdir()
    yield "stopping and continuing", None


def stutter(group: int, share: float, ended: threading.Event) -> None:
    """Let a process group run for a share of each tenth of a second."""
    with contextlib.suppress(ProcessLookupError):
        while not ended.is_set():
            os.killpg(group, signal.SIGCONT)
            ended.wait(0.1 * share)
            os.killpg(group, signal.SIGSTOP)
            ended.wait(0.1 * (1 - share))


def run(
    words: list[str],
    folder: Path,
    *,
    cache: Path,
    group: Path | None,
    share: float = 1.0,
    limit_s: float = 1e9,
) -> Taken:
    """Run a command, and end it after `limit_s` where it goes on for ever."""

    def enter() -> None:
        if group is not None:
            (group / "cgroup.procs").write_text(str(os.getpid()), "ascii")

    began_s = time.monotonic()
    with (folder / "said.txt").open("wb") as said:
        child = subprocess.Popen(
            [sys.executable, "-m", "twinlapse", *words], cwd=folder, stdout=said, stderr=said,
            env={**os.environ, "NUMBA_CACHE_DIR": str(cache)}, preexec_fn=enter, start_new_session=True,
        )  # fmt: skip
    ended = threading.Event()
    if group is None and share < 1:
        threading.Thread(target=stutter, args=(child.pid, share, ended), daemon=True).start()
    peak_mb = 0.0
    while True:
        pid, status, used = os.wait4(child.pid, os.WNOHANG)
        if pid:
            break
        peak_mb = max(peak_mb, share_mb(tree(child.pid)))
        if time.monotonic() > began_s + limit_s:
            limit_s = 1e9
            child.terminate()
        time.sleep(LOOK_S)
    ended.set()
    child.returncode = os.waitstatus_to_exitcode(status)
    return Taken(used.ru_utime + used.ru_stime, time.monotonic() - began_s, peak_mb, child.returncode)


def main() -> None:
    """Run all commands, warm or cold, and print and record what they took."""
    options = argparse.ArgumentParser(description=__doc__)
    options.add_argument("--cold", action="store_true", help="every command compiles its loops first")
    options.add_argument("--full-speed", action="store_true", help="do not slow them down")
    options.add_argument("--only", nargs="*", default=[*STEPS, *IDLE])
    given = options.parse_args()
    spec = importlib.util.spec_from_file_location("history", Path(__file__).with_name("history.py"))
    assert spec is not None and spec.loader is not None
    history = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(history)
    values: dict[str, float] = {}
    with tempfile.TemporaryDirectory() as name, contextlib.ExitStack() as held:
        folder, how, group, share = Path(name), "full speed", None, 1.0
        if not given.full_speed:
            share = SHARE
            how, group = held.enter_context(tenth(share))
        twinlapse.copy_sample(folder)
        print(f"{how}, {'cold' if given.cold else 'warm'}, load {os.getloadavg()[0]:.1f}", flush=True)
        print(f"{'':<18}{'processor s':>12}{'wall s':>9}{'peak MB':>9}{'status':>8}", flush=True)
        steps = list((STEPS | IDLE).items())
        last = max(number for number, (title, _) in enumerate(steps) if title in given.only)
        for number, (title, words) in enumerate(steps[: last + 1]):
            measured = title in given.only
            slowed = {"group": group, "share": share} if measured else {"group": None, "share": 1.0}
            cache = folder / f"cache{number}" if given.cold and measured else folder / "cache"
            if not given.cold and measured and title not in IDLE:
                run(words, folder, cache=cache, group=None)
            taken = run(words, folder, cache=cache, limit_s=120 if title in IDLE else 1e9, **slowed)
            if not measured:
                continue
            row = f"{taken.processor_s:>12.1f}{taken.wall_s:>9.1f}{taken.peak_mb:>9.0f}{taken.status:>8}"
            print(f"{title:<18}{row}", flush=True)
            if taken.status not in (0, 1):
                print((folder / "said.txt").read_text("utf-8"), flush=True)
            values |= {f"{title}_processor_s": taken.processor_s, f"{title}_peak_mb": taken.peak_mb}
    history.record("small_board_cold" if given.cold else "small_board", values)


if __name__ == "__main__":
    main()
