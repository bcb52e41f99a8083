"""Several printers on one board: whatever is wrong with one, the others print."""

from __future__ import annotations

import math
import time
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from twinlapse.serve.children import Children, Outcome, Task
from twinlapse.serve.service import ServeService
from twinlapse.shots import write_plan

from .printing import camera, plan_of, rig_text


@pytest.fixture
def source() -> Iterator[str]:
    with camera() as made:
        yield made


def board(folder: Path, rigs: dict[str, str]) -> None:
    for name, rig in rigs.items():
        (folder / "printers" / name).mkdir(parents=True)
        (folder / "printers" / name / "rig.toml").write_text(rig)


def add(service: ServeService, printer: str, name: str) -> str:
    from twinlapse.serve.workspace import JobRecord, now_s
    from twinlapse.shots import job_code

    plan = plan_of(name)
    code = job_code(plan.original_sha256)
    service.workspace.keep(JobRecord(code=code, name=name, printer=printer, state="ready", came_s=now_s()))
    write_plan(service.workspace.job(code).plan, plan)
    return code


def prints(service: ServeService, printer: str, code: str) -> int:
    """Print a job by hand; return how many frames were taken."""
    session: Any = service.printers[printer]
    session.lines.hear(f"twinlapse begin {code}", channel="http")
    assert session.code == code, session.trouble
    session.capture.wait_for_cameras()
    for shot in (1, 2, 3):
        session.lines.hear(f"twinlapse cue {shot}.1 wide {code}", channel="http")
    session.lines.hear(f"twinlapse end {code}", channel="http")
    assert session.code == ""
    return len(list(service.workspace.job(code).frames.rglob("*.jpg")))


def test_a_broken_rig_camera_or_job_of_one_printer_stops_no_other(tmp_path: Path, source: str) -> None:
    shared = f'serial = "{tmp_path / "line"}"'
    board(
        tmp_path,
        {
            "a-bytes": "\x00\x01",
            "a-nothing": "",
            "a-wrong": "[printer]\nbed = 3\n",
            "a-scheme": rig_text("gopher://nowhere"),
            "b-dead": rig_text("http://127.0.0.1:9/none"),
            "b-job": rig_text(source),
            "c-first": rig_text(source, capture=shared),
            "d-second": rig_text(source, capture=shared),
            "shed": rig_text(source),
        },
    )
    (tmp_path / "printers" / "e-folder" / "rig.toml").mkdir(parents=True)
    service = ServeService(tmp_path)
    service.children.start = lambda: None  # type: ignore[method-assign]  # no films here
    service.start()
    said = {one["name"]: one["trouble"] for one in service.state()["printers"]}
    assert all(said[name] for name in ("a-bytes", "a-nothing", "a-wrong", "d-second", "e-folder"))
    assert "is read for the printer c-first already" in said["d-second"] and said["c-first"] == ""
    for name in ("a-scheme", "a-wrong", "a-bytes"):
        code = add(service, name, name)
        service.printers[name].lines.hear(f"twinlapse begin {code}", channel="http")
        assert service.printers[name].code == "" and service.printers[name].trouble
    dead = add(service, "b-dead", "dead")
    service.printers["b-dead"].lines.hear(f"twinlapse begin {dead}", channel="http")
    bad = add(service, "b-job", "bad")
    plan = service.workspace.job(bad).plan
    for content in (b"{", b"\xff\xfe", b"[]", b'{"schema": 1}'):
        plan.write_bytes(content)
        service.printers["b-job"].lines.hear(f"twinlapse begin {bad}", channel="http")
        assert service.printers["b-job"].code == "" and service.printers["b-job"].trouble
    write_plan(plan, replace(plan_of("bad"), original_sha256="0" * 64))
    service.printers["b-job"].lines.hear(f"twinlapse begin {bad}", channel="http")
    assert "another file" in service.printers["b-job"].trouble
    assert prints(service, "shed", add(service, "shed", "label")) == 3
    assert prints(service, "b-job", add(service, "b-job", "good")) == 3  # of the same printer
    assert service.printers["b-dead"].code == dead
    service.stop()


def test_what_follows_a_task_may_fail_and_the_next_task_still_runs() -> None:
    children = Children(lambda: math.inf)
    ended: list[Outcome] = []

    def fails(outcome: Outcome) -> None:
        raise OSError("the disk is full")

    children.start()
    children.add(Task(name="first", words=("--version",), done=fails))
    children.add(Task(name="second", words=("--version",), done=ended.append))
    end = time.monotonic() + 30
    while not ended and time.monotonic() < end:
        time.sleep(0.02)
    children.stop()
    assert len(ended) == 1 and children.trouble == ""
