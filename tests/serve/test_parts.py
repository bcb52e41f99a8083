"""Parts of the always-on service, each by itself."""

from __future__ import annotations

import asyncio
import json
import math
import socket
import threading
import time
from collections.abc import AsyncIterator
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from typing import Any

import pytest

from twinlapse.errors import CaptureError, JobError
from twinlapse.serve.budget import jobs_to_delete
from twinlapse.serve.channels.klipper_api import KlipperApi
from twinlapse.serve.channels.reprapfirmware_http import ReprapFirmwareHttp, upload
from twinlapse.serve.children import Children, Outcome, Task
from twinlapse.serve.intake import Intake
from twinlapse.serve.printer_lines import PrinterLines
from twinlapse.serve.workspace import JobRecord, Workspace, safe_name
from twinlapse.shots import Cue


def until(holds: Any, seconds: float = 20.0) -> None:
    end = time.monotonic() + seconds
    while not holds():
        assert time.monotonic() < end
        time.sleep(0.02)


class Heard:
    def __init__(self) -> None:
        self.said: list[Any] = []

    def begin(self, code: str) -> None:
        self.said.append(("begin", code))

    def end(self, code: str) -> None:
        self.said.append(("end", code))

    def arm(self, shot: int) -> None:
        self.said.append(("arm", shot))

    def cue(self, cue: Cue, late_s: float, channel: str) -> None:
        self.said.append(("cue", cue, late_s, channel))


def test_lines_of_any_firmware_are_understood() -> None:
    heard = Heard()
    lines = PrinterLines(heard)
    for text in (
        "echo:twinlapse begin a1b2c3",
        "// twinlapse arm 3",
        "twinlapse cue 3.1 wide+nozzle a1b2c3",
        "T:210.0 /210.0 B:60.0",
        "twinlapse end a1b2c3",
    ):
        lines.hear(text, 0.1, channel="serial")
    cue = Cue(shot=3, stop=1, cameras=("wide", "nozzle"), job="a1b2c3")
    assert heard.said == [("begin", "a1b2c3"), ("arm", 3), ("cue", cue, 0.1, "serial"), ("end", "a1b2c3")]
    assert [line.meaning for line in lines.lately()] == ["begin", "arm", "cue", "", "end"]


def test_a_channel_is_read_on_while_a_cue_is_answered_and_the_end_waits_for_it() -> None:
    heard, go = Heard(), threading.Event()
    answer = heard.cue

    def slow(cue: Cue, late_s: float, channel: str) -> None:
        assert go.wait(10)
        answer(cue, late_s, channel)

    heard.cue = slow  # type: ignore[method-assign]
    lines = PrinterLines(heard)
    for stop in (1, 2, 3):
        lines.pass_on(f"twinlapse cue 1.{stop} nozzle a1b2c3", channel="serial")
    lines.pass_on("twinlapse arm 2", channel="serial")
    assert heard.said == [("arm", 2)]  # nothing above has waited
    threading.Timer(0.2, go.set).start()
    lines.pass_on("twinlapse end a1b2c3", channel="serial")
    assert heard.said[-1] == ("end", "a1b2c3")
    assert sorted(said[1].stop for said in heard.said[1:-1]) == [1, 2, 3]


def test_klipper_s_console_is_subscribed_to(tmp_path: Path) -> None:
    """A stand-in that speaks the protocol of API_Server.md: JSON objects ended by 0x03."""
    path, said = tmp_path / "klippy", []
    with socket.socket(socket.AF_UNIX) as listening:
        listening.bind(str(path))
        listening.listen()
        channel = KlipperApi(path, said.append, pause_s=0.05)
        channel.start()
        for text in ("twinlapse begin a1b2c3", "echo: other\ntwinlapse cue 1.1 wide a1b2c3"):
            line, _ = listening.accept()  # the second time after a restart of the host
            with line:
                asked = json.loads(line.recv(4096).removesuffix(b"\x03"))
                assert asked["method"] == "gcode/subscribe_output"
                line.sendall(json.dumps({"id": asked["id"], "result": {}}).encode() + b"\x03")
                message = json.dumps({"params": {"response": text}}).encode() + b"\x03"
                line.sendall(message[:9])
                time.sleep(0.05)
                line.sendall(message[9:])
                until(lambda text=text: text.splitlines()[-1] in said)
                assert channel.fault == ""
        channel.stop()
    assert said == ["twinlapse begin a1b2c3", "echo: other", "twinlapse cue 1.1 wide a1b2c3"]


class Machine(BaseHTTPRequestHandler):
    """A machine with RepRapFirmware's HTTP interface: counts its replies, takes files."""

    replies: list[str]
    password = "reprap"  # what one without a password takes
    given = 0
    files: dict[str, bytes]

    def do_GET(self) -> None:
        kind = type(self)
        if self.path.startswith("/rr_connect"):
            self._say({"err": 0 if self.path.endswith(f"?password={kind.password}") else 1})
        elif self.path.startswith("/rr_model"):
            self._say({"key": "seqs", "result": {"reply": len(kind.replies)}})
        elif self.path == "/rr_reply":
            text = "\n".join(kind.replies[kind.given :])
            kind.given = len(kind.replies)
            self._body(text.encode(), "text/plain")

    def do_POST(self) -> None:
        type(self).files[self.path] = self.rfile.read(int(self.headers["Content-Length"]))
        self._say({"err": 0})

    def _say(self, value: Any) -> None:
        self._body(json.dumps(value).encode(), "application/json")

    def _body(self, data: bytes, kind: str) -> None:
        self.send_response(200)
        self.send_header("Content-Type", kind)
        self.send_header("Content-Length", str(len(data)))
        self.end_headers()
        self.wfile.write(data)

    def log_message(self, *_: Any) -> None:
        pass


def test_reprapfirmware_s_console_is_read_and_files_are_sent(tmp_path: Path) -> None:
    machine: Any = type("Here", (Machine,), {"replies": ["old"], "files": {}})
    server = ThreadingHTTPServer(("127.0.0.1", 0), machine)
    threading.Thread(target=server.serve_forever, args=(0.05,), daemon=True).start()
    address, said = f"http://127.0.0.1:{server.server_address[1]}", []
    machine.given = 1
    channel = ReprapFirmwareHttp(address, lambda text, late_s: said.append((text, late_s)), poll_s=0.03)
    channel.start()
    until(lambda: channel.fault == "")
    machine.replies.append("twinlapse cue 1.1 wide a1b2c3")
    until(lambda: said)
    channel.stop()
    assert said == [("twinlapse cue 1.1 wide a1b2c3", 0.03)]  # what was said before is passed over
    file = tmp_path / "label.gcode"
    file.write_text("G28\n")
    upload(address, file, "label-a1b2c3.gcode")
    assert machine.files == {"/rr_upload?name=0%3A%2Fgcodes%2Flabel-a1b2c3.gcode": b"G28\n"}
    machine.password = "bean%20stalk"
    with pytest.raises(CaptureError, match="refuses the password"):
        upload(address, file, "y.gcode")
    login = tmp_path / "login"
    login.write_text("any:bean stalk\n")
    login.chmod(0o600)
    upload(address, file, "y.gcode", login_file=str(login))
    guarded = ReprapFirmwareHttp(address, lambda text, late_s: None, login_file=str(login), poll_s=0.03)
    guarded.start()
    until(lambda: guarded.fault == "")
    guarded.stop()
    server.shutdown()
    server.server_close()
    with pytest.raises(CaptureError, match="did not take the file"):
        upload(address, file, "x.gcode")


@pytest.mark.slow
def test_one_child_at_a_time_and_none_while_a_cue_is_near() -> None:
    due_s, ended = [math.inf], []
    children = Children(lambda: due_s[0])
    children.start()
    tasks = [
        Task(name=f"task {k}", words=("--version",), done=lambda outcome, k=k: ended.append((k, outcome)))
        for k in range(2)
    ]
    due_s[0] = 0.5  # a cue is near: the child stands still
    children.add(tasks[0])
    children.add(tasks[1])
    time.sleep(1.5)
    assert ended == [] and children.names() == ["task 0", "task 1"]
    due_s[0] = math.inf
    until(lambda: len(ended) == 2)
    assert [k for k, _ in ended] == [0, 1] and children.halted_s > 0.5
    children.stop()


def record(code: str, state: str, came_s: float) -> JobRecord:
    return JobRecord(code=code, name="a.gcode", printer="shed", state=state, came_s=came_s)  # type: ignore[arg-type]


def test_only_the_oldest_finished_jobs_go_and_only_beyond_the_budget() -> None:
    records = [
        record("aaaaaa", "done", 1.0),
        record("bbbbbb", "printing", 0.0),
        record("cccccc", "done", 3.0),
        record("dddddd", "ready", 0.5),
    ]
    sizes = dict.fromkeys(("aaaaaa", "bbbbbb", "cccccc", "dddddd"), 100)
    assert jobs_to_delete(records, sizes, 0) == []
    assert jobs_to_delete(records, sizes, 400) == []
    assert [one.code for one in jobs_to_delete(records, sizes, 350)] == ["aaaaaa"]
    assert [one.code for one in jobs_to_delete(records, sizes, 10)] == ["aaaaaa", "cccccc"]


def test_a_folder_is_walked_again_only_when_its_job_has_changed(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    from twinlapse.serve import budget

    walked: list[str] = []
    walk = budget.size_of
    monkeypatch.setattr(budget, "size_of", lambda folder: walked.append(folder.name) or walk(folder))
    for code in ("aaaaaa", "bbbbbb"):
        (tmp_path / code / "frames").mkdir(parents=True)
        (tmp_path / code / "frames" / "000001.jpg").write_bytes(bytes(1000))
    sizes = budget.JobSizes(tmp_path)
    records = [record("aaaaaa", "done", 1.0), record("bbbbbb", "done", 2.0)]
    for _ in range(5):
        assert sizes.of(records) == {"aaaaaa": 1000, "bbbbbb": 1000}
    assert walked == ["aaaaaa", "bbbbbb"]
    (tmp_path / "bbbbbb" / "film.part").write_bytes(bytes(500))
    (tmp_path / "bbbbbb" / "film.part").rename(tmp_path / "bbbbbb" / "film.mp4")
    assert sizes.of(records) == {"aaaaaa": 1000, "bbbbbb": 1500}
    assert walked == ["aaaaaa", "bbbbbb", "bbbbbb"]
    (tmp_path / "aaaaaa" / "frames" / "000002.jpg").write_bytes(bytes(1000))
    printing = [record("aaaaaa", "printing", 1.0), records[1]]
    assert sizes.of(printing)["aaaaaa"] == 2000 and sizes.of(printing[1:]) == {"bbbbbb": 1500}
    assert sizes.of(printing)["bbbbbb"] == 1500


@pytest.mark.parametrize(
    ("given", "kept"),
    [
        ("../../etc/passwd", "passwd"),
        ("C:\\prints\\pot.gcode", "pot.gcode"),
        ("<img src=x>.gcode", "_img src_x_.gcode"),
        ("...", "print.gcode"),
        ("a" * 200 + ".gcode", "a" * 80),
    ],
)
def test_names_from_outside_are_made_harmless(given: str, kept: str) -> None:
    assert safe_name(given) == kept


async def pieces(*data: bytes) -> AsyncIterator[bytes]:
    for one in data:
        yield one


def test_what_is_no_gcode_is_not_kept(tmp_path: Path) -> None:
    workspace = Workspace(tmp_path)
    intake = Intake(workspace, Children(lambda: math.inf), lambda code: None)
    for data in (b"", b"\x00\x01\x02", b"PK\x03\x04zip"):
        with pytest.raises(CaptureError, match="no G-code text"):
            asyncio.run(intake.receive(pieces(data), "a.gcode", len(data)))
    assert [path for path in (tmp_path / "incoming").iterdir() if path.is_file()] == []
    with pytest.raises(CaptureError, match="larger than"):
        asyncio.run(intake.receive(pieces(b"G1"), "a.gcode", 1 << 40))


def test_a_written_file_is_told_by_its_header(tmp_path: Path) -> None:
    intake = Intake(Workspace(tmp_path), Children(lambda: math.inf), lambda code: None)
    written = b"; twinlapse header begin\n; original_sha256 " + b"ab" * 32 + b"\nG28\n"
    assert asyncio.run(intake.receive(pieces(written), "a.gcode", 0)).sha256 == "ab" * 32
    sliced = asyncio.run(intake.receive(pieces(b"G2", b"8\n"), "a.gcode", 0))
    assert not sliced.written and len(sliced.sha256) == 64


def test_records_survive_a_stop_in_the_middle(tmp_path: Path) -> None:
    workspace = Workspace(tmp_path)
    for code, state in (
        ("aaaaaa", "planning"),
        ("bbbbbb", "printing"),
        ("cccccc", "filming"),
        ("dddddd", "done"),
    ):
        workspace.keep(record(code, state, 1.0))
    (tmp_path / "jobs" / "eeeeee").mkdir()
    (tmp_path / "jobs" / "eeeeee" / "record.json").write_text("{")
    assert workspace.settle() == ["cccccc"]
    assert {one.code: one.state for one in workspace.records()} == {
        "aaaaaa": "planning",
        "bbbbbb": "printing",  # it may still go on
        "cccccc": "done",
        "dddddd": "done",
    }
    for wrong in ("eeeeeg", "../../x", "AAAAAA", ""):
        with pytest.raises(JobError):
            workspace.job(wrong)


def test_an_outcome_has_the_last_object(tmp_path: Path) -> None:
    ended: list[Outcome] = []
    children = Children(lambda: math.inf)
    children.start()
    missing = tmp_path / "none.gcode"
    children.add(Task(name="x", words=("analyse", str(missing)), done=ended.append))
    until(lambda: ended)
    children.stop()
    assert ended[0].status == 2 and "there is no such" in ended[0].words
