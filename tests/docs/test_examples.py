"""The examples of README and docs do what the pages say; see docs/run_examples.py for the marks."""

from __future__ import annotations

import importlib.util
import re
import shutil
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest

ROOT = Path(__file__).parents[2]


def _load() -> Any:
    spec = importlib.util.spec_from_file_location("run_examples", ROOT / "docs" / "run_examples.py")
    assert spec is not None and spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    sys.modules["run_examples"] = module  # dataclasses look their module up
    spec.loader.exec_module(module)
    return module


docs = _load()
SERVED = {"served", *(f"served by {name}" for name in docs.channels())}


def _runs(page: Path, *, slow: bool) -> list[object]:
    """Return the blocks of a page that run: in the fast suite those above the first slow one, none served."""
    run = [
        one
        for one in docs.examples(page)
        if one.kind in docs.RUN and not one.skipped and one.mark != "install"
    ]
    first_slow = next((n for n, one in enumerate(run) if one.mark == "slow"), len(run))
    if slow:
        return run if first_slow < len(run) or any(one.is_served for one in run) else []
    return [one for one in run[:first_slow] if not one.is_served]


@pytest.mark.parametrize("page", docs.PAGES, ids=lambda page: page.name)
def test_every_block_says_what_it_is(page: Path) -> None:
    for one in docs.examples(page):
        assert one.kind in (*docs.RUN, *docs.NOT_RUN), f"{one}: name the block's language"
        assert one.mark in ("", "slow", "install") or one.mark in SERVED or one.skipped, (
            f"{one}: {one.mark} is no mark, or has no reason"
        )
    assert len(re.findall(r"(?m)^ *```", page.read_text(encoding="utf-8"))) == 2 * len(docs.examples(page))


@pytest.mark.parametrize(
    "page", [page for page in docs.PAGES if _runs(page, slow=False)], ids=lambda page: page.name
)
def test_the_page_runs_as_printed(page: Path, tmp_path: Path) -> None:
    folder = docs.scratch(page, tmp_path)
    for one in _runs(page, slow=False):
        docs.run_example(one, folder)


@pytest.mark.slow
@pytest.mark.parametrize(
    "page", [page for page in docs.PAGES if _runs(page, slow=True)], ids=lambda page: page.name
)
def test_the_whole_page_runs_as_printed(page: Path, tmp_path: Path) -> None:
    folder = docs.scratch(page, tmp_path)
    for one in _runs(page, slow=True):
        docs.run_example(one, folder)


@pytest.mark.slow
@pytest.mark.parametrize(
    "one",
    [one for page in docs.PAGES for one in docs.examples(page) if one.mark == "install"],
    ids=str,
)
def test_installing_works_as_printed(one: object, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """In a copy of the source tree, with packages from the index; of the tests that a line runs, a few."""
    if shutil.which("git") is None or not (ROOT / ".git").exists():
        pytest.skip("needs a clone and git")
    subprocess.run(
        ["git", "clone", "--quiet", "--depth", "1", f"file://{ROOT}", str(tmp_path / "t")], check=True
    )
    monkeypatch.setenv("PYTEST_ADDOPTS", "tests/cli/test_reference.py tests/rig/test_schema.py")
    monkeypatch.delenv("VIRTUAL_ENV", raising=False)
    docs.run_example(one, tmp_path / "t")


def test_the_harness_sees_what_is_wrong(tmp_path: Path) -> None:
    page = tmp_path / "page.md"
    page.write_text("```console\n$ echo one \\\n  two\none two\n$ echo three\nfour\n```\n```sh\nfalse\n```\n")
    docs.ROOT = tmp_path
    try:
        first, second = docs.examples(page)
        assert list(docs.commands(first)) == [("echo one \\\n  two", "one two"), ("echo three", "four")]
        with pytest.raises(AssertionError, match="instead of"):
            docs.run_example(first, tmp_path)
        with pytest.raises(AssertionError, match="ended with 1"):
            docs.run_example(second, tmp_path)
    finally:
        docs.ROOT = ROOT
    assert docs.matches("a\nb\nc 1.2 s\n", "a\n...\nc ... s") and not docs.matches("a\nb", "a")
    with pytest.raises(ValueError, match="no such key"):
        docs.check_toml("[printer]\nbed_size = [1, 2]\n")
