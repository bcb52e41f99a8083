#!/usr/bin/env python3
"""Fill the tables of ``rig.md`` from the declarations of the keys."""

from __future__ import annotations

from pathlib import Path

from twinlapse.rig.reference import with_tables

PAGE = Path(__file__).parent / "rig.md"

if __name__ == "__main__":
    PAGE.write_text(with_tables(PAGE.read_text(encoding="utf-8")), encoding="utf-8")
