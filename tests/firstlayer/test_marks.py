"""Yes and no by the maker: kept with the job, counted over jobs, and a limit by the stated rule."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from twinlapse.errors import JobError
from twinlapse.firstlayer.classify import Defect
from twinlapse.firstlayer.marks import (
    FEWEST_MARKS,
    Mark,
    kept_by_marks,
    marked,
    read_marks,
    tally_of,
    write_marks,
)


def _defect(number: int, confidence: float, kind: Any = "blob") -> Defect:
    return Defect(
        number=number,
        kind=kind,
        grade="clear",
        at_mm=(float(number), 2.0),
        box_mm=(0.0, 0.0, 1.0, 1.0),
        length_mm=1.0,
        width_mm=1.0,
        file_line=7,
        confidence=confidence,
    )


def _mark(confidence: float, real: bool) -> Mark:
    return Mark(layer=0, kind="blob", at_mm=(confidence, 0.0), confidence=confidence, real=real)


def test_marks_stay_with_the_job_and_the_newest_counts(tmp_path: Path) -> None:
    job = tmp_path / "job"
    job.mkdir()
    defects = [_defect(1, 0.6), _defect(2, 0.9)]
    assert read_marks(job) == ()
    write_marks(job, marked((), defects, 0, [1, 2], []))
    write_marks(job, marked(read_marks(job), defects, 0, [], [1]))
    assert {mark.confidence: mark.real for mark in read_marks(job)} == {0.6: False, 0.9: True}
    with pytest.raises(JobError, match="no finding 5"):
        marked((), defects, 0, [5], [])
    with pytest.raises(JobError, match="both"):
        marked((), defects, 0, [1], [1])
    (job / "first-layer-marks.json").write_text('{"schema": "x"}')
    with pytest.raises(JobError, match="marks"):
        read_marks(job)


def test_the_limit_follows_the_rule_over_all_jobs_beside(tmp_path: Path) -> None:
    """Counted by hand: sure ones real, unsure ones not; 95 % from 0.8 on."""
    for name, marks in (
        ("one", [_mark(0.8 + 0.01 * k, True) for k in range(15)]),
        ("two", [_mark(0.3 + 0.01 * k, False) for k in range(10)]),
    ):
        (tmp_path / name).mkdir()
        write_marks(tmp_path / name, marks)
    (tally,) = tally_of(tmp_path / "one")
    assert (tally.real, tally.marks) == (15, 25)
    assert tally.least_confidence == pytest.approx(0.8)
    kept = kept_by_marks([_defect(1, 0.5), _defect(2, 0.85), _defect(3, 0.1, "missing object")], [tally])
    assert [defect.number for defect in kept] == [2, 3]


def test_few_marks_set_no_limit(tmp_path: Path) -> None:
    (tmp_path / "one").mkdir()
    write_marks(tmp_path / "one", [_mark(0.01 * k, False) for k in range(FEWEST_MARKS - 1)])
    (tally,) = tally_of(tmp_path / "one")
    assert tally.least_confidence is None
    assert len(kept_by_marks([_defect(1, 0.1)], [tally])) == 1
