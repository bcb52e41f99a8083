"""All but taking pictures runs on Windows: POSIX modules blocked, its rules for open files simulated.

The rules (Microsoft, CreateFile, "share mode", from memory): a file that is open without
FILE_SHARE_DELETE, as Python opens it, can be neither replaced, renamed nor deleted; nor can one that is
mapped. No Windows machine was at hand.
"""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]

RUNNER = """
import os, sys

POSIX = {"fcntl", "termios", "tty", "pty", "pwd", "grp", "resource"}

class Blocked:
    def find_spec(self, name, path=None, target=None):
        if name in POSIX:
            raise ModuleNotFoundError(f"No module named {name!r}", name=name)

sys.meta_path.insert(0, Blocked())
for name in POSIX:
    sys.modules.pop(name, None)

def is_open(path):
    path = os.path.realpath(path)
    if not os.path.isfile(path):
        return False
    for number in os.listdir("/proc/self/fd"):
        try:
            if os.readlink(f"/proc/self/fd/{number}") == path:
                return True
        except OSError:
            pass
    with open("/proc/self/maps") as maps:
        return any(line.rstrip().endswith(path) for line in maps)

def ruled(plain, count):
    def checked(*paths, **words):
        for path in paths[:count]:
            if words.get("dir_fd") is None and is_open(path):
                raise PermissionError(13, "it is open in this process", str(path))
        return plain(*paths, **words)
    return checked

os.replace, os.rename, os.unlink, os.remove = (
    ruled(os.replace, 2), ruled(os.rename, 2), ruled(os.unlink, 1), ruled(os.remove, 1)
)
from twinlapse.cli import run
for line in sys.stdin.read().splitlines():
    words = line.split("\\t")
    print("STATUS", run(words), words[0], flush=True)
"""


def commands(folder: Path, *lines: list[str]) -> tuple[list[str], str]:
    """Run commands one after the other in one process under these rules; return their statuses and errors."""
    done = subprocess.run(
        [sys.executable, "-c", RUNNER], cwd=folder, input="\n".join("\t".join(line) for line in lines),
        capture_output=True, text=True, timeout=500,
    )  # fmt: skip
    return [line.split()[1] for line in done.stdout.splitlines() if line.startswith("STATUS")], done.stderr


@pytest.fixture
def folder(tmp_path: Path, sliced_folder: Path) -> Path:
    (tmp_path / "cube.gcode").write_bytes((sliced_folder / "cube_start_end.gcode").read_bytes())
    rig = (ROOT / "sample_jobs" / "seedling_pot" / "rig.toml").read_text()
    (tmp_path / "rig.toml").write_text(rig)
    return tmp_path


def test_the_file_half_runs_by_windows_rules(folder: Path) -> None:
    statuses, said = commands(
        folder,
        ["analyse", "cube.gcode", "-q"],
        ["plan", "cube.gcode", "-r", "rig.toml", "-o", "plan.json", "-q"],
        ["inject", "cube.gcode", "--plan", "plan.json", "-o", "filmed.gcode", "-q"],
        ["inject", "cube.gcode", "--plan", "plan.json", "-o", "filmed.gcode", "-q"],  # over one that is there
        ["inject", "filmed.gcode", "--remove", "-o", "back.gcode", "-q"],
    )
    assert statuses == ["0"] * 5, said
    assert (folder / "back.gcode").read_bytes() == (folder / "cube.gcode").read_bytes()


def test_a_film_is_rendered_by_windows_rules(folder: Path) -> None:
    import numpy as np
    from PIL import Image

    frames = folder / "wide"
    frames.mkdir()
    noise = np.random.default_rng(1).integers(0, 255, (90, 160, 3), dtype=np.uint8)
    for number in range(1, 9):
        Image.fromarray(np.roll(noise, number, axis=1)).save(frames / f"{number:06d}.jpg")
    words = [
        "render",
        "--frames",
        "wide=wide",
        "-o",
        "film.mp4",
        "--shape",
        "320x180",
        "--poster",
        "poster.png",
        "-q",
    ]
    statuses, said = commands(folder, words, words)
    assert statuses == ["0", "0"], said
    assert (folder / "film.mp4").stat().st_size > 1000 and (folder / "poster.png").exists()


def test_what_cannot_run_says_so_in_one_line(folder: Path) -> None:
    (folder / "job" / "frames").mkdir(parents=True)
    statuses, said = commands(folder, ["capture", "job"])
    assert statuses == ["2"] and "Traceback" not in said
    assert said.splitlines() == [
        "twinlapse: capture takes pictures, which needs Linux; the other commands run here"
    ]
