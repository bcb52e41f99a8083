"""The journal of a job: one row a frame, durable before anybody is told that the frame exists.

SQLite in WAL mode with ``synchronous=FULL`` syncs the log at every commit. With ``NORMAL``, a power cut takes
the rows written since the last checkpoint with it, acknowledged or not
(https://www.sqlite.org/pragma.html#pragma_synchronous).
"""

from __future__ import annotations

import sqlite3
import threading
from collections.abc import Iterator
from contextlib import closing, contextmanager
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any, Literal

from twinlapse.errors import JobError
from twinlapse.shots import ShotKey

State = Literal["taken", "late", "missed", "adopted", "lost"]
STATES: tuple[State, ...] = ("taken", "late", "missed", "adopted", "lost")

_SCHEMA = 1
_TABLES = """
CREATE TABLE IF NOT EXISTS frame (
    job TEXT NOT NULL, run INTEGER NOT NULL, shot INTEGER NOT NULL, stop INTEGER NOT NULL,
    camera TEXT NOT NULL,
    state TEXT NOT NULL, file TEXT NOT NULL, sha256 TEXT NOT NULL, bytes INTEGER NOT NULL,
    cue_wall_s REAL, cue_mono_s REAL, frame_wall_s REAL, frame_mono_s REAL, note TEXT NOT NULL,
    PRIMARY KEY (job, run, shot, stop, camera)
) WITHOUT ROWID;
CREATE TABLE IF NOT EXISTS run (
    job TEXT NOT NULL, number INTEGER NOT NULL, started_wall_s REAL NOT NULL, PRIMARY KEY (job, number)
) WITHOUT ROWID;
"""
_KEY = "job = :job AND run = :run AND shot = :shot AND stop = :stop AND camera = :camera"


@dataclass(frozen=True, slots=True, kw_only=True)
class FrameTimes:
    """When a frame was asked for and when it reached this host; None where nobody knows.

    Only monotonic times may be compared: the wall clock may jump.
    """

    cue_wall_s: float | None = None
    cue_mono_s: float | None = None
    frame_wall_s: float | None = None
    frame_mono_s: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class FrameRow:
    """What became of one frame."""

    key: ShotKey
    state: State
    file: str = ""  # below the folder of frames, such as "wide/000012.jpg"; "" when there is none
    sha256: str = ""
    bytes: int = 0
    times: FrameTimes = FrameTimes()
    note: str = ""  # what is odd about it, comma-separated words: "dark", "frozen", "no light"


class Journal:
    """The table of frames in ``journal.db``; safe to use from several threads.

    Raises
    ------
    JobError
        when the file is no journal, is damaged, or cannot be written.
    """

    def __init__(self, path: Path) -> None:
        self._path = path
        self._lock = threading.RLock()
        with _translated(path):
            self._db = sqlite3.connect(path, isolation_level=None, check_same_thread=False, timeout=10)
        try:
            with _translated(path):
                self._prepare()
        except JobError:
            self._db.close()
            raise

    def put(self, row: FrameRow) -> None:
        """Write a row, or replace the one of the same key; it is on the disk when this returns."""
        values = {**asdict(row.key), **asdict(row.times), **_plain(row)}
        names = ", ".join(values)
        places = ", ".join(f":{name}" for name in values)
        self._write(f"INSERT OR REPLACE INTO frame ({names}) VALUES ({places})", values)  # noqa: S608

    def get(self, key: ShotKey) -> FrameRow | None:
        """Return the row of a key, if there is one."""
        found = self._read(f"SELECT * FROM frame WHERE {_KEY}", asdict(key))  # noqa: S608
        return found[0] if found else None

    def rows(self, job: str, run: int) -> list[FrameRow]:
        """Return all rows of a run in the order of shots."""
        query = "SELECT * FROM frame WHERE job = :job AND run = :run ORDER BY shot, stop, camera"
        return self._read(query, {"job": job, "run": run})

    def last_run(self, job: str) -> int:
        """Return the number of the newest run of a job, 0 before the first."""
        with self._lock, _translated(self._path):
            found = self._db.execute("SELECT MAX(number) FROM run WHERE job = ?", (job,)).fetchone()
        return int(found[0] or 0)

    def start_run(self, job: str, number: int, wall_s: float) -> None:
        """Write that a run began; nothing changes when it is known already."""
        self._write(
            "INSERT OR IGNORE INTO run VALUES (:job, :number, :wall_s)",
            {"job": job, "number": number, "wall_s": wall_s},
        )

    def close(self) -> None:
        """Fold the log into the one file and close it."""
        with self._lock:
            self._db.close()

    def _prepare(self) -> None:
        version = int(self._db.execute("PRAGMA user_version").fetchone()[0])
        if version not in (0, _SCHEMA):
            raise JobError(
                f"the journal is of version {version}", "use the release that wrote it", path=self._path
            )
        self._db.execute("PRAGMA journal_mode=WAL")
        self._db.execute("PRAGMA synchronous=FULL")
        verdict = self._db.execute("PRAGMA quick_check").fetchone()[0]
        if verdict != "ok":
            raise JobError(f"the journal is damaged: {verdict}", "restore it from a copy", path=self._path)
        self._db.executescript(_TABLES)
        self._db.execute(f"PRAGMA user_version={_SCHEMA}")

    def _write(self, statement: str, values: dict[str, Any]) -> None:
        with self._lock, _translated(self._path):
            self._db.execute(statement, values)

    def _read(self, query: str, values: dict[str, Any]) -> list[FrameRow]:
        with self._lock, _translated(self._path), closing(self._db.execute(query, values)) as cursor:
            names = [column[0] for column in cursor.description]
            return [_row(dict(zip(names, record, strict=True))) for record in cursor]


def read_journal(path: Path, job: str, run: int | None = None) -> list[FrameRow]:
    """Return the rows of a run, of the newest one when `run` is None; no rows where there is no journal."""
    if not path.exists():
        return []
    journal = Journal(path)
    try:
        return journal.rows(job, journal.last_run(job) if run is None else run)
    finally:
        journal.close()


def _plain(row: FrameRow) -> dict[str, Any]:
    return {name: getattr(row, name) for name in ("state", "file", "sha256", "bytes", "note")}


def _row(record: dict[str, Any]) -> FrameRow:
    return FrameRow(
        key=ShotKey(**{name: record[name] for name in ShotKey.__dataclass_fields__}),
        times=FrameTimes(**{name: record[name] for name in FrameTimes.__dataclass_fields__}),
        **{name: record[name] for name in ("state", "file", "sha256", "bytes", "note")},
    )


@contextmanager
def _translated(path: Path) -> Iterator[None]:
    try:
        yield
    except sqlite3.DatabaseError as error:
        raise JobError(
            f"the journal cannot be used: {error}", "check the free space and the file", path=path
        ) from None
