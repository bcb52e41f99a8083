"""What all tests share: real sliced files, and facts about them worked out independently."""

from __future__ import annotations

import json
import tarfile
from pathlib import Path
from typing import Any

import pytest

DATA = Path(__file__).parent / "data"
TRUTH: dict[str, dict[str, Any]] = json.loads((DATA / "TRUTH.json").read_text())
SLICED = sorted(TRUTH)


@pytest.fixture(scope="session")
def sliced_folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with the 15 sliced files."""
    folder = tmp_path_factory.mktemp("sliced")
    with tarfile.open(DATA / "sliced.tar.xz") as archive:
        archive.extractall(folder, filter="data")
    return folder


@pytest.fixture(params=SLICED)
def sliced(request: pytest.FixtureRequest, sliced_folder: Path) -> Path:
    """Each of the 15 sliced files in turn."""
    return sliced_folder / request.param


@pytest.fixture(scope="session")
def truth() -> dict[str, dict[str, Any]]:
    """Facts about the sliced files, by file name."""
    return TRUTH
