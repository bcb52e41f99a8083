"""The whole job as a new user runs it."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path

import av
import pytest


@pytest.mark.slow
def test_demo_ends_with_a_film_that_plays(tmp_path: Path) -> None:
    done = subprocess.run(
        [sys.executable, "-m", "twinlapse", "demo", str(tmp_path / "pot"), "--json"],
        capture_output=True,
        text=True,
        check=True,
    )
    assert done.stderr == ""
    told = json.loads(done.stdout)
    assert told["layer_count"] == 140 and 70 <= told["shot_count"] <= 90  # the automatic schedule
    assert max(told["jitter_px"].values()) < 0.15
    assert Path(told["drawing"]).read_bytes().startswith(b"\x89PNG")
    assert f"twinlapse shot {told['shot_count']} end" in Path(told["gcode"]).read_text()
    with av.open(told["film"]) as film:
        video = film.streams.video[0]
        assert (video.codec_context.name, video.codec_context.pix_fmt) == ("h264", "yuv420p")
        assert sum(1 for _ in film.decode(video)) == told["frame_count"] >= 100
