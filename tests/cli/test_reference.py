"""The command reference says what the commands say."""

from __future__ import annotations

import importlib.util
import re
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]


def test_reference_is_what_the_commands_say() -> None:
    spec = importlib.util.spec_from_file_location("write_commands", ROOT / "docs" / "write_commands.py")
    assert spec is not None and spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    written = (ROOT / "docs" / "commands.md").read_text(encoding="utf-8")
    assert written == module.reference(), "run 'python docs/write_commands.py'"


@pytest.mark.parametrize(
    "page", sorted([*ROOT.glob("*.md"), *ROOT.glob("docs/*.md")]), ids=lambda page: page.name
)
def test_links_lead_to_files(page: Path) -> None:
    for target in re.findall(r"\]\(([^)#\s]+)", page.read_text(encoding="utf-8")):
        if "://" not in target:
            assert (page.parent / target).exists(), f"{page.name} links to {target}"
