"""Every page has its place in the docs site."""

from __future__ import annotations

from pathlib import Path

DOCS = Path(__file__).resolve().parents[2] / "docs"


def test_every_page_is_in_the_sites_contents() -> None:
    index = (DOCS / "index.md").read_text("utf-8")
    contents = index.split("```{toctree}")[1].split("```")[0].split()
    pages = {path.stem for path in DOCS.glob("*.md")} - {"index"}
    assert pages == {name for name in contents if not name.startswith(":") and not name.isdigit()}
