"""A film that some other program made serves as a camera's frames."""

from __future__ import annotations

import json
from pathlib import Path

import av
import numpy as np
import pytest
from click.testing import CliRunner
from PIL import Image
from skimage import data

from twinlapse.cli.root import cli
from twinlapse.errors import FrameError
from twinlapse.imaging.decode import read_picture
from twinlapse.imaging.video_frames import is_clip, unpacked

COUNT = 9
# imageio's reader leaves the pipes of its ffmpeg to the garbage collector
pytestmark = pytest.mark.filterwarnings("ignore::pytest.PytestUnraisableExceptionWarning")


def pictures() -> list[np.ndarray]:
    """A photograph that moves four pixels to the left from one to the next."""
    return [np.ascontiguousarray(data.astronaut()[100:260, 4 * n : 4 * n + 240]) for n in range(COUNT)]


@pytest.fixture(params=["mp4", "mkv", "gif", "webp"])
def clip(request: pytest.FixtureRequest, tmp_path: Path) -> Path:
    """Written by PyAV or Pillow, which the code under test does not use for them."""
    path = tmp_path / f"garden.{request.param}"
    if request.param in ("gif", "webp"):
        first, *others = map(Image.fromarray, pictures())
        first.save(path, save_all=True, append_images=others, duration=80)
        return path
    with av.open(str(path), "w") as film:
        stream = film.add_stream("libx264", rate=25, options={"crf": "10"})
        stream.width, stream.height, stream.pix_fmt = 240, 160, "yuv420p"
        for picture in pictures():
            film.mux(stream.encode(av.VideoFrame.from_ndarray(picture, format="rgb24")))
        film.mux(stream.encode())
    return path


def test_every_picture_of_a_clip_comes_out_in_order(clip: Path) -> None:
    assert is_clip(clip)
    folder = unpacked(clip)
    paths = sorted(folder.iterdir())
    assert [path.name for path in paths] == [f"frame-{n:06d}.jpg" for n in range(1, COUNT + 1)]
    for path, true in zip(paths, pictures(), strict=True):
        assert np.abs(read_picture(path).astype(int) - true).mean() < 12
    stamp = paths[0].stat().st_mtime_ns
    assert unpacked(clip) == folder and paths[0].stat().st_mtime_ns == stamp


def test_a_clip_becomes_a_film(tmp_path: Path) -> None:
    path = tmp_path / "garden.gif"
    first, *others = map(Image.fromarray, pictures())
    first.save(path, save_all=True, append_images=others, duration=80)
    out = tmp_path / "film.mp4"
    words = ["render", "--frames", f"wide={path}", "-o", str(out), "--height-px", "96", "--json"]
    result = CliRunner().invoke(cli, words)
    assert result.exit_code == 0, result.output
    assert len(json.loads(result.stdout)["shifts"]["wide"]) == COUNT


def test_what_is_no_clip_is_said_and_leaves_nothing(tmp_path: Path) -> None:
    for name in ("cut.mp4", "cut.gif"):
        path = tmp_path / name
        path.write_bytes(b"no film at all" * 100)
        with pytest.raises(FrameError, match=r"cannot be read|no picture"):
            unpacked(path)
    assert sorted(path.name for path in tmp_path.iterdir()) == ["cut.gif", "cut.mp4"]
    assert not is_clip(tmp_path) and not is_clip(tmp_path / "none.mp4")
