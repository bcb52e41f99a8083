"""Film against a pure ffmpeg graph of the same layout and text, on the same frames, in turn.

    python tests/bench/bench_film.py [--frames 120 600] [--rounds 3] [--photographs coffee] [--no-memory]

The graph lays the same shade, names, shadow and round-cornered pane, writes the same words and encodes with
the same settings; it aligns nothing and evens no light. For each photograph and length, in turns: the graph,
a first render, a second one in another layout. Printed: medians of wall and processor time (children
included), their ratios to the graph of the same turn with the least and the most, the load, the time from
the start of the process to the first picture that is read, and the largest resident size of the Python
process.
"""

from __future__ import annotations

import argparse
import os
import resource
import statistics
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import cv2
import imageio_ffmpeg
import numpy as np
from drawn_frames import MARGIN_PX, photograph
from history import record

from twinlapse.film.compose import composer
from twinlapse.film.layout import arrange
from twinlapse.film.lettering import Lettering, fallback_font
from twinlapse.film.overlay import Overlay
from twinlapse.rig.film_settings import Filming

RIG = """
[printer]
bed_mm = [220, 220]
height_mm = 250
[film]
last_s = 0
[[camera]]
name = "wide"
mount = "frame"
every = "layer"
[[camera]]
name = "nozzle"
mount = "toolhead"
every = "layer"
"""
FFMPEG = imageio_ffmpeg.get_ffmpeg_exe()
# photograph of the wide camera (scikit-image, matplotlib) -> the nozzle's
BEHIND = {"coffee": "rocket", "grace_hopper": "astronaut", "motorcycle": "chelsea"}


def make_frames(folder: Path, count: int, name: str) -> None:
    """Photographs under jitter, flicker and noise: 1920x1080 and, of another, 640x480."""
    rng = np.random.default_rng(1)
    scenes = {"wide": (name, (1920, 1080)), "nozzle": (BEHIND[name], (640, 480))}
    for camera, (scene, (width, height)) in scenes.items():
        (folder / camera).mkdir(parents=True)
        large = (255 * (photograph(scene, (width, height)) / 0.8) ** (1 / 2.2))[..., ::-1].copy()
        noise = [rng.normal(0, 2, large.shape).astype(np.float32) for _ in range(3)]
        for shot in range(1, count + 1):
            dx, dy = rng.normal(0, 1.5, 2)
            move = np.array([[1, 0, MARGIN_PX + dx], [0, 1, MARGIN_PX + dy]])
            view = cv2.warpAffine(large, move, (width, height), flags=cv2.INTER_CUBIC | cv2.WARP_INVERSE_MAP)
            lit = view * (1 + rng.uniform(-0.08, 0.08)) + noise[shot % 3][:height, :width]
            top = int(height * (0.9 - 0.6 * shot / count))
            lit[top : int(height * 0.9), width // 3 : width // 2] = (60, 120, 90)
            path = folder / camera / f"{shot:06d}.jpg"
            cv2.imwrite(str(path), np.clip(lit, 0, 255).astype(np.uint8), [cv2.IMWRITE_JPEG_QUALITY, 90])


def drawings(folder: Path) -> None:
    """Keep what our layout draws once as pictures for the graph: shade, names, the pane and its corners."""
    filming = Filming(height_px=1080, layout="inset")
    layout = arrange(filming, {"wide": 16 / 9, "nozzle": 4 / 3}, words=True)
    drawn = composer(layout, filming.background)
    overlay = Overlay(
        layout=layout, filming=filming, lettering=Lettering(), labels={"wide": "wide", "nozzle": "nozzle"}
    )
    kept = {
        "below": [one for some in drawn.below.values() for one in some],
        "above": [*(one for some in drawn.above.values() for one in some), *overlay.still()],
    }
    for name, plates in kept.items():
        black, white = np.zeros((1080, 1920, 3), np.uint8), np.full((1080, 1920, 3), 255, np.uint8)
        for one in plates:
            one.lay(black)
            one.lay(white)
        # what stays of white over black tells the cover
        cover = 255 - (white.astype(int) - black).mean(axis=2, keepdims=True)
        colour = black / np.maximum(cover / 255, 1 / 255)
        drawing = np.concatenate([colour, cover], axis=2).clip(0, 255).astype(np.uint8)
        cv2.imwrite(str(folder / f"{name}.png"), cv2.cvtColor(drawing, cv2.COLOR_RGBA2BGRA))
    mask = drawn.covers["nozzle"]
    assert mask is not None
    cv2.imwrite(str(folder / "corners.png"), mask[..., 0])
    box = layout.panes[1].box
    (folder / "pane.txt").write_text(f"{box.width} {box.height} {box.x} {box.y}")


def graph(folder: Path, count: int, out: Path) -> list[str]:
    """The same layout and words as one ffmpeg command."""
    font = fallback_font()
    width, height, x, y = map(int, (folder / "pane.txt").read_text().split())
    text = [
        f"drawtext=fontfile={font}:text='{words}':x=96:y={down}:fontsize={size}:fontcolor=white"
        for words, down, size in (("FRAME", 915, 22), (f"%{{n}}/{count}", 942, 48))
    ]
    parts = [
        f"[1:v]scale={width}:{height}:flags=bilinear,format=yuva420p[n]",
        # a picture is read once and held: to loop it would decode it for every frame
        "[4:v]format=gray[m]",
        "[n][m]alphamerge[p]",
        "[0:v][2:v]overlay[a]",
        f"[a][p]overlay={x}:{y}[b]",
        "[b][3:v]overlay,"
        + ",".join(text)
        + ",drawbox=x=96:y=1018:w=1728:h=8:color=white@0.3:t=fill,format=yuv420p",
    ]
    inputs = []
    for camera in ("wide", "nozzle"):
        inputs += ["-framerate", "30", "-i", str(folder / camera / "%06d.jpg")]
    for name in ("below", "above", "corners"):
        inputs += ["-i", str(folder / f"{name}.png")]
    return [
        FFMPEG, "-v", "error", "-y", *inputs, "-filter_complex", ";".join(parts), "-c:v", "libx264",
        "-preset", "veryfast", "-profile:v", "high", "-aq-strength", "0.6",
        "-x264-params", "deadzone-inter=28", "-crf", "18", "-g", "60",
        "-threads", "4", "-movflags", "+faststart", str(out),
    ]  # fmt: skip


def run(words: list[str]) -> tuple[float, float]:
    """Return wall and processor seconds of a command with its children."""
    before, start = resource.getrusage(resource.RUSAGE_CHILDREN), time.perf_counter()
    subprocess.run(words, check=True, stdout=subprocess.DEVNULL)
    wall = time.perf_counter() - start
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    return wall, after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime


def forget(folder: Path) -> None:
    """Drop what was measured, so that the next render is a first one."""
    for kept in folder.glob("*/.twinlapse-*.npz"):
        kept.unlink()


def resident_mb(words: list[str]) -> float:
    """Return the largest resident size of the Python process alone, MB."""
    code = (
        "import sys; from twinlapse.cli.root import cli\n"
        "try: cli(sys.argv[1:], prog_name='twinlapse')\n"
        "except SystemExit: pass\n"
        # not getrusage: its maximum includes the parent before this process became itself
        "print([line.split()[1] for line in open('/proc/self/status') if line.startswith('VmHWM')][0],"
        " file=sys.stderr)"
    )
    done = subprocess.run([sys.executable, "-c", code, *words], check=True, capture_output=True, text=True)
    return int(done.stderr.splitlines()[-1]) / 1024


def start_s(words: list[str]) -> float:
    """Return how long it takes from the start of the process until the first picture is read, s."""
    code = (
        "import sys, time, os\n"
        "import simplejpeg\n"
        "def told(*some, **more):\n"
        "    os.write(2, b'%d\\n' % time.monotonic_ns()); os._exit(0)\n"
        "simplejpeg.decode_jpeg = told\n"
        "from twinlapse.cli.root import cli\n"
        "cli(sys.argv[1:], prog_name='twinlapse')"
    )
    begun = time.monotonic_ns()
    done = subprocess.run([sys.executable, "-c", code, *words], check=True, capture_output=True, text=True)
    told = next(line for line in done.stderr.splitlines() if line.isdigit())  # several threads may tell
    return (int(told) - begun) / 1e9


def race(folder: Path, count: int, name: str, rounds: int, *, memory: bool) -> dict[str, float]:
    """Run all three in turn on one photograph, print medians and ratios, return the ratios."""
    make_frames(folder, count, name)
    drawings(folder)
    (folder / "rig.toml").write_text(RIG)  # as many film frames as the graph: no pause at the end
    render = [
        "render", "--quiet", "--height-px", "1080", "--frames", f"wide={folder / 'wide'}", "--frames",
        f"nozzle={folder / 'nozzle'}", "-o", str(folder / "ours.mp4"), "--layout", "inset", "--rig",
        str(folder / "rig.toml"), "--ease", "0",
    ]  # fmt: skip
    ours = [sys.executable, "-m", "twinlapse", *render]
    rows: dict[str, list[tuple[float, float]]] = {"graph": [], "film": [], "again": []}
    load = os.getloadavg()[0]
    for _ in range(rounds):
        rows["graph"].append(run(graph(folder, count, folder / "graph.mp4")))
        forget(folder)
        rows["film"].append(run(ours))
        rows["again"].append(run([*ours, "--layout", "side"]))
    print(f"{name}, {count} frames, {rounds} turns, load {load:.1f} to {os.getloadavg()[0]:.1f}")
    values = {}
    for what, some in rows.items():
        wall, cpu = (statistics.median(part) for part in zip(*some, strict=True))
        told = f"  {what:6} wall {wall:6.2f} s  cpu {cpu:6.2f} s"
        for place, unit in enumerate(("wall", "cpu")):
            ratios = [one[place] / base[place] for one, base in zip(some, rows["graph"], strict=True)]
            middle = statistics.median(ratios)
            told += f"  {unit} ratio {middle:.2f} ({min(ratios):.2f} to {max(ratios):.2f})"
            values[f"{name}_{count}_{what}_{unit}_ratio"] = middle
        print(told, flush=True)
    if memory:
        again_mb = resident_mb(render)
        forget(folder)
        print(f"  resident {resident_mb(render):.0f} MB, a second time {again_mb:.0f} MB", flush=True)
    forget(folder)  # the first picture of a film whose frames were never measured
    starts = sorted(start_s(render) for _ in range(5))
    print(f"  first picture read after {starts[2]:.2f} s ({starts[0]:.2f} to {starts[-1]:.2f})", flush=True)
    return values


def main() -> None:
    """Race on every photograph and length."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--frames", type=int, nargs="+", default=[120, 600])
    parser.add_argument("--rounds", type=int, default=3)
    parser.add_argument("--photographs", nargs="+", choices=list(BEHIND), default=list(BEHIND))
    parser.add_argument("--no-memory", action="store_true", help="two renders less a photograph")
    asked = parser.parse_args()
    print(f"1920x1080, inset, {os.cpu_count()} cores; again: side by side")
    values: dict[str, float] = {}
    for count in asked.frames:
        for name in asked.photographs:
            with tempfile.TemporaryDirectory() as folder:
                values |= race(Path(folder), count, name, asked.rounds, memory=not asked.no_memory)
    record("film", values)


if __name__ == "__main__":
    main()
