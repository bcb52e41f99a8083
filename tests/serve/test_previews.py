"""Pictures of other layouts: rendered one by one when asked, of the last print, nothing else left behind."""

from __future__ import annotations

import os
from pathlib import Path

from twinlapse.serve.children import Outcome, Task
from twinlapse.serve.previews import LAYOUTS, add_previews, made_previews, preview_file
from twinlapse.serve.workspace import JobRecord


class Queue:
    """Children that run nothing."""

    def __init__(self) -> None:
        self.tasks: list[Task] = []

    def add(self, task: Task) -> None:
        self.tasks.append(task)

    def names(self) -> list[str]:
        return [task.name for task in self.tasks]


def test_each_layout_is_tried_once_and_only_its_picture_is_kept(tmp_path: Path) -> None:
    queue = Queue()
    record = JobRecord(code="a1b2c3", name="label.gcode", printer="shed", state="done", printed_s=1000.0)
    for _ in range(2):  # asked for twice
        add_previews(queue, record, tmp_path)  # type: ignore[arg-type]
    assert len(queue.tasks) == len(LAYOUTS)
    for task, layout in zip(queue.tasks, LAYOUTS, strict=True):
        words = dict(zip(task.words, task.words[1:], strict=False))
        assert words["--layout"] == layout and "--preview" in task.words
        film = Path(words["-o"])
        film.write_bytes(b"film")
        film.with_name(f"{film.name}.json").write_text("{}")
        Path(words["--poster"]).write_bytes(b"picture")
        task.done(Outcome(status=0, result={}, words=""))
    assert sorted(path.name for path in (tmp_path / "previews").iterdir()) == sorted(
        f"{layout}.jpg" for layout in LAYOUTS
    )
    assert set(made_previews(tmp_path, record)) == set(LAYOUTS)


def test_pictures_of_an_earlier_print_are_not_shown(tmp_path: Path) -> None:
    record = JobRecord(code="a1b2c3", name="label.gcode", printer="shed", state="done", printed_s=1000.0)
    (tmp_path / "previews").mkdir()
    for layout, made_s in (("inset", 999.0), ("side", 1001.0)):
        preview_file(tmp_path, layout).write_bytes(b"picture")
        os.utime(preview_file(tmp_path, layout), (made_s, made_s))
    assert made_previews(tmp_path, record) == {"side": 1001}
