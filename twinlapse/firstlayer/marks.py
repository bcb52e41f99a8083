"""What the maker said of the findings: kept with each job, counted over all jobs beside it.

The rule by which marks set a limit: of each kind of finding, once `FEWEST_MARKS` were marked, findings less
sure than the least confidence from which on `REAL_SHARE` of the marked ones were real are left out.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

from twinlapse.errors import JobError, TwinlapseError
from twinlapse.files import read_json, write_json
from twinlapse.firstlayer.classify import Defect

__all__ = [
    "FEWEST_MARKS",
    "MARKS_FILE",
    "REAL_SHARE",
    "Mark",
    "Tally",
    "kept_by_marks",
    "marked",
    "read_marks",
    "tally_of",
    "without_refuted",
    "write_marks",
]

MARKS_FILE = "first-layer-marks.json"
_SCHEMA = "twinlapse.marks/1"
FEWEST_MARKS = 20  # of a kind, before they set a limit: fewer say little about a share of 95 %
REAL_SHARE = 0.95


@dataclass(frozen=True, slots=True, kw_only=True)
class Mark:
    """One finding and whether it was real."""

    layer: int  # from 0
    kind: str
    at_mm: tuple[float, float]
    confidence: float
    real: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class Tally:
    """How often findings of one kind were real on this machine."""

    kind: str
    real: int
    marks: int
    least_confidence: float | None  # below which findings are left out; None: too few marks, or no need


def read_marks(folder: Path) -> tuple[Mark, ...]:
    """Return the marks of a job folder, none where it has none.

    Raises
    ------
    JobError
        when the file is not what `write_marks` wrote.
    """
    path = folder / MARKS_FILE
    if not path.exists():
        return ()
    value = read_json(path, "marks")
    try:
        if value["schema"] != _SCHEMA:
            raise KeyError("schema")
        return tuple(Mark(**{**mark, "at_mm": tuple(mark["at_mm"])}) for mark in value["marks"])
    except (KeyError, TypeError) as error:
        raise JobError(
            f"a field of the marks is missing or wrong: {error}", "delete the file and mark again", path=path
        ) from None


def write_marks(folder: Path, marks: Iterable[Mark]) -> None:
    """Write the marks of a job folder, whole or not at all."""
    rows: list[dict[str, Any]] = [asdict(mark) for mark in marks]
    write_json(folder / MARKS_FILE, {"schema": _SCHEMA, "marks": rows})


def marked(
    before: Sequence[Mark],
    defects: Sequence[Defect],
    layer: int,
    real: Iterable[int],
    not_real: Iterable[int],
) -> tuple[Mark, ...]:
    """Return marks with those of some findings, by their numbers, added or replaced.

    Raises
    ------
    JobError
        when there is no finding of that number, or it is said to be both.
    """
    answers = {**dict.fromkeys(real, True)}
    for number in not_real:
        if number in answers:
            raise JobError(f"finding {number} cannot be both real and not real", "name it once")
        answers[number] = False
    known = {defect.number: defect for defect in defects}
    fresh = []
    for number, is_real in answers.items():
        if number not in known:
            raise JobError(f"there is no finding {number}", f"the report has {len(known)}")
        defect = known[number]
        fresh.append(
            Mark(
                layer=layer,
                kind=defect.kind,
                at_mm=defect.at_mm,
                confidence=defect.confidence,
                real=is_real,
            )
        )
    places = {(mark.layer, mark.kind, mark.at_mm) for mark in fresh}
    return (*(mark for mark in before if (mark.layer, mark.kind, mark.at_mm) not in places), *fresh)


def tally_of(folder: Path) -> list[Tally]:
    """Return how often findings were real, by kind, over a job folder and those beside it."""
    marks: list[Mark] = []
    for path in sorted(folder.resolve().parent.glob(f"*/{MARKS_FILE}")):
        try:
            marks += read_marks(path.parent)
        except TwinlapseError:
            continue  # another job's broken file does not stop this one
    kinds = sorted({mark.kind for mark in marks})
    return [_tally(kind, [mark for mark in marks if mark.kind == kind]) for kind in kinds]


def _tally(kind: str, marks: Sequence[Mark]) -> Tally:
    real = sum(mark.real for mark in marks)
    least: float | None = None
    if len(marks) >= FEWEST_MARKS and real < REAL_SHARE * len(marks):
        ranked = sorted(marks, key=lambda mark: -mark.confidence)
        hits = 0
        least = 1.01  # nothing of this kind is sure enough
        for count, mark in enumerate(ranked, 1):
            hits += mark.real
            if hits >= REAL_SHARE * count:
                least = mark.confidence
    return Tally(kind=kind, real=real, marks=len(marks), least_confidence=least)


def kept_by_marks(defects: Sequence[Defect], tallies: Sequence[Tally]) -> tuple[Defect, ...]:
    """Return the findings that the marks leave; an object that is not there is never left out."""
    least = {tally.kind: tally.least_confidence for tally in tallies}
    return tuple(
        defect
        for defect in defects
        if defect.kind == "missing object" or defect.confidence >= (least.get(defect.kind) or 0.0)
    )


def without_refuted(defects: Sequence[Defect], marks: Sequence[Mark], layer: int) -> tuple[Defect, ...]:
    """Return the findings of a layer without those that were marked as not real."""
    refuted = {(mark.kind, mark.at_mm) for mark in marks if mark.layer == layer and not mark.real}
    return tuple(defect for defect in defects if (defect.kind, defect.at_mm) not in refuted)
