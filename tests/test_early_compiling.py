"""Loops that are compiled beside: those that a demo calls, for the arguments it calls them with."""

from __future__ import annotations

import os
import runpy
import subprocess
import sys
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from twinlapse import early_compiling, jit, machine_code

ROOT = Path(__file__).parent.parent
needs_compiler = pytest.mark.skipif(
    not jit.COMPILED or not machine_code.is_possible(), reason="no machine code is kept here"
)


@needs_compiler
def test_the_list_is_what_a_demo_calls() -> None:
    """Else a cold demo waits for what is missing: run ``python docs/write_early_loops.py``."""
    called = runpy.run_path(str(ROOT / "docs" / "write_early_loops.py"))["called_loops"]()
    assert early_compiling.LIST.read_text(encoding="utf-8").splitlines() == called


@pytest.mark.parametrize(
    "value",
    [
        3,
        2.5,
        True,
        np.float32(1),
        np.zeros(3),
        np.zeros((2, 3), np.uint8),
        np.zeros((2, 3), order="F"),
        np.zeros((5, 6, 3), np.float32)[:, ::2],
        np.frombuffer(b"read-only", np.uint8),
    ],
)
def test_an_example_has_the_type_of_its_code(value: Any) -> None:
    code = machine_code.type_code(value)
    assert code is not None
    assert machine_code.type_code(machine_code.example_of(code)) == code


@needs_compiler
def test_what_was_compiled_beside_is_found(tmp_path: Path) -> None:
    line = next(
        line for line in early_compiling.LIST.read_text(encoding="utf-8").splitlines() if "displaced" in line
    )
    code = (
        "import sys, numpy as np\n"
        "from twinlapse.early_compiling import compile_loops\n"
        f"sys.argv[1:] or compile_loops([{line!r}])\n"
        "from twinlapse.rehearsal.render_kernels import displaced\n"
        "picture = np.zeros((4, 4, 3), np.float32)\n"
        "sys.argv[1:] and displaced(picture, picture.copy(), picture.copy())\n"
        "print('numba' in sys.modules)\n"
    )
    environment = {**os.environ, "NUMBA_CACHE_DIR": str(tmp_path)}
    told = [
        subprocess.run(
            [sys.executable, "-c", code, *more], env=environment, capture_output=True, text=True, check=True
        ).stdout
        for more in ([], ["call"])
    ]
    assert told == ["True\n", "False\n"]  # the first has compiled, the second had nothing to compile


def test_a_process_is_started_only_where_nothing_is_kept(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    started: list[list[str]] = []

    class Process:
        def __init__(self, command: list[str], **_: Any) -> None:
            started.append(command)

        def wait(self) -> int:
            started.append(["waited"])
            return 1  # it failed; nobody minds

    monkeypatch.setattr(subprocess, "Popen", Process)
    monkeypatch.setattr(early_compiling, "COMPILED", True)
    monkeypatch.setattr(machine_code, "is_possible", lambda: True)
    monkeypatch.setattr(early_compiling, "cache_folder", lambda: None)
    early_compiling.begin_compiling()()
    assert started == []  # nowhere to keep it
    monkeypatch.setattr(early_compiling, "cache_folder", lambda: tmp_path)
    early_compiling.begin_compiling()()
    assert started == [[sys.executable, "-m", "twinlapse.early_compiling"], ["waited"]]
    (tmp_path / "render_kernels.develop-439.0123.code").touch()
    early_compiling.begin_compiling()()
    assert len(started) == 2
