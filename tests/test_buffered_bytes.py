"""Searching a file a megabyte at a time finds what a search of its bytes finds."""

from __future__ import annotations

import re
from pathlib import Path

import numpy as np
import pytest

from twinlapse import buffered_bytes
from twinlapse.buffered_bytes import file_bytes

WORDS = (b"; twin", b"M73", b"M", b"77", b"\n", b"MM7")


@pytest.mark.parametrize("step", [3, 7, 64, 1 << 20])
def test_places_are_those_of_a_plain_search(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, step: int
) -> None:
    """Words across the edge of a step count once; overlapping ones each."""
    monkeypatch.setattr(buffered_bytes, "_STEP_BYTES", step)
    letters = np.random.default_rng(step).choice(np.frombuffer(b"M73; twin\n", np.uint8), 2000)
    content = letters.tobytes() + b"M77; twinMM7M73"
    path = tmp_path / "file"
    path.write_bytes(content)
    with file_bytes(path, "file") as view:
        found = view.places_of(*WORDS)
        lines = [view.count_lines(a, b) for a, b in ((0, len(content)), (11, 400), (5, 5))]
    for word, places in zip(WORDS, found, strict=True):
        expected = [match.start() for match in re.finditer(b"(?=" + re.escape(word) + b")", content)]
        assert places.tolist() == expected
        assert expected  # else nothing was compared
    assert lines == [content.count(b"\n"), content.count(b"\n", 11, 400), 0]


def test_nothing_is_found_in_a_file_shorter_than_a_word(tmp_path: Path) -> None:
    """Nor is it an error."""
    for content in (b"M", b"M7\n"):
        (tmp_path / "file").write_bytes(content)
        with file_bytes(tmp_path / "file", "file") as view:
            assert [len(places) for places in view.places_of(b"M73", b"; twinlapse ")] == [0, 0]
