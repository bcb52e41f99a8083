"""Putting a job folder in order after a crash: half-written files, orphaned pictures, orphaned rows."""

from __future__ import annotations

import dataclasses
import hashlib
import re
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from twinlapse.files import flush_folder
from twinlapse.frames.job import Job
from twinlapse.frames.journal import DamagedJournalError, FrameRow, FrameTimes, Journal
from twinlapse.shots import Plan, ShotKey

__all__ = ["Recovered", "ensure_folder", "is_whole", "open_journal", "recover", "stop_repeats"]

_NAME = re.compile(r"(\d{6,9})(?:-(\d{1,3}))?\.(?:jpg|png)")  # as Job.frame writes them


@dataclass(frozen=True, slots=True, kw_only=True)
class Recovered:
    """What opening a store put in order; names are below the folder of frames."""

    half: tuple[str, ...] = ()  # half-written files, deleted
    adopted: tuple[str, ...] = ()  # whole pictures without a row, which have one now
    aside: tuple[str, ...] = ()  # pictures that belong to no planned shot, moved to frames-aside/
    lost: tuple[str, ...] = ()  # rows whose picture is gone or changed
    journal: str = ""  # the name under which a damaged journal was set aside, "" when it was well


def open_journal(job: Job) -> tuple[Journal, str]:
    """Return the journal of a job; a damaged one is set aside, and its new name returned as well.

    Only the file is new then: `recover` gives the frames their rows back.
    """
    try:
        return Journal(job.journal), ""
    except DamagedJournalError:
        name, count = "journal-damaged.db", 1
        while (job.folder / name).exists():
            count += 1
            name = f"journal-damaged-{count}.db"
        job.journal.replace(job.folder / name)
        for tail in ("-wal", "-shm"):  # they belong to the old file and would be played into the new one
            beside = job.journal.with_name(job.journal.name + tail)
            if beside.exists():
                beside.replace(job.folder / (name + tail))
        flush_folder(job.folder)
        return Journal(job.journal), name


def recover(job: Job, plan: Plan, journal: Journal, run: int) -> Recovered:
    """Delete half-written files, give rows to whole pictures, set strays aside, mark lost pictures."""
    half = _delete_half(job.frames)
    rows = {
        row.file: row for row in journal.rows(plan.original_sha256, run) if row.file and row.state != "lost"
    }
    stops = {(camera, shot, repeat): stop for (camera, shot, stop), repeat in _repeats(plan)}
    adopted, aside, present = [], [], set()
    for path in sorted(path for path in job.frames.glob("*/*") if path.is_file() or path.is_symlink()):
        if path.is_symlink():  # never read through: it may lead anywhere
            _set_aside(job, path)
            aside.append(f"{path.parent.name}/{path.name}")
            continue
        name, data = f"{path.parent.name}/{path.name}", path.read_bytes()
        digest = hashlib.sha256(data).hexdigest()
        key = _key_of(path, stops, plan, run)
        if name in rows and rows[name].sha256 == digest:
            present.add(name)
        elif key is not None and name not in rows and is_whole(data):
            journal.put(_orphan(path, key, digest, len(data)))
            adopted.append(name)
        else:
            _set_aside(job, path)
            aside.append(name)
    lost = sorted(set(rows) - present)
    for name in lost:
        journal.put(dataclasses.replace(rows[name], state="lost"))
    return Recovered(half=tuple(half), adopted=tuple(adopted), aside=tuple(aside), lost=tuple(lost))


def stop_repeats(plan: Plan) -> dict[tuple[str, int, int], int]:
    """Return, by (camera, shot, stop), which stop of that camera in that shot it is, from 1."""
    return dict(_repeats(plan))


def is_whole(data: bytes) -> bool:
    """Whether a picture begins and ends as its kind does: JPEG SOI and EOI, PNG signature and IEND."""
    jpeg = data[:3] == b"\xff\xd8\xff" and data.rstrip(b"\0")[-2:] == b"\xff\xd9"
    png = data[:8] == b"\x89PNG\r\n\x1a\n" and data[-8:-4] == b"IEND"
    return jpeg or png


def ensure_folder(folder: Path) -> None:
    """Make a folder that survives a power cut."""
    if not folder.is_dir():
        folder.mkdir(parents=True, exist_ok=True)
        flush_folder(folder.parent)


def _repeats(plan: Plan) -> Iterator[tuple[tuple[str, int, int], int]]:
    for shot in plan.shots:
        seen: dict[str, int] = {}
        for number, stop in enumerate(shot.stops, 1):
            for camera in stop.cameras:
                seen[camera] = seen.get(camera, 0) + 1
                yield (camera, shot.number, number), seen[camera]


def _key_of(path: Path, stops: dict[tuple[str, int, int], int], plan: Plan, run: int) -> ShotKey | None:
    """Return the identity that a picture's name stands for, None when the plan has none such."""
    found = _NAME.fullmatch(path.name)
    if found is None:
        return None
    camera, shot, repeat = path.parent.name, int(found[1]), int(found[2] or 1)
    stop = stops.get((camera, shot, repeat))
    if stop is None:
        return None
    return ShotKey(job=plan.original_sha256, run=run, shot=shot, stop=stop, camera=camera)


def _delete_half(folder: Path) -> list[str]:
    half = sorted(folder.rglob("*.part"))
    for path in half:
        path.unlink(missing_ok=True)
    return [f"{path.parent.name}/{path.name}" for path in half]


def _orphan(path: Path, key: ShotKey, digest: str, size: int) -> FrameRow:
    return FrameRow(
        key=key,
        state="adopted",
        file=f"{key.camera}/{path.name}",
        sha256=digest,
        bytes=size,
        times=FrameTimes(frame_wall_s=path.stat().st_mtime),
    )


def _set_aside(job: Job, path: Path) -> None:
    folder = job.folder / "frames-aside" / path.parent.name
    ensure_folder(folder)
    place, count = folder / path.name, 1
    while place.exists():
        place = folder / f"{path.stem}.{count}{path.suffix}"
        count += 1
    path.replace(place)
    flush_folder(folder)
    flush_folder(path.parent)
