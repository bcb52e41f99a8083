"""Taking pictures needs only what docs/capture.md installs for it: every other package is hidden here."""

from __future__ import annotations

import re
import shutil
import signal
import socket
import subprocess
import sys
import urllib.request
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from importlib import metadata
from pathlib import Path
from typing import Any

import twinlapse

ROOT = Path(__file__).parents[2]
HIDING = """
import sys
class Hidden:
    def find_spec(self, name, path=None, target=None):
        if name.partition(".")[0] in HIDDEN:
            raise ModuleNotFoundError(f"No module named {name!r}", name=name)
sys.meta_path.insert(0, Hidden())
from twinlapse.cli import main
main()
"""


def named_in_docs() -> list[str]:
    """Return the packages of the install line for a board that only takes pictures."""
    page = (ROOT / "docs" / "capture.md").read_text("utf-8")
    return re.findall(r"(?m)^capture-venv/bin/pip install (?!--no-deps)(.+)$", page)[0].split()


def installed_by(names: list[str]) -> set[str]:
    """Return these packages and all that they need, by metadata."""
    found: set[str] = set()
    while names:
        name = re.sub(r"[-_.]+", "-", names.pop()).lower()
        if name in found:
            continue
        found.add(name)
        try:
            needs = metadata.requires(name) or []
        except metadata.PackageNotFoundError:  # of another Python or system
            continue
        names += [re.match(r"[A-Za-z0-9._-]+", need)[0] for need in needs if "extra ==" not in need]
    return found


def hidden() -> set[str]:
    kept = installed_by(named_in_docs()) | {"twinlapse"}
    return {
        module
        for module, owners in metadata.packages_distributions().items()
        if not {re.sub(r"[-_.]+", "-", owner).lower() for owner in owners} & kept
    }


def program(words: list[str]) -> list[str]:
    return [sys.executable, "-c", f"HIDDEN = {sorted(hidden())!r}\n{HIDING}", *words]


@contextmanager
def running(words: list[str], folder: Path) -> Iterator[str]:
    """Run a service until the block ends; yield what it said when it was ready."""
    with (folder / "errors.txt").open("wb") as errors:
        child = subprocess.Popen(program(words), cwd=folder, stdout=subprocess.PIPE, stderr=errors, text=True)
    assert child.stdout is not None
    try:
        first = child.stdout.readline()
        assert first.startswith("ready: "), (folder / "errors.txt").read_text("utf-8")
        yield first
        child.send_signal(signal.SIGTERM)
        child.communicate(timeout=30)
        assert child.returncode == 0, (folder / "errors.txt").read_text("utf-8")
    finally:
        child.kill()
        child.communicate()


def test_frames_are_taken_without_the_other_packages(
    tmp_path: Path, sliced_folder: Path, cameras: Callable[..., Any]
) -> None:
    assert {"cv2", "numba", "llvmlite", "matplotlib", "imageio", "imageio_ffmpeg", "ffmpeg"} <= hidden()
    shutil.copyfile(sliced_folder / "cube_start_end.gcode", tmp_path / "cube.gcode")
    rig = (ROOT / "sample_jobs" / "seedling_pot" / "rig.toml").read_text("utf-8")
    camera = cameras(fps=20)
    rig = re.sub(r'"http://camera.local/\w+"', f'"{camera.stream}"', rig)
    (tmp_path / "rig.toml").write_text(rig.replace("age_s = 0.25", "age_s = 5"), "utf-8")
    job = twinlapse.make_job(tmp_path / "cube.gcode", tmp_path / "rig.toml", tmp_path / "job")[0].folder
    shot = twinlapse.load_plan(job / "plan.json").shots[0]
    with running(["capture", "job", "--port", "0"], tmp_path):
        told = subprocess.run(
            program(["shoot", "job", f"{shot.number}", "--json"]),
            cwd=tmp_path,
            capture_output=True,
            text=True,
        )
        assert told.returncode == 0, told.stdout + told.stderr
    assert list((job / "frames").glob(f"*/{shot.number:06d}*.jpg"))


def test_the_service_starts_without_the_other_packages(tmp_path: Path) -> None:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port = probe.getsockname()[1]
    with (
        running(["serve", "prints", "--port", str(port)], tmp_path) as ready,
        urllib.request.urlopen(ready.split()[1], timeout=10) as page,
    ):
        assert page.status == 200 and b"<html" in page.read()


def test_what_needs_another_package_says_so_in_one_line(tmp_path: Path) -> None:
    words = ["render", "--frames", "wide=.", "-o", "film.mp4"]
    done = subprocess.run(program(words), cwd=tmp_path, capture_output=True, text=True)
    assert done.returncode == 2
    assert done.stderr.startswith("twinlapse: render needs the module ") and done.stderr.count("\n") == 1
