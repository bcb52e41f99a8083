#!/usr/bin/env python3
"""How much memory films take to make, beside what `film_bytes` says before they are begun.

``python tests/bench/film_memory.py [FRAMES,SHAPE,SUFFIX[,OPTION...] ...]``, such as
``1280x720,1920x1080,mp4,--codec,h265``: a film of 4 s from 12 frames of a size. It prints processor time and
the largest proportional share of memory of all processes together (see `small_board`).
"""

from __future__ import annotations

import importlib.util
import os
import sys
import tempfile
from pathlib import Path
from types import ModuleType

import numpy as np
from PIL import Image

from twinlapse.film.memory_need import film_bytes
from twinlapse.jit import cache_folder
from twinlapse.rig.film_settings import Filming

USUAL = [
    "1280x720,640x360,mp4",
    "1280x720,1920x1080,mp4",
    "1280x720,1920x1080,mp4,--workers,2",
    "3840x2160,1280x720,mp4",
    "1280x720,1920x1080,mp4,--codec,h265",
    "1280x720,1280x720,webm",
    "1280x720,1280x720,mp4,--codec,av1",
    "1280x720,3840x2160,mp4",
]


def bench(name: str) -> ModuleType:
    """Return another bench as a module."""
    spec = importlib.util.spec_from_file_location(name, Path(__file__).with_name(f"{name}.py"))
    assert spec is not None and spec.loader is not None
    module = sys.modules[name] = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


def make_frames(folder: Path, size: tuple[int, int]) -> Path:
    """Write 12 frames of blurred noise that moves."""
    folder.mkdir(exist_ok=True)
    rows = np.random.default_rng(1).integers(0, 255, (size[1] // 16, size[0] // 16, 3), dtype=np.uint8)
    whole = np.asarray(Image.fromarray(rows).resize(size, Image.Resampling.BILINEAR))
    for number in range(1, 13):
        Image.fromarray(np.roll(whole, 3 * number, axis=1)).save(folder / f"{number:06d}.jpg", quality=85)
    return folder


def main() -> None:
    """Make the films and print what they took and what was said before."""
    small_board = bench("small_board")
    cache = cache_folder()
    print(f"load {os.getloadavg()[0]:.1f}")
    print(f"{'':<44}{'processor s':>12}{'peak MB':>9}{'told MB':>9}")
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        for line in sys.argv[1:] or USUAL:
            frames, shape, suffix, *options = line.split(",")
            width, height = map(int, frames.split("x"))
            source = make_frames(folder / frames, (width, height))
            words = ["render", "--frames", f"wide={source}", "-o", f"film.{suffix}", "--shape", shape]
            taken = small_board.run(
                [*words, "--length-s", "4", *options], folder, cache=(cache or folder).parent, group=None
            )
            given = dict(zip(options[::2], options[1::2], strict=True))
            filming = Filming(shape=shape, codec=given.get("--codec", "auto"), length_s=4)
            workers = int(given.get("--workers", 0))
            told = film_bytes(filming, Path(f"film.{suffix}"), width * height, 12, workers) / 1e6
            row = f"{taken.processor_s:>12.1f}{taken.peak_mb:>9.0f}{told:>9.0f}"
            print(f"{line:<44}{row}{'' if taken.status == 0 else f'  status {taken.status}'}", flush=True)


if __name__ == "__main__":
    main()
