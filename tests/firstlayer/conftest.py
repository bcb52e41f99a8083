"""A first layer on a virtual bed, seen from straight above and by a nozzle camera."""

from __future__ import annotations

import functools
import importlib.util
import sys
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pytest
from PIL import Image

from twinlapse.firstlayer.canvas import Canvas
from twinlapse.firstlayer.expected import Lines, drawn
from twinlapse.firstlayer.mosaic import LayerPictures, SurveyFrame
from twinlapse.frames.job import Job
from twinlapse.optics.lens import unproject
from twinlapse.optics.pose import pose_in_bed
from twinlapse.optics.window import window_of
from twinlapse.rig import Camera, Lens, Printer, Toolhead
from twinlapse.shots import SURVEY, Plan, Shot, Stop, write_plan

PRINTER = Printer(bed_mm=(220, 220), height_mm=250, toolhead=Toolhead(radius_mm=65))
CAMERA = Camera(name="nozzle", mount="toolhead", place_mm=(0.0, -28.0, 34.0), look_mm=(0.0, -6.0, 0.0))
LAYER_MM = 0.2
FINE_MM = 0.05


@dataclass
class Scene:
    """What lies on the bed; all defects are seeded by the test."""

    size_mm: float = 24.0
    at_mm: tuple[float, float] = (90.0, 90.0)
    gaps: list[tuple[float, float, float]] = field(default_factory=list)  # x, y, length along X
    missing: list[int] = field(default_factory=list)  # lines of the filling
    blobs: list[tuple[float, float, float]] = field(default_factory=list)  # x, y, diameter
    filament: tuple[int, int, int] = (90, 190, 110)
    bed: tuple[int, int, int] = (45, 48, 54)
    texture: float = 6.0
    noise: float = 3.0
    jitter_mm: float = 0.1
    glare: bool = True
    flicker: float = 0.05
    seed: int = 1

    def lines(self) -> Lines:
        """Two walls and a straight filling, 0.45 mm wide."""
        x, y = self.at_mm
        s, w = self.size_mm, 0.45
        first, last = [], []
        for k in range(2):
            a, b = k * w, s - k * w
            loop = [(a, a), (b, a), (b, b), (a, b), (a, a)]
            first += loop[:-1]
            last += loop[1:]
        for k in range(round((s - 4 * w) / w)):
            at = 2 * w + 0.5 * w + k * w
            ends = [(2 * w, at), (s - 2 * w, at)]
            first.append(ends[k % 2])
            last.append(ends[1 - k % 2])
        return Lines(
            first_mm=np.array(first) + np.array([x, y]),
            last_mm=np.array(last) + np.array([x, y]),
            width_mm=np.full(len(first), w),
            file_line=np.arange(len(first)) + 100,
        )

    def above(self) -> tuple[Canvas, np.ndarray]:
        """The layer as it lies there, from straight above."""
        dice = np.random.default_rng(self.seed)
        span = self.size_mm + 24
        canvas = Canvas(
            left_mm=self.at_mm[0] - 12,
            back_mm=self.at_mm[1] + self.size_mm + 12,
            step_mm=FINE_MM,
            width=round(span / FINE_MM),
            height=round(span / FINE_MM),
        )
        grain = cv2.GaussianBlur(dice.normal(0, 1, canvas.shape).astype(np.float32), (0, 0), 3)
        picture = np.array(self.bed, np.float32) + self.texture * (grain / grain.std())[..., None]
        lines = self.lines()
        keep = np.ones(len(lines), bool)
        keep[[8 + k for k in self.missing]] = False
        kept = Lines(
            first_mm=lines.first_mm[keep],
            last_mm=lines.last_mm[keep],
            width_mm=lines.width_mm[keep],
            file_line=lines.file_line[keep],
        )
        # a round back, lit from above: grooves of 13 %, as on photographs of a layer that is laid well
        for grow, tone in ((0.0, 0.87), (-0.18, 1.0), (-0.33, 1.06)):
            picture[drawn(kept, canvas, grow)] = np.array(self.filament) * tone
        for x, y, length in self.gaps:
            (left, top), (right, bottom) = (
                canvas.to_px(np.array([[x - length / 2, y + 0.225], [x + length / 2, y - 0.225]]))
                .round()
                .astype(int)
            )
            bare = np.array(self.bed) + self.texture * (grain / grain.std())[top:bottom, left:right, None]
            picture[top:bottom, left:right] = bare
        for x, y, wide in self.blobs:
            px = canvas.to_px(np.array([x, y])).round().astype(int)
            cv2.circle(
                picture, (int(px[0]), int(px[1])), round(wide / 2 / FINE_MM), self.filament, -1, cv2.LINE_AA
            )
        return canvas, np.clip(picture, 0, 255)

    def frames(self) -> tuple[list[SurveyFrame], np.ndarray]:
        """Survey frames and the parking error of each."""
        dice = np.random.default_rng(self.seed + 50)
        canvas, truth = self.above()
        window = window_of(CAMERA, PRINTER, 1.0)
        frames, errors = [], []
        low, high = np.array(self.at_mm) - 3, np.array(self.at_mm) + self.size_mm + 3
        for y in _middles(low[1], high[1], window.size_mm[1]):
            for x in _middles(low[0], high[0], window.size_mm[0]):
                said = (x - window.middle_mm[0], y - window.middle_mm[1], LAYER_MM + 1.0)
                error = dice.normal(0, self.jitter_mm, 2)
                stands = (said[0] + error[0], said[1] + error[1], said[2])
                frames.append(SurveyFrame(picture=self._taken(canvas, truth, stands, dice), nozzle_mm=said))
                errors.append(error)
        return frames, np.array(errors)

    def _taken(
        self, canvas: Canvas, truth: np.ndarray, nozzle: tuple, dice: np.random.Generator
    ) -> np.ndarray:
        lens, pose = CAMERA.lens, pose_in_bed(CAMERA, PRINTER, nozzle)
        ways = pose.to_world(_rays(2))
        places = pose.place_mm + ((LAYER_MM - pose.place_mm[2]) / ways[..., 2])[..., None] * ways
        at = canvas.to_px(places[..., :2]).astype(np.float32)
        colours = cv2.remap(
            truth.astype(np.float32), at[..., 0], at[..., 1], cv2.INTER_LINEAR, borderValue=(40, 40, 40)
        )
        picture = cv2.resize(colours, (lens.width_px, lens.height_px), interpolation=cv2.INTER_AREA)
        x, y = np.meshgrid(np.linspace(-1, 1, lens.width_px), np.linspace(-1, 1, lens.height_px))
        picture *= ((1 - 0.12 * (x**2 + y**2)) * dice.normal(1, self.flicker))[..., None]
        if self.glare:  # the camera's own lamps mirrored in the layer
            picture += 330 * np.exp(-((x - 0.25) ** 2 + (y + 0.1) ** 2) / 0.003)[..., None]
        picture += dice.normal(0, self.noise, picture.shape)
        cv2.circle(picture, (320, 60), 40, (150, 120, 60), -1)
        return np.clip(np.round(picture), 0, 255).astype(np.uint8)


def survey_by(frames: list[SurveyFrame], height_mm: float = 0.0) -> LayerPictures:
    """The frames as the pictures of one layer."""
    return LayerPictures(
        frames=tuple(frames), camera=CAMERA, printer=PRINTER, top_mm=LAYER_MM, height_mm=height_mm
    )


@pytest.fixture(scope="session")
def survey_of() -> Callable[..., LayerPictures]:
    """A maker of surveys from frames."""
    return survey_by


@functools.cache
def _rays(fine: int) -> np.ndarray:
    steps = [(np.arange(n * fine) + 0.5) / fine - 0.5 for n in (CAMERA.lens.width_px, CAMERA.lens.height_px)]
    return unproject(np.stack(np.meshgrid(*steps), axis=-1), CAMERA.lens)


def _middles(low: float, high: float, size: float, overlap: float = 0.3) -> list[float]:
    if high - low <= size:
        return [(low + high) / 2]
    count = 1 + int(np.ceil((high - low - size) / (size * (1 - overlap))))
    return np.linspace(low + size / 2, high - size / 2, count).tolist()


@pytest.fixture(scope="session")
def scene() -> Callable[..., Scene]:
    """A maker of scenes."""
    return Scene


@pytest.fixture(scope="session")
def rig_parts() -> tuple[Camera, Printer, float]:
    """The camera and printer of all scenes, and the layer's top."""
    return CAMERA, PRINTER, LAYER_MM


@pytest.fixture(scope="session")
def lens() -> Lens:
    """The camera's lens."""
    return CAMERA.lens


RIG = {
    "printer": {"bed_mm": [220, 220], "height_mm": 250, "toolhead": {"radius_mm": 65}},
    "camera": [{"name": "nozzle", "mount": "toolhead", "place_mm": [0, -28, 34], "look_mm": [0, -6, 0]}],
}


def _sliced(scene: Any) -> str:
    """The scene's lines as a file: the feed of a line of 0.45 x 0.2 mm, 1.75 mm filament."""
    area = (0.45 - 0.2) * 0.2 + np.pi * 0.2**2 / 4
    lines = ["G28", "G90", "M83", ";LAYER:0", "G0 Z0.2 F600"]
    made = scene.lines()
    for (x0, y0), (x1, y1) in zip(made.first_mm, made.last_mm, strict=True):
        feed = area * np.hypot(x1 - x0, y1 - y0) / (np.pi * 1.75**2 / 4)
        lines += [f"G0 X{x0:.3f} Y{y0:.3f} F9000", f"G1 X{x1:.3f} Y{y1:.3f} E{feed:.5f} F1800"]
    return "\n".join([*lines, ";LAYER:1", "G0 Z0.4", "G1 X90 Y90 E1", "M84"]) + "\n"


def make_job(folder: Path, scene: Any) -> Job:
    folder.mkdir(exist_ok=True)
    job = Job(folder)
    job.original.write_text(_sliced(scene))
    frames, _ = scene.frames()
    stops = tuple(
        Stop(cameras=("nozzle",), x_mm=x, y_mm=y, z_mm=z, dwell_s=1.0, stance=SURVEY)
        for x, y, z in (frame.nozzle_mm for frame in frames)
    )
    shot = Shot(
        number=1,
        after_line=10,
        byte=100,
        layer=0,
        z_mm=0.2,
        at_s=1.0,
        cost_s=5.0,
        retract="none",
        retract_mm=0.0,
        retract_mm_s=0.0,
        lift_mm=1.0,
        stops=stops,
    )
    write_plan(
        job.plan,
        Plan(
            original_sha256="0" * 64,
            rig=RIG,
            shots=(shot,),
            print_s=60.0,
            cost_s=5.0,
            film_s=1.0,
            layer_count=2,
        ),
    )
    for repeat, frame in enumerate(frames, 1):
        path = job.frame("nozzle", 1, repeat)
        path.parent.mkdir(parents=True, exist_ok=True)
        Image.fromarray(frame.picture).save(path, quality=92)
    return job


@pytest.fixture(scope="session")
def surveyed_job() -> Callable[..., Job]:
    """A maker of job folders with the survey of a scene's layer in them."""
    return make_job


@pytest.fixture(scope="module")
def bench_script() -> Callable[[str], Any]:
    """What loads a script of tests/bench by its name."""

    def load(name: str) -> Any:
        path = Path(__file__).parents[1] / "bench" / f"{name}.py"
        spec = importlib.util.spec_from_file_location(name, path)
        assert spec is not None and spec.loader is not None
        module = importlib.util.module_from_spec(spec)
        sys.modules[name] = module  # dataclasses look their module up
        spec.loader.exec_module(module)
        return module

    return load


@pytest.fixture(scope="module")
def bench(bench_script: Callable[[str], Any]) -> Any:
    """The script of the second judge: scenes of a renderer of their own."""
    return bench_script("firstlayer_second_judge")
