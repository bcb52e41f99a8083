"""Machine code is kept by what it was compiled from, where it may be kept, and nowhere else."""

from __future__ import annotations

import re
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

import twinlapse
from twinlapse import compile_notice
from twinlapse.jit import COMPILED, KERNEL_MODULES, source_key

PACKAGE = Path(twinlapse.__file__).parent
SMALL = """
import sys
from twinlapse import compile_notice
from twinlapse.jit import cache_folder, kernel, part_of_kernel
compile_notice.ask(lambda text: print("notice:", text))

@part_of_kernel
def half(number, by):
    return number / by

@kernel
def program(number):
    return half(number, 2) + half(number, 4)

print(program(3.0), cache_folder())
print(len(half.nopython_signatures))
"""

needs_compiler = pytest.mark.skipif(not COMPILED, reason="numba is not installed")


def run(folder: Path, **environment: str) -> list[str]:
    """Run a small kernel in a process of its own, from a file as numba needs it."""
    script = folder / "small.py"
    if not script.exists():
        script.write_text(SMALL)
    command = [sys.executable, str(script)]
    done = subprocess.run(
        command, capture_output=True, text=True, env={"PATH": "/usr/bin:/bin", **environment}
    )
    assert done.returncode == 0 and done.stderr == "", done.stderr
    return done.stdout.splitlines()


def test_every_module_with_kernels_is_in_the_hash() -> None:
    found = {
        path.relative_to(PACKAGE).as_posix()
        for path in PACKAGE.rglob("*.py")
        if re.search(
            r"^from twinlapse\.jit import .*kernel|^    from twinlapse\.jit import", path.read_text(), re.M
        )
    }
    assert found | {"jit.py"} == set(KERNEL_MODULES)


def test_an_edit_of_any_kernel_source_is_another_cache(tmp_path: Path) -> None:
    for name in KERNEL_MODULES:
        (tmp_path / name).parent.mkdir(parents=True, exist_ok=True)
        shutil.copy(PACKAGE / name, tmp_path / name)
    assert source_key(tmp_path) == source_key(PACKAGE)
    keys = {source_key(tmp_path)}
    for name in KERNEL_MODULES:
        (tmp_path / name).write_text((tmp_path / name).read_text() + "# edited\n")
        keys.add(source_key(tmp_path))
    assert len(keys) == 1 + len(KERNEL_MODULES)


@needs_compiler
def test_machine_code_is_kept_in_the_users_cache_folder_and_compiled_once(tmp_path: Path) -> None:
    first = run(tmp_path, HOME=str(tmp_path))
    folder = tmp_path / ".cache" / "twinlapse" / "kernels" / source_key()
    assert first == [f"notice: {compile_notice.FIRST}", f"2.25 {folder}", "1"]
    kept = sorted(path.name for path in folder.iterdir())
    assert len([name for name in kept if name.endswith(".nbc")]) == 2
    assert run(tmp_path, HOME=str(tmp_path))[0] == f"2.25 {folder}"  # nothing is compiled, nothing said
    for path in folder.glob("*.nbc"):
        path.write_bytes(b"damaged")
    assert run(tmp_path, HOME=str(tmp_path))[0].startswith("notice:")
    given = run(tmp_path, HOME=str(tmp_path), NUMBA_CACHE_DIR=str(tmp_path / "given"))
    assert given[1] == f"2.25 {tmp_path / 'given' / source_key()}"


@needs_compiler
@pytest.mark.parametrize("home", ["/proc/nobody", "relative"])
def test_where_nothing_can_be_written_nothing_is_kept_and_all_works(tmp_path: Path, home: str) -> None:
    assert run(tmp_path, HOME=home) == [f"notice: {compile_notice.EVERY}", "2.25 None", "1"]
    assert sorted(path.name for path in tmp_path.iterdir()) == ["small.py"]


@needs_compiler
def test_caches_of_old_versions_are_forgotten(tmp_path: Path) -> None:
    import os

    base = tmp_path / ".cache" / "twinlapse" / "kernels"
    for number in range(7):
        (base / f"{number:020d}").mkdir(parents=True)
        os.utime(base / f"{number:020d}", (number, number))
    run(tmp_path, HOME=str(tmp_path))
    assert {path.name for path in base.iterdir()} == {source_key(), *(f"{n:020d}" for n in (3, 4, 5, 6))}
