"""A file that is sliced and searched piece by piece answers as its bytes do."""

from __future__ import annotations

import random
from pathlib import Path

import pytest

from twinlapse import buffered_bytes
from twinlapse.buffered_bytes import file_bytes
from twinlapse.errors import FileProblemError


@pytest.mark.parametrize("step", [8, 64, 1_048_576])
def test_answers_are_those_of_bytes(step: int, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(buffered_bytes, "_STEP_BYTES", step)
    rng = random.Random(5)
    data = bytes(rng.choice(b"ab\n;") for _ in range(1000))
    path = tmp_path / "some"
    path.write_bytes(data)
    with file_bytes(path, "file") as view:
        assert len(view) == 1000
        for _ in range(500):
            start, stop = sorted(rng.sample(range(1001), 2))
            what = bytes(rng.choice(b"ab\n;") for _ in range(rng.randint(1, 6)))
            assert view[start:stop] == data[start:stop]
            assert view.find(what, start) == data.find(what, start)
            assert view.find(what, start, stop) == data.find(what, start, stop)
            assert view.rfind(what, start, stop) == data.rfind(what, start, stop)
            assert view.count_lines(start, stop) == data[start:stop].count(b"\n")


def test_a_missing_file_is_one_clear_line(tmp_path: Path) -> None:
    with pytest.raises(FileProblemError, match="no such plan"), file_bytes(tmp_path / "none", "plan"):
        pass
