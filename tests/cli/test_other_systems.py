"""All but taking pictures runs on Windows and macOS, as far as `other_system` can imitate them on Linux.

No Windows or macOS machine was at hand.
"""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
import unicodedata
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

ROOT = Path(__file__).parents[2]
SAMPLE = ROOT / "sample_jobs" / "seedling_pot"
IMITATION = Path(__file__).with_name("other_system.py")
SYSTEMS = pytest.mark.parametrize("system", ["windows", "macos"])
FOR_PICTURES = ("twinlapse.cameras.", "twinlapse.capture.", "twinlapse.serve.")


def run(
    system: str, folder: Path, lines: list[list[str]], *, own_code: bool = False
) -> tuple[list[str], str]:
    """Run commands one after the other in one process there; return their statuses and what they said."""
    cache = folder / "cache" if own_code else Path(os.environ.get("XDG_CACHE_HOME") or Path.home() / ".cache")
    done = subprocess.run(
        [sys.executable, str(IMITATION), system, *(["--own-code"] if own_code else [])], cwd=folder,
        input="\n".join("\t".join(line) for line in lines).encode(), capture_output=True, timeout=1500,
        env={**os.environ, "NUMBA_CACHE_DIR": str(cache / "twinlapse" / "kernels")},
    )  # fmt: skip
    said = done.stdout.decode("utf-8", "replace").splitlines()
    return [line.split()[1] for line in said if line.startswith("STATUS")], done.stderr.decode()


def inside(system: str, body: str, folder: Path) -> subprocess.CompletedProcess[str]:
    """Run lines of Python as a module of the package would run there."""
    script = (
        f"import sys; sys.path.insert(0, {str(IMITATION.parent)!r})\n"
        f"import other_system; other_system.become({system!r})\n"
        f"exec(compile({body!r}, 'probe', 'exec'), {{'__name__': 'twinlapse.probe'}})\n"
    )
    return subprocess.run(
        [sys.executable, "-c", script], cwd=folder, capture_output=True, text=True, timeout=100
    )


@pytest.fixture
def folder(tmp_path: Path, sliced_folder: Path) -> Path:
    shutil.copyfile(sliced_folder / "cube_start_end.gcode", tmp_path / "cube.gcode")
    shutil.copyfile(SAMPLE / "rig.toml", tmp_path / "rig.toml")
    return tmp_path


@pytest.mark.parametrize(
    ("body", "error"),
    [
        ("import fcntl", "ModuleNotFoundError"),
        ("import os; os.fork", "AttributeError"),
        ("import os; os.open('x', os.O_NOFOLLOW)", "AttributeError"),
        ("import signal; signal.SIGKILL", "AttributeError"),
        ("import sys; assert sys.platform == 'linux'", "AssertionError"),
        ("import os; f = open('x', 'w'); os.replace('x', 'y')", "PermissionError"),
        ("import os; open('y', 'w').close(); f = open('x', 'w'); os.replace('y', 'x')", "PermissionError"),
        ("import os; f = open('x', 'w'); os.remove('x')", "PermissionError"),
        ("import pathlib; f = open('x', 'w'); pathlib.Path('x').unlink()", "PermissionError"),
        ("import os, shutil; os.mkdir('d'); f = open('d/x', 'w'); shutil.rmtree('d')", "PermissionError"),
        ("import os, mmap; open('x', 'w').write('pot'); f = open('x'); m = mmap.mmap(f.fileno(), 0, "
         "access=mmap.ACCESS_READ); f.close(); os.remove('x')", "PermissionError"),
        ("import os; open('x', 'w').close(); open('y', 'w').close(); os.rename('x', 'y')", "FileExistsError"),
        ("import pathlib; pathlib.Path('a:b').write_bytes(b'')", "OSError"),
        ("import pathlib; pathlib.Path('nul.txt').write_bytes(b'')", "OSError"),
        ("import os; os.mkdir('pots.')", "OSError"),
        ("open('Pot', 'w').close(); open('pot', 'w').close()", "AssertionError"),
        ("import os; os.open('.', os.O_RDONLY)", "PermissionError"),
        ("open('x', 'w').write('\u2603')", "UnicodeEncodeError"),
        ("open('x', 'w').write('a\\n'); assert open('x', 'rb').read() == b'a\\n'", "AssertionError"),
        ("print('\u2603')", "UnicodeEncodeError"),
    ],
)  # fmt: skip
def test_the_imitation_of_windows_refuses(body: str, error: str, tmp_path: Path) -> None:
    done = inside("windows", body, tmp_path)
    assert error in done.stderr.splitlines()[-1], done.stderr


@SYSTEMS
def test_what_does_not_take_pictures_imports(system: str, tmp_path: Path) -> None:
    body = (
        "import importlib, pkgutil, twinlapse\n"
        "for found in pkgutil.walk_packages(twinlapse.__path__, 'twinlapse.'):\n"
        "    try:\n"
        "        found.name.endswith('__main__') or importlib.import_module(found.name)\n"
        "    except (AttributeError, ImportError) as error:\n"
        "        print(found.name, error)\n"
        "print('all tried')"
    )
    done = inside(system, body, tmp_path)
    *failed, last = done.stdout.splitlines()
    assert last == "all tried", done.stderr
    assert [line for line in failed if not line.startswith(FOR_PICTURES)] == []
    assert bool(failed) == (system == "windows")


@SYSTEMS
def test_the_file_half_runs(system: str, folder: Path) -> None:
    name = unicodedata.normalize("NFD", "T\u00f6pfchen \u2603.gcode")  # as macOS keeps it; not all in cp1252
    shutil.copyfile(folder / "cube.gcode", folder / name)
    lines = [
        ["analyse", name],
        ["plan", name, "-r", "rig.toml", "-o", "plan.json", "--drawing", "plan.html"],
        ["inject", name, "--plan", "plan.json", "-o", "filmed.gcode"],
        ["inject", name, "--plan", "plan.json", "-o", "filmed.gcode"],  # over one that is there
        ["prove", name, "filmed.gcode"],
        ["inject", "filmed.gcode", "--remove", "-o", "back.gcode"],
        ["inject", "back.gcode", "--in-place", "-r", "rig.toml"],
        ["make-job", "cube.gcode", "-r", "rig.toml", "-o", "job"],
        ["make-job", "cube.gcode", "-r", "rig.toml", "-o", "job"],
        ["rig", "new", "--defaults", "new.toml"],
        ["rig", "check", "new.toml"],
        ["trust", "rig.toml"],
    ]
    statuses, said = run(system, folder, lines)
    assert statuses == ["0"] * len(lines), said
    assert (folder / "filmed.gcode").read_bytes().startswith((folder / "cube.gcode").read_bytes()[:20])
    assert b"\r" not in (folder / "filmed.gcode").read_bytes()


@SYSTEMS
def test_a_film_is_rendered(system: str, folder: Path) -> None:
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
    ]
    statuses, said = run(system, folder, [words, words])  # the second over what the first has made
    assert statuses == ["0", "0"], said
    assert (folder / "film.mp4").stat().st_size > 1000 and (folder / "poster.png").exists()


@SYSTEMS
def test_what_cannot_run_says_so_in_one_line(system: str, folder: Path) -> None:
    lines = [
        ["capture", "job"],
        ["capture", "job", "--unit"],
        ["serve", "prints"],
        ["serve", "--unit"],
        ["shoot", "job", "1"],
        ["rig", "cameras"],
    ]
    statuses, said = run(system, folder, [*lines, ["rig", "check", "rig.toml", "--cameras"]])
    assert statuses == ["2"] * 7
    names = ["capture", "capture", "serve", "serve", "shoot", "rig cameras", "rig check --cameras"]
    assert said.splitlines() == [
        f"twinlapse: {name} takes pictures, which needs Linux; the other commands run here" for name in names
    ]


def test_a_name_that_windows_does_not_take_is_said_in_one_line(folder: Path) -> None:
    lines = [
        ["make-job", "cube.gcode", "-r", "rig.toml", "-o", "con"],
        ["plan", "cube.gcode", "-r", "rig.toml", "-o", "a?.json"],
        ["inject", "cube.gcode", "-r", "rig.toml", "-o", "pot."],
        ["analyse", "a:b.gcode"],
    ]
    statuses, said = run("windows", folder, lines)
    assert statuses == ["2"] * 4
    assert len(said.splitlines()) == 4 and "Traceback" not in said


@pytest.mark.slow
@SYSTEMS
def test_the_whole_job_runs(system: str, tmp_path: Path) -> None:
    """The sample with a survey of layer 1, its loops compiled and kept as there, workers spawned as there."""
    for name in ("pot.gcode", "rig.toml"):
        shutil.copyfile(SAMPLE / name, tmp_path / name)
    lines = [
        ["plan", "pot.gcode", "-r", "rig.toml", "--survey-layers", "1", "-o", "plan.json"],
        ["inject", "pot.gcode", "--plan", "plan.json", "-o", "filmed.gcode"],
        ["rehearse", "filmed.gcode", "--plan", "plan.json", "-r", "rig.toml", "-o", "job"],
        ["first-layer", "job"],
        ["render", "job", "-o", "film.mp4", "--preview", "--drawing", "shifts.png"],
        ["render", "job", "-o", "film.mp4", "--preview", "--workers", "2", "--contact", "contact.png"],
        ["film-sheet", "job", "-o", "sheet.png"],
        ["render", "job", "-o", "film.gif", "--preview"],
    ]
    statuses, said = run(system, tmp_path, lines, own_code=True)
    assert statuses == ["0"] * len(lines), said
    assert (tmp_path / "job" / "firstlayer.html").stat().st_size > 10_000
    assert list((tmp_path / "cache").rglob("*.nbi")), "the loops were not kept in numba's own way"
