"""The journal of a job: one row a frame, on the disk before a cue is answered.

SQLite in WAL mode with ``synchronous=FULL`` syncs the log at every commit. With ``NORMAL``, a power cut takes
the rows written since the last checkpoint with it, acknowledged or not
(https://www.sqlite.org/pragma.html#pragma_synchronous).
"""

from __future__ import annotations

import enum
import sqlite3
import threading
from collections.abc import Iterable, Iterator
from contextlib import closing, contextmanager
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any, Literal

from twinlapse.errors import JobError
from twinlapse.shots import ShotKey

__all__ = [
    "STATES",
    "DamagedJournalError",
    "FrameFlag",
    "FrameRow",
    "FrameState",
    "FrameTimes",
    "Journal",
    "Run",
    "newest_run",
    "read_journal",
]

FrameState = Literal["taken", "late", "missed", "adopted", "lost"]
STATES: tuple[FrameState, ...] = ("taken", "late", "missed", "adopted", "lost")

_VERSION = 2  # of the tables; 1 had no bounds of the exposure, no flags and no end of a run
_TABLES = """
CREATE TABLE IF NOT EXISTS frame (
    job TEXT NOT NULL, run INTEGER NOT NULL, shot INTEGER NOT NULL, stop INTEGER NOT NULL,
    camera TEXT NOT NULL,
    state TEXT NOT NULL, file TEXT NOT NULL, sha256 TEXT NOT NULL, bytes INTEGER NOT NULL,
    cue_wall_s REAL, cue_mono_s REAL, frame_wall_s REAL, frame_mono_s REAL, note TEXT NOT NULL,
    exposed_from_mono_s REAL, exposed_to_mono_s REAL, flags TEXT NOT NULL DEFAULT '',
    PRIMARY KEY (job, run, shot, stop, camera)
) WITHOUT ROWID;
CREATE TABLE IF NOT EXISTS run (
    job TEXT NOT NULL, number INTEGER NOT NULL, started_wall_s REAL NOT NULL,
    ended_wall_s REAL, reason TEXT NOT NULL DEFAULT '',
    PRIMARY KEY (job, number)
) WITHOUT ROWID;
"""
_FROM_1 = """
ALTER TABLE frame ADD COLUMN exposed_from_mono_s REAL;
ALTER TABLE frame ADD COLUMN exposed_to_mono_s REAL;
ALTER TABLE frame ADD COLUMN flags TEXT NOT NULL DEFAULT '';
ALTER TABLE run ADD COLUMN ended_wall_s REAL;
ALTER TABLE run ADD COLUMN reason TEXT NOT NULL DEFAULT '';
"""
_KEY = "job = :job AND run = :run AND shot = :shot AND stop = :stop AND camera = :camera"


class FrameFlag(enum.StrEnum):
    """What is remarkable about a frame or about the lack of one."""

    DARK = "dark"  # hardly anything can be seen
    NO_LIGHT = "no light"  # its light did not switch
    PROVEN = "proven"  # exposed within the standstill beyond doubt
    ASSUMED = "assumed"  # fresh if the pipeline is as old as the rig states
    UNKNOWN_AGE = "unknown age"  # nobody has measured how old the pipeline's pictures are
    CUE_TIME = "cue time"  # its cue came late by an unknown time
    NOT_CUED = "not cued"  # no cue came yet: "missed" is final only when the run has ended


@dataclass(frozen=True, slots=True, kw_only=True)
class FrameTimes:
    """When a frame was asked for and when it was exposed; None where nobody knows.

    Only monotonic times may be compared: the wall clock may jump. The exposure began and ended between the
    two bounds, which are evidence only where the row's flags say "proven".
    """

    cue_wall_s: float | None = None
    cue_mono_s: float | None = None
    frame_wall_s: float | None = None
    frame_mono_s: float | None = None
    exposed_from_mono_s: float | None = None
    exposed_to_mono_s: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class FrameRow:
    """What became of one frame."""

    key: ShotKey
    state: FrameState
    file: str = ""  # below the folder of frames, such as "wide/000012.jpg"; "" when there is none
    sha256: str = ""
    bytes: int = 0
    times: FrameTimes = FrameTimes()
    note: str = ""  # in words: why it is missed, what failed
    flags: frozenset[FrameFlag] = frozenset()

    @property
    def final(self) -> bool:
        """Whether a cue for this frame gets this answer; else it may still be taken."""
        return FrameFlag.NOT_CUED not in self.flags


class DamagedJournalError(JobError):
    """The file is no journal or its contents are damaged: it can be set aside and made again."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Run:
    """One print of a job."""

    number: int  # from 1
    started_wall_s: float
    ended_wall_s: float | None = None
    reason: str = ""  # why it ended


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
        self.put_all((row,))

    def put_all(self, rows: Iterable[FrameRow]) -> None:
        """Write rows in one transaction: all of them are on the disk when this returns, or none."""
        records = [{**asdict(row.key), **asdict(row.times), **_plain(row)} for row in rows]
        if not records:
            return
        names = ", ".join(records[0])
        places = ", ".join(f":{name}" for name in records[0])
        statement = f"INSERT OR REPLACE INTO frame ({names}) VALUES ({places})"  # noqa: S608
        with self._lock, _translated(self._path):
            self._db.execute("BEGIN IMMEDIATE")
            try:
                self._db.executemany(statement, records)
                self._db.execute("COMMIT")
            except BaseException:
                self._db.execute("ROLLBACK")
                raise

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
        run = self.newest_run(job)
        return 0 if run is None else run.number

    def newest_run(self, job: str) -> Run | None:
        """Return the newest run of a job, None before the first."""
        query = "SELECT number, started_wall_s, ended_wall_s, reason FROM run WHERE job = ?"
        with self._lock, _translated(self._path):
            found = self._db.execute(f"{query} ORDER BY number DESC LIMIT 1", (job,)).fetchone()
        if found is None:
            return None
        return Run(number=found[0], started_wall_s=found[1], ended_wall_s=found[2], reason=found[3])

    def start_run(self, job: str, number: int, wall_s: float) -> None:
        """Write that a run began; nothing changes when it is known already."""
        self._write(
            "INSERT OR IGNORE INTO run (job, number, started_wall_s) VALUES (:job, :number, :wall_s)",
            {"job": job, "number": number, "wall_s": wall_s},
        )

    def end_run(self, job: str, number: int, wall_s: float, reason: str) -> None:
        """Write that a run ended, and make its missed frames final."""
        values = {"job": job, "number": number, "wall_s": wall_s, "reason": reason}
        self._write(
            "UPDATE run SET ended_wall_s = :wall_s, reason = :reason WHERE job = :job AND number = :number",
            values,
        )

    def resume_run(self, job: str, number: int) -> None:
        """Write that a run goes on after all."""
        self._write(
            "UPDATE run SET ended_wall_s = NULL, reason = '' WHERE job = :job AND number = :number",
            {"job": job, "number": number},
        )

    def close(self) -> None:
        """Fold the log into the one file and close it."""
        with self._lock:
            self._db.close()

    def _prepare(self) -> None:
        version = int(self._db.execute("PRAGMA user_version").fetchone()[0])
        if version > _VERSION or version < 0:
            raise DamagedJournalError(
                f"the journal is of version {version}", "use the release that wrote it", path=self._path
            )
        self._db.execute("PRAGMA journal_mode=WAL")
        self._db.execute("PRAGMA synchronous=FULL")
        verdict = self._db.execute("PRAGMA quick_check").fetchone()[0]
        if verdict != "ok":
            raise DamagedJournalError(f"the journal is damaged: {verdict}", "", path=self._path)
        if version == 1:
            self._db.executescript(f"BEGIN;{_FROM_1}PRAGMA user_version={_VERSION};COMMIT;")
        self._db.executescript(_TABLES)
        self._db.execute(f"PRAGMA user_version={_VERSION}")
        self._db.execute("SELECT exposed_to_mono_s, flags FROM frame LIMIT 1").fetchone()
        self._db.execute("SELECT ended_wall_s FROM run LIMIT 1").fetchone()

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


def newest_run(path: Path, job: str) -> int:
    """Return the number of the newest run of a job, 0 where there is no journal or none that can be read."""
    if not path.exists():
        return 0
    try:
        journal = Journal(path)
    except JobError:
        return 0
    try:
        return journal.last_run(job)
    except JobError:
        return 0
    finally:
        journal.close()


def _plain(row: FrameRow) -> dict[str, Any]:
    values = {name: getattr(row, name) for name in ("state", "file", "sha256", "bytes", "note")}
    return {**values, "flags": ",".join(sorted(row.flags))}


def _row(record: dict[str, Any]) -> FrameRow:
    known = {flag.value for flag in FrameFlag}
    return FrameRow(
        key=ShotKey(**{name: record[name] for name in ShotKey.__dataclass_fields__}),
        times=FrameTimes(**{name: record[name] for name in FrameTimes.__dataclass_fields__}),
        flags=frozenset(FrameFlag(word) for word in record["flags"].split(",") if word in known),
        **{name: record[name] for name in ("state", "file", "sha256", "bytes", "note")},
    )


@contextmanager
def _translated(path: Path) -> Iterator[None]:
    try:
        yield
    except sqlite3.DatabaseError as error:
        # a full disk, a lock and missing rights are operational: the file itself may be well
        lost = not isinstance(error, sqlite3.OperationalError) or "no such" in str(error)
        kind = DamagedJournalError if lost else JobError
        raise kind(
            f"the journal cannot be used: {error}", "check the free space and the file", path=path
        ) from None
