#!/usr/bin/env python3
"""Put the list of changes in order after merges: each kind once, in a fixed order, every entry below a kind.

Entries that stand below no kind count as added. ``CHANGELOG.md`` is merged by union: two changes never
conflict; this is what it costs.
"""

from __future__ import annotations

import re
from pathlib import Path

PAGE = Path(__file__).parents[1] / "CHANGELOG.md"
KINDS = ("Removed", "Deprecated", "Changed", "Added", "Fixed")


def tidy(page: str) -> str:
    """Return the page in order."""
    head, *versions = re.split(r"(?m)^## ", page)
    return head.rstrip() + "\n" + "".join(f"\n## {_tidy_version(version)}" for version in versions)


def _tidy_version(text: str) -> str:
    title, _, body = text.partition("\n")
    entries: dict[str, list[str]] = {kind: [] for kind in KINDS}
    kind = "Added"
    for line in body.splitlines():
        if found := re.fullmatch(r"### (\w+)", line.strip()):
            kind = found[1]
        elif line.startswith("- "):
            entries[kind].append(line)
        elif line.strip():
            entries[kind][-1] += "\n" + line.rstrip()
    parts = [
        f"\n### {kind}\n\n" + "\n".join(dict.fromkeys(lines)) + "\n"
        for kind, lines in entries.items()
        if lines
    ]
    return title + "\n" + "".join(parts)


if __name__ == "__main__":
    PAGE.write_text(tidy(PAGE.read_text(encoding="utf-8")), encoding="utf-8")
