"""Room on the disk: which finished jobs would go first, and only beyond the budget."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path

from twinlapse.serve.workspace import JobRecord

__all__ = ["jobs_to_delete", "size_of"]


def size_of(folder: Path) -> int:
    """Return the bytes of all files below a folder."""
    return sum(path.lstat().st_size for path in folder.rglob("*") if path.is_file() or path.is_symlink())


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
