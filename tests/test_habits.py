"""What keeps the project in order: the list of changes, the history of the benches, names that go."""

from __future__ import annotations

import ast
import importlib.util
import re
import subprocess
import sys
import tomllib
import warnings
from pathlib import Path
from typing import Any

import pytest

import twinlapse
from twinlapse import deprecation

ROOT = Path(__file__).parents[1]
TEXT_MODES = ("r", "w", "a", "x", "r+", "w+")
CHANGELOG = (ROOT / "CHANGELOG.md").read_text(encoding="utf-8")


def test_the_list_of_changes_has_its_form() -> None:
    """Headings: Unreleased first, then versions going down, each with its date; entries below four kinds."""
    headings = re.findall(r"(?m)^## (.+)$", CHANGELOG)
    assert headings[0] == "Unreleased"
    versions = [re.fullmatch(r"(\d+)\.(\d+)\.(\d+) - \d{4}-\d\d-\d\d", heading) for heading in headings[1:]]
    assert all(versions), "write: ## 1.2.3 - 2026-01-31"
    numbers = [tuple(map(int, found.groups())) for found in versions if found]
    assert numbers == sorted(numbers, reverse=True)
    assert set(re.findall(r"(?m)^### (.+)$", CHANGELOG)) <= {
        "Changed",
        "Added",
        "Fixed",
        "Removed",
        "Deprecated",
    }
    assert not re.search(r"(?m)^(<<<<<<<|=======|>>>>>>>)", CHANGELOG)
    for section in re.split(r"(?m)^## ", CHANGELOG)[1:]:
        kinds = re.findall(r"(?m)^### (.+)$", section)
        assert not re.search(r"(?m)^- ", section.partition("\n### ")[0]), "run python docs/tidy_changes.py"
        assert len(kinds) == len(set(kinds)), "run python docs/tidy_changes.py"


def test_the_version_stands_once() -> None:
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    assert "version" not in project and "version" in project["dynamic"]
    released = re.findall(r"(?m)^## (\d+\.\d+\.\d+) -", CHANGELOG)
    assert all(_numbers(version) <= _numbers(twinlapse.__version__) for version in released)


def test_a_name_that_goes_warns_and_says_what_to_use() -> None:
    names = {"old": deprecation.Renamed(new="new", since="0.1")}
    module: dict[str, Any] = {"new": 7, "__name__": "garden"}
    with pytest.warns(
        DeprecationWarning, match=r"garden\.old is called garden\.new since 0\.1 and goes in 0\.2"
    ):
        assert deprecation.renamed(module, names, "old") == 7
    with pytest.raises(AttributeError, match="no attribute 'weed'"), warnings.catch_warnings():
        deprecation.renamed(module, names, "weed")


def test_messages_name_no_file_of_the_source_tree() -> None:
    """Whoever installed the wheel has no docs/: an error says what to do instead of where to read."""
    found = []
    for path in (ROOT / "twinlapse").rglob("*.py"):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.Call) and getattr(node.func, "id", "").endswith("Error"):
                texts = [arg.value for arg in ast.walk(node) if isinstance(arg, ast.Constant)]
                found += [
                    f"{path.name}: {text}" for text in texts if isinstance(text, str) and "docs/" in text
                ]
    assert not found


def test_text_files_name_their_encoding() -> None:
    """On Windows the default is not UTF-8."""
    found = []
    for path in (ROOT / "twinlapse").rglob("*.py"):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if not isinstance(node, ast.Call) or any(word.arg == "encoding" for word in node.keywords):
                continue
            name = getattr(node.func, "attr", getattr(node.func, "id", ""))
            method = isinstance(node.func, ast.Attribute)
            modes = [
                arg.value for arg in node.args if isinstance(arg, ast.Constant) and arg.value in TEXT_MODES
            ]
            if (
                (method and name == "read_text" and not node.args)
                or (method and name == "write_text" and len(node.args) < 2)
                or (name in ("open", "fdopen") and modes)
                or (name == "open" and method and not node.args)
            ):
                found.append(f"{path.name}:{node.lineno}")
    assert not found


def test_every_module_says_what_it_offers() -> None:
    script = str(ROOT / ".ci" / "exports.py")
    done = subprocess.run([sys.executable, script, "--check"], capture_output=True, text=True, check=False)
    assert done.returncode == 0, f"run 'python .ci/exports.py && ruff check --fix': {done.stderr}"


def test_every_private_name_of_a_module_is_used_in_it() -> None:
    for path in sorted((ROOT / "twinlapse").rglob("*.py")):
        text = path.read_text(encoding="utf-8")
        unused = [
            name for name in _private_names(ast.parse(text)) if len(re.findall(rf"\b{name}\b", text)) < 2
        ]
        assert not unused, f"{path.relative_to(ROOT)} does not use {', '.join(unused)}"


def _private_names(module: ast.Module) -> list[str]:
    """Return the names of functions, classes and constants that begin with one underscore."""
    names = []
    for node in module.body:
        if isinstance(node, ast.FunctionDef | ast.ClassDef):
            names.append(node.name)
        elif isinstance(node, ast.Assign) and all(isinstance(target, ast.Name) for target in node.targets):
            names += [target.id for target in node.targets if isinstance(target, ast.Name)]
    return [name for name in names if re.match("_[^_]", name)]


def test_no_deprecated_name_outlives_its_version() -> None:
    """A name is kept for one minor version: what was renamed in 0.1 is gone in 0.2."""
    now = _numbers(twinlapse.__version__)[:2]
    for path in (ROOT / "twinlapse").rglob("*.py"):
        for since in re.findall(r"Renamed\(.*?since=\"(\d+\.\d+)\"", path.read_text(encoding="utf-8"), re.S):
            major, minor = map(int, since.split("."))
            assert now <= (major, minor), f"{path.name}: a name renamed in {since} is still there"


def test_the_history_of_the_benches_can_be_read_and_drawn(tmp_path: Path) -> None:
    spec = importlib.util.spec_from_file_location("history", ROOT / "tests" / "bench" / "history.py")
    assert spec is not None and spec.loader is not None
    history = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(history)
    assert all({"bench", "at", "commit", "load", "values"} <= set(run) for run in history.read())
    for ratio in (1.5, 1.4):
        history.record("seedlings", {"pot_ratio": ratio}, tmp_path / "runs.jsonl")
    runs = history.read(tmp_path / "runs.jsonl")
    assert [run["values"]["pot_ratio"] for run in runs] == [1.5, 1.4]
    history.draw(runs, tmp_path / "runs.png")
    assert (tmp_path / "runs.png").read_bytes().startswith(b"\x89PNG")


def _numbers(version: str) -> tuple[int, ...]:
    return tuple(int(number) for number in re.findall(r"\d+", version)[:3])
