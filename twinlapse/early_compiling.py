"""Compile loops in a process beside, while those that are needed first are compiled and run here.

A thread would not do: the compiler is Python. `early_loops.txt` lists loops with the types of their
arguments; `python docs/write_early_loops.py` writes it. A line too many or too few does no harm: who calls a
loop that is not kept compiles it.
"""

from __future__ import annotations

import subprocess
import sys
from collections.abc import Callable
from importlib import import_module
from pathlib import Path

from twinlapse import machine_code
from twinlapse.jit import COMPILED, Kernel, cache_folder

__all__ = ["LIST", "begin_compiling", "compile_loops"]

LIST = Path(__file__).with_name("early_loops.txt")


def begin_compiling() -> Callable[[], None]:
    """Start to compile where no loop is kept yet; return a function that waits for the end."""
    folder = cache_folder() if COMPILED and machine_code.is_possible() else None
    if folder is None or any(folder.glob("*.code")):
        return lambda: None
    null, own = subprocess.DEVNULL, [sys.executable, "-m", __name__]
    process = subprocess.Popen(own, stdin=null, stdout=null, stderr=null)  # noqa: S603

    def wait() -> None:
        process.wait()

    return wait


def compile_loops(lines: list[str]) -> None:
    """Compile the loops of some lines: module and name, then a code for each argument (`machine_code`)."""
    for line in lines:
        name, *codes = line.split()
        module, _, function = name.rpartition(".")
        loop = getattr(import_module(f"twinlapse.{module}"), function)
        if isinstance(loop, Kernel):
            loop.prepare(*map(machine_code.example_of, codes))


if __name__ == "__main__":
    compile_loops(LIST.read_text(encoding="utf-8").splitlines())
