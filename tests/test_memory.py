"""What is free, read from files as Linux writes them, and work that does not fit refused before it starts."""

from __future__ import annotations

from fractions import Fraction
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from PIL import Image

import twinlapse
from twinlapse import memory
from twinlapse.errors import NoRoomError
from twinlapse.film.memory_need import film_bytes, fitting_options
from twinlapse.film.options import FilmOptions
from twinlapse.firstlayer.reading import map_bytes
from twinlapse.frames.sequence import read_sequence
from twinlapse.rig.film_settings import Filming

MB = 1_000_000


def system(root: Path, files: dict[str, str]) -> Path:
    for name, text in files.items():
        (root / name).parent.mkdir(parents=True, exist_ok=True)
        (root / name).write_text(text, "ascii")
    return root


MEMINFO = (
    "MemTotal: 1000000 kB\nMemFree: 1 kB\nMemAvailable: 800000 kB\nSwapFree: 100000 kB\nHugePages_Total: 0\n"
)


def test_without_groups_the_machine_tells(tmp_path: Path) -> None:
    assert memory.free_bytes(system(tmp_path, {"proc/meminfo": MEMINFO})) == 900_000 * 1024


def test_another_system_does_not_tell(tmp_path: Path) -> None:
    assert memory.free_bytes(tmp_path) is None


@pytest.mark.parametrize(
    ("files", "left"),
    [
        (  # cgroup v2: the group around this one is the narrower
            {
                "proc/self/cgroup": "0::/shed/board\n",
                "sys/fs/cgroup/shed/board/memory.max": "max\n",
                "sys/fs/cgroup/shed/memory.max": "300000000\n",
                "sys/fs/cgroup/shed/memory.current": "100000000\n",
                "sys/fs/cgroup/shed/memory.stat": "anon 5\ninactive_file 40000000\n",
            },
            240_000_000,
        ),
        (  # cgroup v1
            {
                "proc/self/cgroup": "5:devices:/x\n4:memory:/board\n0::/\n",
                "sys/fs/cgroup/memory/board/memory.limit_in_bytes": "300000000\n",
                "sys/fs/cgroup/memory/board/memory.usage_in_bytes": "100000000\n",
                "sys/fs/cgroup/memory/board/memory.stat": "inactive_file 7\ntotal_inactive_file 1000\n",
                "sys/fs/cgroup/memory/memory.limit_in_bytes": "9223372036854771712\n",
                "sys/fs/cgroup/memory/memory.usage_in_bytes": "100000000\n",
                "sys/fs/cgroup/memory/memory.stat": "total_inactive_file 1000\n",
            },
            200_001_000,
        ),
        (  # in a container the path is that of the host, and the group's files are at the root
            {
                "proc/self/cgroup": "0::/host/pod\n",
                "sys/fs/cgroup/memory.max": "250000000\n",
                "sys/fs/cgroup/memory.current": "50000000\n",
                "sys/fs/cgroup/memory.stat": "inactive_file 0\n",
            },
            200_000_000,
        ),
    ],
)
def test_a_group_leaves_less_than_the_machine(tmp_path: Path, files: dict[str, str], left: int) -> None:
    assert memory.free_bytes(system(tmp_path, {"proc/meminfo": MEMINFO, **files})) == left


def test_this_machine_is_read() -> None:
    free = memory.free_bytes()
    assert free is not None and free > 50 * MB


def test_a_file_that_does_not_fit_is_refused_in_one_line(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    twinlapse.copy_sample(tmp_path)
    size = (tmp_path / "pot.gcode").stat().st_size
    monkeypatch.setattr(memory, "free_bytes", lambda: 100 * MB + 5 * size - 1)
    with pytest.raises(
        NoRoomError, match=r"reading pot\.gcode takes about 0\.1 GB of memory, and 0\.1 GB are free"
    ):
        twinlapse.read(tmp_path / "pot.gcode")
    monkeypatch.setattr(memory, "free_bytes", lambda: 100 * MB + 5 * size)
    twinlapse.read(tmp_path / "pot.gcode")


@pytest.fixture
def frames(tmp_path: Path) -> Path:
    folder = tmp_path / "wide"
    folder.mkdir()
    noise = np.random.default_rng(1).integers(0, 255, (72, 128, 3), dtype=np.uint8)
    for number in range(1, 5):
        Image.fromarray(noise).save(folder / f"{number:06d}.jpg")
    return folder


# peaks of all processes together, in MB, measured once by tests/bench/film_memory.py on x86-64
MEASURED = [
    ("film.mp4", {"shape": "640x360"}, 1280 * 720, 0, 136),
    ("film.mp4", {"shape": "1280x720"}, 1280 * 720, 0, 238),
    ("film.mp4", {"shape": "1280x720"}, 1920 * 1080, 0, 271),
    ("film.mp4", {"shape": "1280x720"}, 3840 * 2160, 0, 318),
    ("film.mp4", {"shape": "1920x1080"}, 1280 * 720, 0, 454),
    ("film.mp4", {"shape": "3840x2160"}, 1280 * 720, 0, 1523),
    ("film.mp4", {"shape": "1920x1080"}, 1280 * 720, 2, 903),
    ("film.mp4", {"shape": "1280x720", "codec": "h265"}, 1280 * 720, 0, 369),
    ("film.mp4", {"shape": "1920x1080", "codec": "h265"}, 1280 * 720, 0, 659),
    ("film.webm", {"shape": "1280x720"}, 1280 * 720, 0, 303),
    ("film.webm", {"shape": "1920x1080"}, 1280 * 720, 0, 511),
    ("film.mp4", {"shape": "1280x720", "codec": "av1"}, 1280 * 720, 0, 496),
    ("film.mp4", {"shape": "1920x1080", "codec": "av1"}, 1280 * 720, 0, 643),
    # not looked at when the numbers of h264 and h265 were chosen
    ("film.mp4", {"shape": "1080x1920"}, 1280 * 720, 0, 441),
    ("film.mp4", {"shape": "2560x1440", "codec": "h265"}, 1920 * 1080, 0, 1047),
    ("film.mp4", {"shape": "1280x720", "codec": "h265"}, 1280 * 720, 2, 762),
    ("film.webm", {"shape": "854x480"}, 640 * 480, 0, 224),
    ("film.mp4", {"shape": "2560x1440", "codec": "av1"}, 1280 * 720, 0, 1071),
    ("film.gif", {"shape": "640x360", "fps": Fraction(25, 2), "length_s": 4}, 1280 * 720, 0, 204),
]


@pytest.mark.parametrize(("name", "settings", "source_px", "workers", "peak_mb"), MEASURED)
def test_what_was_measured_lies_below_the_estimate_and_not_far(
    name: str, settings: dict[str, Any], source_px: int, workers: int, peak_mb: float
) -> None:
    told_mb = film_bytes(Filming(**settings), Path(name), source_px, 12, workers) / MB
    assert peak_mb <= told_mb <= 1.35 * peak_mb


@pytest.mark.parametrize(("stops", "peak_mb"), [(12, 133), (20, 171), (54, 461), (74, 607)])
def test_a_map_of_a_layer_lies_below_its_estimate(stops: int, peak_mb: float) -> None:
    assert peak_mb <= map_bytes(stops, 640 * 480) / MB <= 1.5 * peak_mb


def test_fewer_workers_are_taken_where_they_do_not_fit(
    frames: Path, caplog: pytest.LogCaptureFixture
) -> None:
    sources = {"wide": read_sequence(frames, "wide")}
    options = FilmOptions(filming=Filming(shape="1920x1080"), workers=4)
    assert fitting_options(options, sources, Path("film.mp4"), 8000 * MB).workers == 4
    assert not caplog.records
    assert fitting_options(options, sources, Path("film.mp4"), 1200 * MB).workers == 2
    assert caplog.messages == ["2 of 4 workers fit into the memory that is free"]
    assert fitting_options(options, sources, Path("film.mp4"), 600 * MB).workers == 1


def test_a_film_that_does_not_fit_names_a_height_that_does(
    frames: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("twinlapse.film.memory_need.free_bytes", lambda: 800 * MB)
    words = ["render", "--frames", f"wide={frames}", "-o", str(frames.parent / "film.mp4")]
    from twinlapse.cli import run

    assert run([*words, "--height-px", "2160"]) == 2
    with pytest.raises(NoRoomError, match=r"3840 x 2160 takes about 1\.7 GB .* --height-px 1080 fits"):
        twinlapse.render({"wide": frames}, frames.parent / "film.mp4", height_px=2160)
    assert sorted(path.name for path in frames.parent.iterdir()) == ["wide"]
    assert run([*words, "--height-px", "360", "-q"]) == 0
