"""The command reference says what the commands say."""

from __future__ import annotations

import re
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]


def test_reference_is_what_the_commands_say() -> None:
    # in a process of its own: a command remembers the help option with which it was first shown
    script = str(ROOT / "docs" / "write_commands.py")
    page = f"import runpy; print(runpy.run_path({script!r})['reference'](), end='')"
    said = subprocess.run([sys.executable, "-c", page], capture_output=True, text=True, check=True).stdout
    written = (ROOT / "docs" / "commands.md").read_text(encoding="utf-8")
    assert written == said, "run 'python docs/write_commands.py'"


@pytest.mark.parametrize(
    "page", sorted([*ROOT.glob("*.md"), *ROOT.glob("docs/*.md")]), ids=lambda page: page.name
)
def test_links_lead_to_files(page: Path) -> None:
    for target in re.findall(r"\]\(([^)#\s]+)", page.read_text(encoding="utf-8")):
        if "://" not in target:
            assert (page.parent / target).exists(), f"{page.name} links to {target}"
