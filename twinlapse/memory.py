"""What is free of this machine's memory, so that work which does not fit says so before it starts.

Known on Linux alone; elsewhere everything is taken to fit.
"""

from __future__ import annotations

import contextlib
from collections.abc import Iterator
from pathlib import Path

from twinlapse.errors import NoRoomError

__all__ = ["check_room", "free_bytes"]

# files of a memory group: its limit, what it uses, and which part of that the kernel takes back when needed
# (kernel documentation: cgroup-v2, "memory.max"; cgroup-v1/memory, "memory.limit_in_bytes")
_SECOND = ("memory.max", "memory.current", "inactive_file")
_FIRST = ("memory.limit_in_bytes", "memory.usage_in_bytes", "total_inactive_file")


def free_bytes(root: Path = Path("/")) -> int | None:
    """Return the memory that can still be had, swap included; None where the system does not tell.

    Parameters
    ----------
    root : Path
        Of a system's files, for tests.
    """
    try:
        known = _numbers(root / "proc" / "meminfo")
        free = 1024 * (known["MemAvailable:"] + known.get("SwapFree:", 0))  # proc(5)
    except (OSError, KeyError, ValueError):
        return None
    return min([free, *_left_in_groups(root)])


def check_room(needed_bytes: float, what: str, hint: str, *, free: int | None = None) -> None:
    """Raise where a piece of work needs more memory than is free.

    Parameters
    ----------
    needed_bytes : float
        The most that the process will hold, as it was measured for such work.
    what : str
        The work, as the beginning of a sentence.
    free : int, optional
        [default: what `free_bytes` says]

    Raises
    ------
    NoRoomError
    """
    free = free_bytes() if free is None else free
    if free is not None and needed_bytes > free:
        raise NoRoomError(
            f"{what} takes about {needed_bytes / 1e9:.1f} GB of memory, and {free / 1e9:.1f} GB are free",
            hint,
        )


def _numbers(path: Path) -> dict[str, int]:
    rows = (line.split() for line in path.read_text("ascii").splitlines())
    return {row[0]: int(row[1]) for row in rows if len(row) > 1 and row[1].isdigit()}


def _left_in_groups(root: Path) -> Iterator[int]:
    """Yield what the memory groups of this process leave it: its own and those around it."""
    try:
        lines = (root / "proc" / "self" / "cgroup").read_text("utf-8").splitlines()
    except OSError:
        return
    for line in lines:
        _, controllers, path = line.split(":", 2)  # cgroups(7)
        if controllers and "memory" not in controllers.split(","):
            continue
        base = root / "sys" / "fs" / "cgroup" / ("memory" if controllers else "")
        (limit, used, spare), parts = _FIRST if controllers else _SECOND, [*Path(path).parts[1:]]
        for depth in range(len(parts) + 1):
            folder = base.joinpath(*parts[:depth])
            with contextlib.suppress(OSError, ValueError):  # none here, or "max"
                most = int((folder / limit).read_text("ascii"))
                held = int((folder / used).read_text("ascii"))
                yield most - held + _numbers(folder / "memory.stat").get(spare, 0)
