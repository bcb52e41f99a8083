"""Frames that stay: picture first, then its row, then the answer, each flushed before the next.

A frame is written beside its place, flushed, renamed, and its folder flushed; only then does the journal get
its row. A crash between the two leaves a whole picture without a row, which the next start adopts or sets
aside; it never leaves a row without its picture or half a picture under its final name.
"""

from __future__ import annotations

import hashlib
import os
import re
import shutil
import time
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field, replace
from pathlib import Path

from twinlapse.errors import FileProblemError, FrameError, JobError
from twinlapse.files import flush_folder, write_bytes
from twinlapse.frames.job import Job
from twinlapse.frames.journal import FrameFlag, FrameRow, FrameState, FrameTimes
from twinlapse.frames.recovery import Recovered, ensure_folder, open_journal, recover, stop_repeats
from twinlapse.shots import Plan, ShotKey

__all__ = ["RESERVE_BYTES", "FrameStore", "free_bytes", "needed_bytes", "refuse_links"]

RESERVE_BYTES = 2 * 1024 * 1024  # kept back so that a full disk can still be written down as such


class FrameStore:
    """The frames and the journal of one run of a job.

    Parameters
    ----------
    job : Job
        The folder; ``frames/`` is made when it is missing.
    plan : Plan
        Gives the identity of the job and the stops of each shot.
    new_run : bool
        Begin another run: the frames of the one before move to ``frames-runN/``.
    reserve_bytes : int
        Space kept back in a file of its own, given up when the disk is full.
    """

    def __init__(
        self,
        job: Job,
        plan: Plan,
        *,
        new_run: bool = False,
        wall_s: Callable[[], float] = time.time,
        reserve_bytes: int = 0,
    ) -> None:
        self.job = job
        self.plan = plan
        self._repeats = stop_repeats(plan)
        self._reserve = _Reserve(job.folder / ".reserve", reserve_bytes)
        self._wall_s = wall_s
        refuse_links(job)
        self.journal, set_aside = open_journal(job)
        try:
            self.run = self._enter_run(new_run, wall_s())
            found = recover(job, plan, self.journal, self.run)
            self.recovered: Recovered = replace(found, journal=set_aside)
        except BaseException:
            self.journal.close()
            raise
        self._reserve.take()

    def __enter__(self) -> FrameStore:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def key(self, shot: int, stop: int, camera: str) -> ShotKey:
        """Return the identity of a frame of this run."""
        return ShotKey(job=self.plan.original_sha256, run=self.run, shot=shot, stop=stop, camera=camera)

    def path(self, key: ShotKey, suffix: str = ".jpg") -> Path:
        """Return where the frame of a key lies.

        Raises
        ------
        FrameError
            when the plan has no such stop for this camera.
        """
        repeat = self._repeats.get((key.camera, key.shot, key.stop))
        if repeat is None or key.job != self.plan.original_sha256:
            raise FrameError(
                f"the plan has no shot {key.shot}.{key.stop} of {key.camera}", "use the plan of this job"
            )
        return self.job.frame(key.camera, key.shot, repeat, suffix)

    def get(self, key: ShotKey) -> FrameRow | None:
        """Return what became of a frame, if anything did."""
        return self.journal.get(key)

    def rows(self) -> list[FrameRow]:
        """Return all rows of this run in the order of shots."""
        return self.journal.rows(self.plan.original_sha256, self.run)

    def put(
        self,
        key: ShotKey,
        data: bytes,
        times: FrameTimes,
        *,
        state: FrameState = "taken",
        note: str = "",
        flags: frozenset[FrameFlag] = frozenset(),
        suffix: str = ".jpg",
    ) -> FrameRow:
        """Keep a frame: when this returns, picture and row have reached the disk.

        Raises
        ------
        FrameError
            when the plan has no such stop, or the disk takes no more; nothing is kept then.
        """
        path = self.path(key, suffix)
        row = FrameRow(
            key=key,
            state=state,
            file=f"{key.camera}/{path.name}",
            sha256=hashlib.sha256(data).hexdigest(),
            bytes=len(data),
            times=times,
            note=note,
            flags=flags,
        )
        ensure_folder(path.parent)
        try:
            write_bytes(path, data)
        except FileProblemError as error:
            raise FrameError(f"the frame was not kept: {error.what}", "free some space", path=path) from None
        try:
            self.journal.put(row)
        except JobError as error:
            path.unlink(missing_ok=True)
            raise FrameError(f"the frame was not kept: {error.what}", error.hint, path=path) from None
        self._reserve.take()
        return row

    def miss(self, key: ShotKey, times: FrameTimes, note: str, state: FrameState = "missed") -> FrameRow:
        """Write down that a frame will not come; a full disk gives up its reserve for this."""
        row = FrameRow(key=key, state=state, times=times, note=note)
        try:
            self.journal.put(row)
        except JobError:
            if not self._reserve.release():
                raise
            self.journal.put(row)
        return row

    def miss_all(self, keys: Iterable[ShotKey], note: str) -> list[FrameRow]:
        """Write down in one transaction that no cue came for these frames; a cue may still come.

        A full disk gives up its reserve for this; when that does not help, nothing is written.
        """
        flags = frozenset((FrameFlag.NOT_CUED,))
        rows = [FrameRow(key=key, state="missed", note=note, flags=flags) for key in keys]
        try:
            self.journal.put_all(rows)
        except JobError:
            if not self._reserve.release():
                raise
            self.journal.put_all(rows)
        return rows

    def begin_run(self) -> int:
        """Begin another run of the job: the frames so far move to ``frames-runN/``; return its number."""
        self.end_run("another print began")
        self.run = self._enter_run(True, self._wall_s())
        return self.run

    def end_run(self, reason: str) -> None:
        """Write down that the run has ended; nothing changes when that is known."""
        newest = self.journal.newest_run(self.plan.original_sha256)
        if newest is not None and newest.ended_wall_s is None:
            self.journal.end_run(self.plan.original_sha256, self.run, self._wall_s(), reason)

    def resume_run(self) -> None:
        """Write down that the run goes on after all."""
        if self.ended:
            self.journal.resume_run(self.plan.original_sha256, self.run)

    @property
    def ended(self) -> bool:
        """Whether the run at hand has ended: the next cue belongs to another print."""
        newest = self.journal.newest_run(self.plan.original_sha256)
        return newest is not None and newest.ended_wall_s is not None

    def close(self) -> None:
        """Close the journal and give the reserve back."""
        self.journal.close()
        self._reserve.release()

    def _enter_run(self, new_run: bool, wall_s: float) -> int:
        job = self.plan.original_sha256
        last = max(self.journal.last_run(job), _last_moved(self.job.folder))
        moved = self.job.folder / f"frames-run{max(1, last)}"
        if new_run and self.job.frames.is_dir() and any(self.job.frames.iterdir()) and not moved.exists():
            self.job.frames.replace(moved)
            flush_folder(self.job.folder)
            last = max(1, last)
        # a crash may have come between the move and the row of the new run: the move decides
        run = last + 1 if not last or new_run or moved.exists() else last
        self.journal.start_run(job, run, wall_s)
        ensure_folder(self.job.frames)
        return run


def _last_moved(folder: Path) -> int:
    numbers = [re.fullmatch(r"frames-run(\d{1,6})", path.name) for path in folder.glob("frames-run*")]
    return max((int(found[1]) for found in numbers if found), default=0)


def refuse_links(job: Job) -> None:
    """Raise a JobError when something that is written in a job folder is a link to somewhere else.

    Raises
    ------
    JobError
        naming the first one.
    """
    inside = [job.journal, job.frames, job.folder / ".reserve", job.folder / "frames-aside"]
    inside += job.folder.glob("frames*/*") if job.frames.is_dir() else []
    inside += job.folder.glob("*.json")
    for path in inside:
        if path.is_symlink():
            raise JobError("this is a link to somewhere else", "put the real file or folder here", path=path)


@dataclass(slots=True)
class _Reserve:
    """A file that holds space until it is needed."""

    path: Path
    size: int
    held: bool = field(default=False)

    def take(self) -> None:
        if self.held or not self.size or not hasattr(os, "posix_fallocate"):
            return
        try:
            self.path.unlink(missing_ok=True)
            handle = os.open(self.path, os.O_WRONLY | os.O_CREAT | os.O_EXCL | os.O_NOFOLLOW, 0o600)
            try:
                os.posix_fallocate(handle, 0, self.size)
            finally:
                os.close(handle)
            self.held = True
        except OSError:
            self.path.unlink(missing_ok=True)

    def release(self) -> bool:
        held, self.held = self.held, False
        if held:
            self.path.unlink(missing_ok=True)
        return held


def free_bytes(folder: Path) -> int:
    """Return the space that an ordinary user may still fill on the disk of `folder`."""
    return shutil.disk_usage(folder).free


def needed_bytes(plan: Plan, frame_bytes: int = 150_000) -> int:
    """Return the space that all frames of a plan take, with a tenth on top."""
    return int(1.1 * frame_bytes * len(stop_repeats(plan)))
