#!/usr/bin/env python3
"""Run the examples of the pages as they are printed; with ``--write``, put what they print into the pages.

Names of pages, such as ``planning.md``, limit it to them.

A fenced block says by its language what it is:

    sh        commands, run one after the other in the page's scratch folder
    console   commands behind ``$ ``, each followed by what it prints; ``...`` stands for any lines
    python    a script
    toml      a piece of a rig file: its keys and values must be valid
    json, gcode, text, powershell    not run, nor the directives of the docs site

The scratch folder of a page holds the sample print, ``pot.gcode`` and ``rig.toml``. A comment on the line
above a block changes what is done with it:

    <!-- example: slow -->                    run with the slow tests; the blocks below it on the page, too
    <!-- example: served -->                  run with the slow tests while a service runs
    <!-- example: served by log -->           and its printer, heard this way, says a line (stand_ins.py);
                                              the service is at http://board.local:8137
    <!-- example: install -->                 run in a copy of the source tree, with the slow tests
    <!-- example: not run, needs a camera --> not run, for the reason given
"""

from __future__ import annotations

import contextlib
import fnmatch
import functools
import importlib.util
import io
import os
import re
import shlex
import subprocess
import sys
import tempfile
import textwrap
import tomllib
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

ROOT = Path(__file__).parents[1]
PAGES = (
    ROOT / "README.md",
    ROOT / "DEVELOPERS.md",
    ROOT / "sample_jobs" / "README.md",
    *sorted((ROOT / "docs").glob("*.md")),
)
RUN = ("sh", "console", "python", "toml")
SERVED = "http://board.local:8137"  # where the pages say that the service is
NOT_RUN = ("json", "gcode", "text", "powershell", "{toctree}", "{eval-rst}")
_BLOCK = re.compile(
    r"(?:^ *<!-- example: (?P<mark>[^\n]*?) -->\n+)?"
    r"^(?P<indent> *)```(?P<kind>[\w{}-]*)\n(?P<text>.*?)^(?P=indent)```",
    re.S | re.M,
)
_SHELL = re.compile(r"[|&;<>$`*]")


@dataclass(frozen=True, slots=True)
class Example:
    """One fenced block of a page."""

    page: Path
    line: int  # of its first line in the page, from 1
    kind: str
    text: str
    mark: str  # what the comment above it says

    @property
    def skipped(self) -> str:
        """Why it is not run; empty where it is."""
        return self.mark.removeprefix("not run").lstrip(", ") if self.mark.startswith("not run") else ""

    @property
    def is_served(self) -> bool:
        """Whether a service runs beside it; nothing below it depends on what it leaves behind."""
        return self.mark.startswith("served")

    def __str__(self) -> str:
        return f"{self.page.relative_to(ROOT)}:{self.line}"


def examples(page: Path) -> list[Example]:
    """Return the fenced blocks of a page, in their order."""
    text = page.read_text(encoding="utf-8")
    return [
        Example(
            page=page,
            line=text[: found.start("kind")].count("\n") + 1,
            kind=found["kind"],
            text=textwrap.dedent(found["text"]),
            mark=found["mark"] or "",
        )
        for found in _BLOCK.finditer(text)
    ]


def commands(example: Example) -> Iterator[tuple[str, str]]:
    """Yield each command of a block as printed, and what the block says that it prints."""
    prompt = "$ " if example.kind == "console" else ""
    command: list[str] = []
    printed: list[str] = []
    for line in example.text.splitlines():
        goes_on = bool(command) and command[-1].endswith("\\")
        if goes_on:
            command.append(line)
        elif line.startswith(prompt) and (line.strip() or not prompt):
            if command:
                yield "\n".join(command), "\n".join(printed)
            command, printed = [line.removeprefix(prompt)], []
        else:
            printed.append(line)
    if command:
        yield "\n".join(command), "\n".join(printed)


def run_command(command: str, folder: Path) -> tuple[int, str]:
    """Run one command in a folder; return its exit status and what it printed.

    A plain ``twinlapse`` command runs in this process, which spares loading the compiler; all others in bash.
    """
    if command.startswith("twinlapse ") and not _SHELL.search(command.partition(" # ")[0]):
        return _run_here(shlex.split(command.replace("\\\n", " "), comments=True)[1:], folder)
    path = f"{Path(sys.executable).parent}{os.pathsep}{os.environ['PATH']}"
    done = subprocess.run(  # noqa: S603 - what our own pages say
        ["bash", "-euo", "pipefail", "-c", command],  # noqa: S607
        cwd=folder,
        env={**os.environ, "PATH": path},
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        text=True,
        check=False,
    )
    return done.returncode, done.stdout


def matches(printed: str, wanted: str) -> bool:
    """Return whether output is as a page prints it; a line ``...`` stands for any lines."""
    lines = [re.escape(line.rstrip()) for line in wanted.strip().splitlines()]
    pattern = "\n".join(
        ".*" if line == re.escape("...") else line.replace(re.escape("..."), ".*") for line in lines
    )
    got = "\n".join(line.rstrip() for line in printed.strip().splitlines())
    return bool(re.fullmatch(pattern, got, re.S)) or fnmatch.fnmatchcase(got, wanted.strip())


def run_example(example: Example, folder: Path) -> None:
    """Run one block.

    Raises
    ------
    AssertionError
        when a command fails, or prints something else than the page says.
    """
    if example.kind == "toml":
        check_toml(example.text)
        return
    if example.kind == "python":
        code, printed = run_command(
            f"{shlex.quote(sys.executable)} - <<'PYTHON'\n{example.text}PYTHON", folder
        )
        assert code == 0, f"{example}: {printed}"
        return
    with _service_of(example, folder) as address:
        _run_commands(example, folder, address)


def _service_of(example: Example, folder: Path) -> contextlib.AbstractContextManager[str]:
    if not example.is_served:
        return contextlib.nullcontext("")
    made: contextlib.AbstractContextManager[str] = _stand_ins().served(
        folder, example.mark.removeprefix("served").removeprefix(" by ")
    )
    return made


def channels() -> list[str]:
    """Return the ways in which a printer can be heard while an example runs."""
    return list(_stand_ins().CHANNELS)


@functools.cache
def _stand_ins() -> Any:
    spec = importlib.util.spec_from_file_location("stand_ins", Path(__file__).with_name("stand_ins.py"))
    assert spec is not None and spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


def _run_here_or_there(command: str, folder: Path, address: str) -> tuple[int, str]:
    """Run a command with the service's real address; return what it printed with the page's."""
    if not address:
        return run_command(command, folder)
    code, printed = run_command(command.replace(SERVED, address), folder)
    return code, printed.replace(address, SERVED)


def _run_commands(example: Example, folder: Path, address: str) -> None:
    for command, wanted in commands(example):
        code, printed = _run_here_or_there(command, folder, address)
        assert code == 0, f"{example}: {command}\nended with {code} and printed\n{printed}"
        if example.kind == "console":
            assert matches(printed, wanted), f"{example}: {command}\nprinted\n{printed}\ninstead of\n{wanted}"


def check_toml(text: str) -> None:
    """Read a piece of a rig file together with what every rig must have."""
    from twinlapse.rig import rig_from_mapping

    rig: dict[str, Any] = tomllib.loads(text)
    printer = {"bed_mm": [220, 220], "height_mm": 250} | rig.get("printer", {})
    cameras = [
        {"name": f"camera{number}", "mount": "toolhead" if number else "frame"} | camera
        for number, camera in enumerate(rig.get("camera", [{}]))
    ]
    rig_from_mapping({**rig, "printer": printer, "camera": cameras}, text=text)


def scratch(page: Path, folder: Path) -> Path:
    """Fill the scratch folder of a page: the sample print."""
    import twinlapse

    twinlapse.copy_sample(folder)
    return folder


def write(page: Path) -> None:
    """Run the console blocks of a page and put what they print into it; a ``...`` stays."""
    text = page.read_text(encoding="utf-8")
    with tempfile.TemporaryDirectory() as name:
        folder = scratch(page, Path(name))
        for example in examples(page):
            if example.kind not in RUN or example.skipped or example.mark == "install":
                continue
            if example.kind != "console":
                run_example(example, folder)
                continue
            parts = []
            with _service_of(example, folder) as address:
                for command, wanted in commands(example):
                    printed = _run_here_or_there(command, folder, address)[1].strip()
                    parts.append(f"$ {command}")
                    parts.extend(
                        ([wanted] if matches(printed, wanted) else [printed]) if wanted or printed else []
                    )
            text = text.replace(f"```console\n{example.text}```", "```console\n" + "\n".join(parts) + "\n```")
    page.write_text(text, encoding="utf-8")


def _run_here(words: list[str], folder: Path) -> tuple[int, str]:
    from twinlapse.cli import run

    before, said = Path.cwd(), io.StringIO()
    os.chdir(folder)
    try:
        with contextlib.redirect_stdout(said), contextlib.redirect_stderr(said):
            code = run(words)
    except SystemExit as end:
        code = int(end.code or 0)
    finally:
        os.chdir(before)
    return code, said.getvalue()


if __name__ == "__main__":
    named = [word for word in sys.argv[1:] if not word.startswith("-")]
    for page in [page for page in PAGES if not named or page.name in named]:
        if "--write" in sys.argv:
            write(page)
        else:
            with tempfile.TemporaryDirectory() as scratch_folder:
                place = scratch(page, Path(scratch_folder))
                for one in examples(page):
                    if one.kind in RUN and not one.skipped and one.mark != "install":
                        sys.stderr.write(f"{one}\n")
                        run_example(one, place)
