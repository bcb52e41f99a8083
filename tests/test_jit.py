"""Machine code is kept by what it was compiled from, where it may be kept, and nowhere else."""

from __future__ import annotations

import re
import shutil
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest

import twinlapse
from twinlapse import compile_notice, machine_code
from twinlapse.jit import COMPILED, KERNEL_MODULES, source_key

PACKAGE = Path(twinlapse.__file__).parent
SMALL = """
import sys
import numpy as np
from twinlapse import compile_notice
from twinlapse.jit import cache_folder, kernel, part_of_kernel
compile_notice.ask(lambda text: print("notice:", text))

@part_of_kernel
def half(number, by):
    return number / by

@kernel
def program(number, table, out):
    for i in range(table.shape[0]):
        for j in range(table.shape[1]):
            out[i, j] += half(table[i, j], 2) + half(table[i, j], 4)
    return len(table), half(number, 2) + half(number, 4), table[0, 1] < table[1, 0]

table, out = np.arange(12.0).reshape(3, 4)[:, ::2], np.zeros((2, 3)).T
print(program(3.0, table, out), cache_folder())
assert (out == table * 0.75).all()
print(program(np.int32(4), np.float32([[1, 2], [3, 4]]), out)[1])
print("numba" in sys.modules)
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
    assert found | {"jit.py", "kernel_compiler.py", "machine_code.py"} == set(KERNEL_MODULES)


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
    assert first == [f"notice: {compile_notice.FIRST}", f"(3, 2.25, True) {folder}", "3.0", "True"]
    kept = sorted(path.name for path in folder.iterdir())
    assert len(kept) == 2 and all(name.endswith(".code") for name in kept)  # one for each kind of arguments
    # nothing is compiled, nothing said, and the compiler is not even loaded
    assert run(tmp_path, HOME=str(tmp_path)) == [f"(3, 2.25, True) {folder}", "3.0", "False"]
    for path in folder.iterdir():
        path.write_bytes(path.read_bytes()[:-1])
    assert run(tmp_path, HOME=str(tmp_path)) == first
    given = run(tmp_path, HOME=str(tmp_path), NUMBA_CACHE_DIR=str(tmp_path / "given"))
    assert given[1] == f"(3, 2.25, True) {tmp_path / 'given' / source_key()}"


@needs_compiler
@pytest.mark.parametrize("home", ["/proc/nobody", "relative"])
def test_where_nothing_can_be_written_nothing_is_kept_and_all_works(tmp_path: Path, home: str) -> None:
    assert run(tmp_path, HOME=home) == [
        f"notice: {compile_notice.EVERY}",
        "(3, 2.25, True) None",
        "3.0",
        "True",
    ]
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


ODD = """
import sys
import numpy as np
from twinlapse.jit import kernel

@kernel
def divided(a, b):
    return a // b

@kernel
def made(count):
    return np.zeros(count).sum()

print(divided(7, 2), divided(np.uint8(9), True))
try:
    divided(1, 0)
except ZeroDivisionError as error:
    print(error)
if sys.argv[1:] == ["make"]:
    made(3)
"""


@needs_compiler
def test_a_loop_raises_what_it_raised_when_it_was_compiled(tmp_path: Path) -> None:
    script = tmp_path / "odd.py"
    script.write_text(ODD)
    environment = {"PATH": "/usr/bin:/bin", "HOME": str(tmp_path)}
    for _ in range(2):  # compiled, then kept
        done = subprocess.run([sys.executable, script], capture_output=True, text=True, env=environment)
        assert (done.stdout.splitlines(), done.stderr) == (["3 9", "integer division by zero"], "")
    made = subprocess.run([sys.executable, script, "make"], capture_output=True, text=True, env=environment)
    assert made.returncode == 1 and "np.zeros(count)" in made.stderr  # a kernel gets its arrays from outside


@needs_compiler
@pytest.mark.skipif(not machine_code.is_possible(), reason="no loops are kept as objects here")
def test_the_types_of_arguments_are_told_apart() -> None:
    table = np.zeros((4, 6))
    fixed = np.zeros(3)
    fixed.flags.writeable = False
    values = [
        1, 1.0, np.float32(1), np.uint8(1), table, table.T, table[:, ::2], table[0], fixed,
        table.astype(np.float32), table.astype(">f8"), np.zeros(3, "O"), "text", None, (1, 2),
    ]  # fmt: skip
    codes = [machine_code.type_code(value) for value in values]
    assert codes[-5:] == [None] * 5
    assert len(set(codes[:-5])) == len(codes) - 5
    assert machine_code.type_code(True) == machine_code.type_code(np.bool_(1))
    assert machine_code.type_code(1) == machine_code.type_code(np.int64(1))


@needs_compiler
@pytest.mark.skipif(not machine_code.is_possible(), reason="no loops are kept as objects here")
def test_without_objects_the_compilers_own_cache_serves(tmp_path: Path) -> None:
    script = tmp_path / "other.py"
    script.write_text(
        "from twinlapse import machine_code\nmachine_code.is_possible = lambda: False\n" + SMALL
    )
    environment = {"PATH": "/usr/bin:/bin", "HOME": str(tmp_path)}
    outputs = [
        subprocess.run(
            [sys.executable, script], capture_output=True, text=True, env=environment
        ).stdout.splitlines()
        for _ in range(2)
    ]
    assert outputs[0][0].startswith("notice:") and outputs[0][1:] == outputs[1]
    assert outputs[1][1:] == ["3.0", "True"]


def test_loops_are_counted_while_they_are_compiled_for_somebody() -> None:
    heard: list[int] = []
    compile_notice.give(kept=True)  # nobody has asked yet
    with compile_notice.counted(heard.append):
        compile_notice.give(kept=True)
        compile_notice.give(kept=False)
    compile_notice.give(kept=True)
    assert len(heard) == 2 and heard[1] == heard[0] + 1
