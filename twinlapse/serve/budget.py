"""Room on the disk: which finished jobs would go first, and only beyond the budget."""

from __future__ import annotations

import time
from collections.abc import Mapping, Sequence
from pathlib import Path

from twinlapse.serve.workspace import JobRecord

__all__ = ["JobSizes", "jobs_to_delete", "size_of"]

_AGAIN_S = 300.0  # what nobody works on hardly changes (common practice, no source)


def size_of(folder: Path) -> int:
    """Return the bytes of all files below a folder."""
    return sum(path.lstat().st_size for path in folder.rglob("*") if path.is_file() or path.is_symlink())


class JobSizes:
    """The bytes of job folders, each walked when its job has changed, and every few minutes.

    Parameters
    ----------
    jobs : Path
        The folder of the job folders.
    """

    def __init__(self, jobs: Path) -> None:
        self._jobs = jobs
        self._known: dict[str, tuple[tuple[str, float, int], float, int]] = {}

    def of(self, records: Sequence[JobRecord]) -> dict[str, int]:
        """Return the bytes of the folders of all jobs, by code."""
        now_s = time.monotonic()
        self._known = {record.code: self._size(record, now_s) for record in records}
        return {code: size for code, (_, _, size) in self._known.items()}

    def _size(self, record: JobRecord, now_s: float) -> tuple[tuple[str, float, int], float, int]:
        folder = self._jobs / record.code
        try:
            changed = folder.stat().st_mtime_ns
        except OSError:
            changed = 0
        mark = (record.state, record.printed_s, changed)  # a film or plan is put into the folder by a rename
        known = self._known.get(record.code)
        if known is not None and known[0] == mark and now_s - known[1] < _AGAIN_S:
            return known
        return mark, now_s, size_of(folder)


def jobs_to_delete(
    records: Sequence[JobRecord], sizes: Mapping[str, int], budget_bytes: int
) -> list[JobRecord]:
    """Return the jobs that go when room is made: the oldest finished ones, until the rest is in the budget.

    Parameters
    ----------
    records : sequence of JobRecord
    sizes : mapping
        Code of a job to its bytes.
    budget_bytes : int
        0: nothing ever goes.
    """
    total = sum(sizes.values())
    if budget_bytes <= 0 or total <= budget_bytes:
        return []
    going = []
    for record in sorted(records, key=lambda record: max(record.came_s, record.printed_s)):
        if total <= budget_bytes:
            break
        if record.state in ("done", "failed"):
            going.append(record)
            total -= sizes.get(record.code, 0)
    return going
