"""Makes the firmware available to the tests of this folder, or skips them and says why."""

from __future__ import annotations

import sys
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parent))


@pytest.fixture(scope="session")
def firmware() -> None:
    """Build the firmware once."""
    from klipper_oracle import CannotBuildError, build

    try:
        build()
    except CannotBuildError as error:
        pytest.skip(f"no firmware to run files with: {error}")
