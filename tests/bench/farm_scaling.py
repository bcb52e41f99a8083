"""What workers gain: a film made by this process, by one and two processes, by one and two cluster workers.

    python tests/bench/farm_scaling.py [--frames 200] [--length-s 60] [--rounds 3]

Frames are photographs under jitter and flicker, 1920x1080 and 640x480; they are measured once, then the film
is made by each farm in turn, start and end of its programs included. Printed: medians of wall and processor
time (children included), their ratios to this process in the same round with the least and the most, and
the load. All films must be the same, bit by bit.
"""

from __future__ import annotations

import argparse
import os
import resource
import socket
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

from bench_film import make_frames
from history import record

from twinlapse.film import FilmOptions
from twinlapse.film.chunks import Farm, ThisProcess, render_in_chunks
from twinlapse.film.codecs import codec_for
from twinlapse.film.farm import ProcessFarm, open_farm
from twinlapse.film.frame_times import schedule
from twinlapse.film.render import measured
from twinlapse.film.scene import set_scene
from twinlapse.frames.sequence import read_sequence
from twinlapse.rig.film_settings import Filming


@contextmanager
def cluster(workers: int, folder: Path) -> Iterator[Farm]:
    """Start a scheduler and workers of one thread as programs, and end them."""
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port = probe.getsockname()[1]
    address = f"tcp://127.0.0.1:{port}"

    def start(kind: str, *words: str) -> subprocess.Popen[bytes]:
        command = [sys.executable, "-m", f"distributed.cli.dask_{kind}", *words, "--no-dashboard"]
        return subprocess.Popen(command, cwd=folder, stderr=subprocess.DEVNULL, stdout=subprocess.DEVNULL)

    programs = [start("scheduler", "--host", "127.0.0.1", "--port", str(port))]
    for number in range(workers):
        programs.append(start("worker", address, "--nthreads", "1", "--no-nanny", "--name", str(number),
                              "--local-directory", str(folder / f"worker{number}")))  # fmt: skip
    try:
        deadline_s = time.monotonic() + 60
        while time.monotonic() < deadline_s:
            with socket.socket() as probe:
                if probe.connect_ex(("127.0.0.1", port)) == 0:
                    break
            time.sleep(0.1)
        with open_farm(cluster=address) as farm:
            while len(farm.client.nthreads()) < workers:  # type: ignore[attr-defined]
                if any(program.poll() is not None for program in programs):
                    raise SystemExit("a program of the cluster has ended")
                time.sleep(0.1)
            yield farm
    finally:
        for program in programs:
            program.terminate()
        for program in programs:
            program.wait()


@contextmanager
def here() -> Iterator[Farm]:
    yield ThisProcess()


def spent() -> tuple[float, float]:
    own, children = (resource.getrusage(who) for who in (resource.RUSAGE_SELF, resource.RUSAGE_CHILDREN))
    return time.monotonic(), own.ru_utime + own.ru_stime + children.ru_utime + children.ru_stime


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawTextHelpFormatter)
    parser.add_argument("--frames", type=int, default=200)
    parser.add_argument("--length-s", type=float, default=60.0)
    parser.add_argument("--rounds", type=int, default=3)
    words = parser.parse_args()
    with tempfile.TemporaryDirectory() as place:
        folder = Path(place)
        make_frames(folder / "frames", words.frames, "coffee")
        sources = {name: read_sequence(folder / "frames" / name, name) for name in ("wide", "nozzle")}
        filming = Filming(length_s=words.length_s, last_s=0.0, layout="inset")
        slots, tracks, options = measured(
            sources, None, FilmOptions(filming=filming, cache=False), lambda share: None
        )
        scene, beats = set_scene(slots, None, tracks, options)[0], schedule(len(slots), filming)
        farms: dict[str, Callable[[], object]] = {
            "this process": here,
            "1 process": lambda: ProcessFarm(1),
            "2 processes": lambda: ProcessFarm(2),
            "1 cluster worker": lambda: cluster(1, folder),
            "2 cluster workers": lambda: cluster(2, folder),
        }
        taken: dict[str, list[tuple[float, float]]] = {name: [] for name in farms}
        films: set[bytes] = set()
        for _ in range(words.rounds):
            for name, opened in farms.items():
                out = folder / "film.mp4"
                before = spent()
                with opened() as farm:  # type: ignore[attr-defined]
                    render_in_chunks(scene, beats, filming.fps, codec_for(out, filming), out, farm=farm)
                taken[name].append((spent()[0] - before[0], spent()[1] - before[1]))
                films.add(out.read_bytes())
                print(f"<!-- {name}: {taken[name][-1][0]:.1f} s, processor {taken[name][-1][1]:.1f} s, "
                      f"load {os.getloadavg()[0]:.1f} -->", flush=True)  # fmt: skip
        assert len(films) == 1, "the films differ"
        print(f"{len(beats)} film frames of {words.frames} shots, {words.rounds} rounds")
        print("| made by | wall s | processor s | wall ratio | processor ratio |")
        print("| --- | --- | --- | --- | --- |")
        for name, both in taken.items():
            cells = [f"{statistics.median(one[k] for one in both):.1f}" for k in (0, 1)]
            for k in (0, 1):
                ratios = [one[k] / base[k] for one, base in zip(both, taken["this process"], strict=True)]
                cells.append(f"{statistics.median(ratios):.2f} ({min(ratios):.2f} to {max(ratios):.2f})")
                record(
                    "farm",
                    {f"{name.replace(' ', '_')}_{('wall', 'processor')[k]}_ratio": statistics.median(ratios)},
                )
            print(f"| {name} | {' | '.join(cells)} |")


if __name__ == "__main__":
    main()
