"""Alignment against other methods on the same frames, whose truth is known.

    python tests/bench/bench_alignment.py

Prints RMS and largest error in px over a grid of places, and milliseconds of one thread for each frame, for
twinlapse, whole-frame phase correlation, enhanced correlation (ECC) and ffmpeg's two stabilisers. A
stabiliser gives pictures and no figures, so where their content lies is read off them by ECC inside a mask
of what is static.
"""

from __future__ import annotations

import importlib.util
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

import cv2
import imageio_ffmpeg
import numpy as np
from skimage import data

from twinlapse.film.tracking import track_camera
from twinlapse.rig.filming import CameraFilming

SPEC = importlib.util.spec_from_file_location("truth", Path(__file__).parents[1] / "film" / "conftest.py")
assert SPEC is not None and SPEC.loader is not None
truth = importlib.util.module_from_spec(SPEC)
sys.modules["truth"] = truth
SPEC.loader.exec_module(truth)

Grey = np.ndarray
COUNT = 24


def greys(some: truth.Truth) -> list[Grey]:
    """Read the frames as luma."""
    return [cv2.imread(str(file.path), cv2.IMREAD_GRAYSCALE) for file in some.files]


def by_phase(pictures: list[Grey], _: np.ndarray) -> np.ndarray:
    """One phase correlation of the whole frame."""
    first = pictures[len(pictures) // 2].astype(np.float32)
    maps = []
    for picture in pictures:
        (dx, dy), _response = cv2.phaseCorrelate(first, picture.astype(np.float32))
        maps.append([[1, 0, dx], [0, 1, dy]])
    return np.array(maps, dtype=float)


def by_ecc(pictures: list[Grey], mask: np.ndarray | None) -> np.ndarray:
    """Enhanced correlation with shift and rotation."""
    first = pictures[len(pictures) // 2]
    stop = (cv2.TERM_CRITERIA_EPS | cv2.TERM_CRITERIA_COUNT, 80, 1e-5)
    inside = None if mask is None else mask.astype(np.uint8) * 255
    maps = []
    for picture in pictures:
        found = np.eye(2, 3, dtype=np.float32)
        try:
            _, found = cv2.findTransformECC(first, picture, found, cv2.MOTION_EUCLIDEAN, stop, inside, 5)
        except cv2.error:  # it did not converge: nothing is moved
            found = np.eye(2, 3, dtype=np.float32)
        maps.append(found)
    return np.array(maps, dtype=float)


def stabilised(some: truth.Truth, filters: list[str]) -> list[Grey]:
    """Run the frames through ffmpeg's filters, the last of which delivers."""
    folder = some.files[0].path.parent
    with tempfile.TemporaryDirectory() as out:
        for number, words in enumerate(filters):
            last = number == len(filters) - 1
            target = [str(Path(out) / "%06d.png")] if last else ["-f", "null", "-"]
            subprocess.run(
                [imageio_ffmpeg.get_ffmpeg_exe(), "-v", "error", "-y", "-i", str(folder / "%06d.jpg"), "-vf",
                 words, *target],
                check=True, cwd=out, capture_output=True,
            )  # fmt: skip
        return [cv2.imread(str(path), cv2.IMREAD_GRAYSCALE) for path in sorted(Path(out).glob("*.png"))]


def left(some: truth.Truth, maps: np.ndarray) -> tuple[float, float]:
    """RMS and largest error of maps from the reference to each frame."""
    errors = some.errors(maps)
    return float(np.sqrt((errors**2).mean())), float(np.abs(errors).max())


def left_in(some: truth.Truth, pictures: list[Grey]) -> tuple[float, float]:
    """The same of pictures that a stabiliser delivered, by how their static parts lie."""
    height, width = pictures[0].shape
    mask = ~some.covered
    mask[:60], mask[-60:], mask[:, :60], mask[:, -60:] = False, False, False, False
    maps = by_ecc(pictures, mask)
    grid = np.stack(np.meshgrid(np.linspace(0.1, 0.9, 5) * width, np.linspace(0.1, 0.9, 5) * height), -1)
    points = grid.reshape(-1, 2)
    at = np.array([points @ part[:, :2].T + part[:, 2] for part in maps])
    at -= at.mean(axis=0)
    return float(np.sqrt((at**2).mean())), float(np.abs(at).max())


def main() -> None:
    """Make frames, run all methods, print the table."""
    gravel = cv2.cvtColor(data.gravel(), cv2.COLOR_GRAY2RGB)
    print(f"{'':30}" + "".join(f"{name:>28}" for name in ("wide 1280x720", "nozzle 640x480")))
    with tempfile.TemporaryDirectory() as name:
        sets = [
            truth.make_truth(Path(name) / "wide", data.coffee(), (1280, 720), COUNT),
            truth.make_truth(Path(name) / "nozzle", gravel, (640, 480), COUNT, nozzle=True, seed=8),
        ]
        cv2.setNumThreads(1)
        rows: dict[str, Callable[[truth.Truth], tuple[float, float]]] = {
            "nothing": lambda some: left(some, np.repeat(np.eye(3)[None, :2], COUNT, axis=0)),
            "twinlapse": lambda some: left(
                some,
                np.array(
                    [m.matrix for m in track_camera("c", some.files, CameraFilming(), cache=False).motions]
                ),
            ),
            "phase correlation, whole frame": lambda some: left(some, by_phase(greys(some), some.covered)),
            "ECC, shift and rotation": lambda some: left(some, by_ecc(greys(some), None)),
            "the same, static mask given": lambda some: left(some, by_ecc(greys(some), ~some.covered)),
            "ffmpeg vidstab, tripod": lambda some: left_in(
                some,
                stabilised(some, ["vidstabdetect=tripod=1", "vidstabtransform=tripod=1:interpol=bicubic"]),
            ),
            "ffmpeg deshake": lambda some: left_in(some, stabilised(some, ["deshake"])),
        }
        for title, method in rows.items():
            cells = []
            for some in sets:
                start = time.process_time()
                rms, worst = method(some)
                cells.append(f"{rms:8.3f} {worst:8.2f} {(time.process_time() - start) / COUNT * 1e3:6.0f} ms")
            print(f"{title:30}" + "".join(f"{cell:>28}" for cell in cells), flush=True)


if __name__ == "__main__":
    main()
