"""A film from two plain folders: gaps covered, tags right, nothing left behind by a failure."""

from __future__ import annotations

from fractions import Fraction
from pathlib import Path

import av
import cv2
import numpy as np
import pytest

from twinlapse.errors import FrameError, RenderError
from twinlapse.film import FilmOptions, render_film
from twinlapse.frames.sequence import read_sequence
from twinlapse.rig.film_settings import Filming


@pytest.fixture
def folders(tmp_path: Path) -> dict[str, Path]:
    """Two cameras, 12 shots: one frame missing, one cut off, one empty."""
    rng = np.random.default_rng(5)
    made = {}
    for camera, (width, height) in {"wide": (320, 180), "nozzle": (160, 120)}.items():
        folder = tmp_path / camera
        folder.mkdir()
        texture = rng.integers(60, 200, (height // 10, width // 10, 3)).astype(np.uint8)
        scene = cv2.resize(texture, (width, height), interpolation=cv2.INTER_CUBIC)
        for shot in range(1, 13):
            cv2.imwrite(str(folder / f"{shot:06d}.jpg"), scene)
        made[camera] = folder
    (made["nozzle"] / "000004.jpg").unlink()
    damaged = made["wide"] / "000007.jpg"
    damaged.write_bytes(damaged.read_bytes()[:2000])
    (made["wide"] / "000009.jpg").write_bytes(b"")
    return made


def test_two_folders_become_a_tagged_film(folders: dict[str, Path], tmp_path: Path) -> None:
    sources = {camera: read_sequence(folder, camera) for camera, folder in folders.items()}
    shares: list[float] = []
    filming = Filming(shape="320x180", last_s=0.5)
    out = tmp_path / "film.mp4"
    report = render_film(sources, None, FilmOptions(filming=filming), out, progress=shares.append)
    assert (report.frames, report.held, len(report.dropped)) == (12 + 15, 3, 2)
    assert shares == sorted(shares) and shares[-1] == pytest.approx(1)
    with av.open(str(out)) as film:
        stream = film.streams.video[0]
        assert (stream.codec_context.name, stream.codec_context.pix_fmt) == ("h264", "yuv420p")
        assert (stream.width, stream.height) == (320, 180)
        assert stream.average_rate == Fraction(30)
        frames = list(film.decode(stream))
    assert len(frames) == report.frames
    # ITU-T H.273: 1 is BT.709 for matrix, primaries and transfer; range 1 is limited
    first = frames[0]
    assert (int(first.colorspace), int(first.color_range)) == (1, 1)
    data = out.read_bytes()
    assert data.index(b"moov") < data.index(b"mdat")
    assert not list(tmp_path.glob(".*"))


def test_a_failing_encoder_leaves_the_old_film(folders: dict[str, Path], tmp_path: Path) -> None:
    sources = {"wide": read_sequence(folders["wide"], "wide")}
    out = tmp_path / "film.mp4"
    out.write_bytes(b"the old film")
    for file in folders["wide"].iterdir():
        file.write_bytes(b"")
    with pytest.raises(FrameError, match="can be read"):
        render_film(sources, None, FilmOptions(), out)
    assert out.read_bytes() == b"the old film"
    with pytest.raises(RenderError, match=r"\.txt"):
        render_film(sources, None, FilmOptions(), tmp_path / "film.txt")
