"""How even the light of a film is, measured on the encoded film: decode it, measure patches, compare.

    python tests/bench/bench_light.py [--seeds 0 1] [--frames 60] [--curves srgb gamma cheap] [--light off]
        [--kind flicker highlights steps daylight] [--scene gravel]

A photograph with nine grey patches, each one half brighter than the other, is seen by a camera with a tone
curve of a published standard or a made-up cheap one, through a light that flickers by 8 % (RMS), a white
balance that drifts, shake, noise and JPEG. Nothing here is shared with what measures and evens the light.
Printed for dark, middle and bright patches of each set:

flicker
    RMS change from frame to frame of a patch's mean luma code in the decoded film, % of its mean.
colour
    the same for the worst of red, green and blue.
contrast
    RMS over the frames of (bright half - dark half) / (sum) in luma against its mean over the film, %.
drift
    mean of the last tenth of the film against the first, worst of the channels, %.
bound
    what is left of either when the exact gain is put on the frames before they are encoded: noise, codes of
    8 bits and JPEG of the source, which no evening can take back.
white
    largest share of pixels of a frame whose luma the film shows at white (254 of 255 or more), though it is
    below 251 in a film of the same frames without gain, %: three codes are moved by the encoder alone.
channel
    the same for the worst of red, green and blue. A film's colours have half its resolution, so at edges a
    player clips a channel that no frame had clipped.

Kinds of light: `flicker` as above; `highlights`, where a window reaches white in the usual light and every
fourth frame has 0.55 to 0.7 of it, so that gains meet white; `steps`, where the camera's exposure also jumps
by up to a stop for some frames at a time; `daylight`, which comes and goes by half as well, for
`--light flicker`: there flicker is how far a frame is off the middle of its neighbours.
"""

from __future__ import annotations

import argparse
import itertools
import subprocess
import sys
import tempfile
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import cv2
import imageio_ffmpeg
import numpy as np
from drawn_frames import Plane, Shake, _seen, photograph
from PIL import Image

SIZE = (1280, 720)
FFMPEG = imageio_ffmpeg.get_ffmpeg_exe()
LUMA = np.array([0.2126, 0.7152, 0.0722])  # ITU-R BT.709-6, item 3.2
MARGIN_PX = 150  # of drawn_frames' scenes
PATCH_PX, EDGE_PX = 200, 14
TONES = {"dark": 0.02, "middle": 0.16, "bright": 0.50}  # linear light of a patch's mean
SHADE = 0.12  # of the light, from the middle of a patch to its upper and lower edge
HALVES = 0.25  # each half differs from the mean by this share of its light
PLACES = {"dark": (1040, 490), "middle": (1040, 30), "bright": (40, 490)}
RIG = """
[printer]
bed_mm = [220, 220]
height_mm = 250
[film]
last_s = 0
ease = "0"
overlay = []
[[camera]]
name = "wide"
mount = "frame"
every = "layer"
film = { crop = [0, 0, 1, 1], light = "LIGHT", hold = "surroundings" }
"""


def srgb(light: Plane) -> Plane:
    """IEC 61966-2-1."""
    return np.where(light <= 0.0031308, 12.92 * light, 1.055 * np.maximum(light, 1e-9) ** (1 / 2.4) - 0.055)


def bt709(light: Plane) -> Plane:
    """ITU-R BT.709-6, item 1.2."""
    return np.where(light < 0.018, 4.5 * light, 1.099 * np.maximum(light, 1e-9) ** 0.45 - 0.099)


def gamma(light: Plane) -> Plane:
    """A plain power of 2.2."""
    return np.maximum(light, 0) ** (1 / 2.2)


def cheap(light: Plane) -> Plane:
    """A long shoulder and a toe (made up): Naka and Rushton's saturation on a square-root base."""
    root = np.maximum(light, 0) ** 0.62
    return 1.32 * root / (root + 0.32) * (1 - 0.25 * np.exp(-light / 0.012))


def knee(light: Plane) -> Plane:
    """A camera's knee (made up, common practice): BT.709 to code .75, from there a straight line to white."""
    code = bt709(light)
    top = bt709(np.array(1.0))
    at = float(((0.75 + 0.099) / 1.099) ** (1 / 0.45))
    above = 0.75 + (np.maximum(light, at) - at) * (top - 0.75) / (1.6 - at)
    return np.where(code > 0.75, above, code)


CURVES: dict[str, Callable[[Plane], Plane]] = {
    "srgb": srgb, "bt709": bt709, "gamma": gamma, "cheap": cheap, "knee": knee,
}  # fmt: skip


@dataclass(frozen=True, kw_only=True)
class LitSet:
    """Frames on the disk and the light (n, 3) under which each was taken."""

    folder: Path
    light: Plane
    shake: Plane  # (n, 2) px
    curve: str


def _scene(rng: np.random.Generator, name: str, kind: str) -> Plane:
    scene = photograph(name, SIZE) * 0.8
    if kind == "highlights":
        scene *= 1.4
        window = scene[MARGIN_PX + 20 : MARGIN_PX + 320, MARGIN_PX + 380 : MARGIN_PX + 780]
        window[:] = np.linspace(0.55, 1.02, 400)[:, None] * rng.uniform(0.95, 1.0, (300, 1, 3))
    for tone, (x, y) in PLACES.items():
        for half, sign in ((0, -1), (1, 1)):
            left = MARGIN_PX + x + half * PATCH_PX // 2
            part = scene[MARGIN_PX + y : MARGIN_PX + y + PATCH_PX, left : left + PATCH_PX // 2]
            # shading and grain: JPEG rounds the mean of a block to 3/8 of a code, blocks that are all alike
            # together, and no film could be more even than that
            down = np.linspace(-SHADE, SHADE, PATCH_PX)[:, None] + rng.normal(0, 0.02, part.shape[:2])
            part[:] = TONES[tone] * (1 + sign * HALVES) * (1 + down[..., None])
    return scene


def _extra(kind: str, count: int, rng: np.random.Generator) -> Plane:
    """Return what a kind of light does beside flicker and drift, (n, 1)."""
    if kind == "highlights":
        return np.where(np.arange(count) % 4 == 3, rng.uniform(0.55, 0.7, count), 1.0)[:, None]
    if kind == "steps":
        stops = rng.choice([0, 0, 0, -1, -0.5, 0.5, 0.8], count // 4 + 1)
        return (2.0 ** np.repeat(stops, 4)[:count])[:, None]
    if kind == "daylight":
        return np.exp(0.4 * np.sin(2 * np.pi * np.arange(count) / count + rng.uniform(0, 6)))[:, None]
    return np.ones((count, 1))


def draw(folder: Path, curve: str, count: int, seed: int, name: str, kind: str = "flicker") -> LitSet:
    """Write the frames of one set."""
    rng = np.random.default_rng((seed, 77))
    scene = _scene(rng, name, kind)
    step = np.linspace(0, 1, count)[:, None]
    drift = rng.uniform(-0.05, 0.05, 3) * step + 0.03 * np.sin(2 * np.pi * (step + rng.uniform(0, 1, 3)))
    light = np.exp(rng.normal(0, 0.08, (count, 1)) + drift + rng.normal(0, 0.004, (count, 3)))
    light *= _extra(kind, count, np.random.default_rng((seed, 78)))
    light /= np.exp(np.median(np.log(light), axis=0))
    moved = np.zeros((count, 2))
    print_tone = rng.uniform(0.1, 0.5, 3)
    for place in range(count):
        own = np.random.default_rng((seed, place, 5))
        shake = Shake(x_px=own.normal(0, 1.0), y_px=own.normal(0, 1.0), turn_deg=own.normal(0, 0.01))
        # where the middle of the picture goes; turns of a hundredth of a degree are left out
        moved[place] = shake.x_px, shake.y_px
        path = folder / f"{place + 1:06d}.jpg"
        path.parent.mkdir(parents=True, exist_ok=True)
        if path.exists():
            continue
        view = _seen(scene, shake, SIZE)
        top = round(SIZE[1] * (0.85 - 0.5 * (place + 1) / count))
        view[top : round(SIZE[1] * 0.85), 520:760] = print_tone
        electrons = np.maximum(view * light[place], 0)
        # shot noise and read noise, in light (common practice: some 8000 electrons at white)
        electrons = electrons + own.normal(0, 1, view.shape) * np.sqrt(electrons / 8000 + 1e-6)
        codes = 255 * np.clip(CURVES[curve](np.maximum(electrons, 0)), 0, 1)
        whole = np.clip(np.rint(codes), 0, 255).astype(np.uint8)
        Image.fromarray(whole).save(path, quality=92)
    return LitSet(folder=folder, light=light, shake=moved, curve=curve)


def film_of(some: LitSet, light: str) -> Plane:
    """Render the set and return the decoded film, RGB codes, (n, height, width, 3) float32."""
    rig, out = some.folder / "rig.toml", some.folder / "film.mp4"
    rig.write_text(RIG.replace("LIGHT", light))
    words = ["render", "--quiet", "--height-px", str(SIZE[1]), "--layout", "single", "--no-captions"]
    words += ["--frames", f"wide={some.folder}", "--rig", str(rig), "-o", str(out)]
    subprocess.run([sys.executable, "-m", "twinlapse", *words], check=True)
    raw = subprocess.run(
        [FFMPEG, "-v", "error", "-i", str(out), "-f", "rawvideo", "-pix_fmt", "yuv420p", "-"],
        check=True, capture_output=True,
    ).stdout  # fmt: skip
    width, height = SIZE
    planes = np.frombuffer(raw, np.uint8).reshape(-1, width * height * 3 // 2)
    return np.stack([_rgb(frame) for frame in planes])


def _rgb(planes: Plane) -> Plane:
    """Return RGB codes of one I420 frame by ITU-R BT.709-6, items 3.2 to 3.4."""
    width, height = SIZE
    luma = (planes[: width * height].reshape(height, width).astype(np.float32) - 16) / 219
    blue, red = planes[width * height :].reshape(2, height // 2, width // 2).astype(np.float32)
    blue, red = ((np.repeat(np.repeat(part, 2, 0), 2, 1) - 128) / 224 for part in (blue, red))
    r, b = luma + 1.5748 * red, luma + 1.8556 * blue
    g = (luma - LUMA[0] * r - LUMA[2] * b) / LUMA[1]
    return 255 * np.stack([r, g, b], axis=-1)


def halves(frames: Plane, tone: str) -> Plane:
    """Return the mean codes of both halves of a patch, (n, 2, 3)."""
    x, y = PLACES[tone]
    wide, edge = PATCH_PX // 2, EDGE_PX
    rows = slice(y + edge, y + PATCH_PX - edge)
    parts = [frames[:, rows, x + half * wide + edge : x + (half + 1) * wide - edge] for half in (0, 1)]
    return np.stack([part.mean(axis=(1, 2), dtype=np.float64) for part in parts], axis=1)


def bounds(some: LitSet, tone: str) -> tuple[float, float]:
    """Return flicker and contrast that are left in the source once the exact light is taken out, %.

    The frame's own curve, read off backwards, tells the light of every pixel; divided by the light that was
    put in, its code is what the camera would have shown in even light but for noise and rounding.
    """
    fine = np.linspace(0, 1.6, 400001)
    rising = np.maximum.accumulate(CURVES[some.curve](fine)) + np.arange(len(fine)) * 1e-12
    there = np.interp(np.arange(256) / 255, rising, fine)
    x, y = PLACES[tone]
    means = []
    for place, light in enumerate(some.light):
        frame = np.asarray(Image.open(some.folder / f"{place + 1:06d}.jpg"))
        part = frame[y - 8 : y + PATCH_PX + 8, x - 8 : x + PATCH_PX + 8]
        tables = [255 * CURVES[some.curve](there / gain) for gain in light]
        luma = np.stack([table[part[..., c]] for c, table in enumerate(tables)], axis=-1) @ LUMA
        # the frame's own shake is taken out, or the shading of the patch would pass for flicker
        middle = (luma.shape[1] - 1) / 2 + some.shake[place]
        seen = cv2.getRectSubPix(luma.astype(np.float32), (PATCH_PX, PATCH_PX), middle.tolist())
        wide, edge = PATCH_PX // 2, EDGE_PX
        means.append([seen[edge:-edge, h * wide + edge : (h + 1) * wide - edge].mean() for h in (0, 1)])
    both = np.array(means)
    return _changes(both.mean(axis=1)), _contrast(both)[0]


def judged(some: LitSet, film: Plane, kind: str) -> dict[str, dict[str, float]]:
    """Return what is measured on each patch."""
    found = {}
    changes = _bends if kind == "daylight" else _changes
    for tone in TONES:
        codes = halves(film, tone)
        luma = codes @ LUMA
        mean, channels = luma.mean(axis=1), codes.mean(axis=1)
        contrast, worst = _contrast(luma)
        bound, other = bounds(some, tone)
        tenth = max(1, len(film) // 10)
        drift = channels[-tenth:].mean(axis=0) / channels[:tenth].mean(axis=0) - 1
        found[tone] = {
            "code": float(mean.mean()),
            "flicker": changes(mean),
            "colour": max(changes(channels[:, c]) for c in range(3)),
            "contrast": contrast,
            "worst": worst,
            "drift": float(np.abs(drift).max() * 100),
            "bound": bound,
            "contrast_bound": other,
        }
    return found


def pushed_to_white(film: Plane, bare: Plane) -> tuple[float, float]:
    """Return what the gains push to white in the worst frame: luma, and the worst channel, %."""
    shares = []
    for lit, off in zip(film, bare, strict=True):
        pairs = zip(_seen_as(lit), _seen_as(off), strict=True)
        shares.append([((one >= 254) & (other < 251)).mean() for one, other in pairs])
    worst = 100 * np.max(shares, axis=0)
    return float(worst[0]), float(worst[1:].max())


def _seen_as(frame: Plane) -> list[Plane]:
    return [frame @ LUMA, *np.moveaxis(frame, -1, 0)]


def _contrast(luma: Plane) -> tuple[float, float]:
    contrast = (luma[:, 1] - luma[:, 0]) / (luma[:, 1] + luma[:, 0])
    off = np.abs(contrast / contrast.mean() - 1) * 100
    return float(np.sqrt((off**2).mean())), float(off.max())


def _changes(series: Plane) -> float:
    return float(np.sqrt((np.diff(series) ** 2).mean()) / series.mean() * 100)


def _bends(series: Plane) -> float:
    # as large as `_changes` for errors that have nothing to do with each other
    off = series[1:-1] - (series[2:] + series[:-2]) / 2
    return float(np.sqrt((off**2).mean() * 4 / 3) / series.mean() * 100)


def main() -> None:
    """Draw, render, judge and print."""
    parser = argparse.ArgumentParser(description="light of the encoded film")
    parser.add_argument("--seeds", type=int, nargs="+", default=[0])
    parser.add_argument("--frames", type=int, default=60)
    parser.add_argument("--curves", nargs="+", choices=list(CURVES), default=list(CURVES))
    parser.add_argument("--light", default="constant", choices=["constant", "flicker", "off"])
    kinds = ["flicker", "highlights", "steps", "daylight"]
    parser.add_argument("--kind", nargs="+", default=["flicker"], choices=kinds)
    parser.add_argument("--scene", help="photograph [default: one of four by seed and curve]")
    parser.add_argument("--keep", type=Path, help="folder in which the frames stay")
    asked = parser.parse_args()
    names = ["coffee", "motorcycle", "grace_hopper", "astronaut"]
    print(f"{'set':32} {'patch':7} code flicker bound  colour contrast (worst) bound  drift  white channel")
    with tempfile.TemporaryDirectory() as kept:
        for seed, kind, curve in itertools.product(asked.seeds, asked.kind, asked.curves):
            name = asked.scene or names[(seed + list(CURVES).index(curve)) % len(names)]
            title = "-".join([curve, str(seed), *([] if kind == "flicker" else [kind])])
            folder = Path(asked.keep or kept) / (title + (f"-{asked.scene}" if asked.scene else ""))
            some = draw(folder, curve, asked.frames, seed, name, kind)
            film = film_of(some, asked.light)
            white, channel = pushed_to_white(film, film_of(some, "off"))
            for tone, row in judged(some, film, kind).items():
                print(
                    f"{title + ' ' + name:32} {tone:7} {row['code']:4.0f} "
                    f"{row['flicker']:7.3f} {row['bound']:5.3f} {row['colour']:6.3f} "
                    f"{row['contrast']:8.3f} ({row['worst']:5.2f}) {row['contrast_bound']:5.3f} "
                    f"{row['drift']:5.2f} {white:7.3f} {channel:7.3f}",
                    flush=True,
                )


if __name__ == "__main__":
    main()
