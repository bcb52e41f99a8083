"""How a job's film would look in other layouts: one small picture each, rendered by children when asked."""

from __future__ import annotations

import shutil
from functools import partial
from pathlib import Path

from twinlapse.files import make_folder
from twinlapse.serve.children import Children, Outcome, Task
from twinlapse.serve.workspace import JobRecord

__all__ = ["LAYOUTS", "add_previews", "made_previews", "preview_file"]

LAYOUTS = ("inset", "side", "stack", "single", "near-far")
_FOLDER = "previews"


def preview_file(folder: Path, layout: str) -> Path:
    """Return where the picture of a layout lies in a job folder."""
    return folder / _FOLDER / f"{layout}.jpg"


def made_previews(folder: Path, record: JobRecord) -> dict[str, int]:
    """Return the layouts that have a picture of the last print, each with the time at which it was made."""
    found = {layout: preview_file(folder, layout) for layout in LAYOUTS}
    return {
        layout: int(path.stat().st_mtime)
        for layout, path in found.items()
        if path.is_file() and path.stat().st_mtime > record.printed_s
    }


def add_previews(children: Children, record: JobRecord, folder: Path) -> None:
    """Have a small film of every layout made, of which the poster is kept; those that wait already stay."""
    waiting = children.names()
    make_folder(folder / _FOLDER)
    for layout in LAYOUTS:
        name = f"trying layout {layout} of {record.name} ({record.code})"
        if name in waiting:
            continue
        film = folder / _FOLDER / f"{layout}.mp4"
        words = ("render", str(folder), "-o", str(film), "--preview", "--layout", layout)
        children.add(
            Task(
                name=name,
                words=(*words, "--poster", str(preview_file(folder, layout))),
                done=partial(_tried, film),
            )
        )


def _tried(film: Path, outcome: Outcome) -> None:
    for path in (film, film.with_name(f"{film.name}.json")):
        path.unlink(missing_ok=True)
    if outcome.status != 0 and film.parent.is_dir() and not any(film.parent.iterdir()):
        shutil.rmtree(film.parent, ignore_errors=True)
