"""A print that waits for a person: its firmware's own command goes out when asked for, and nothing else."""

from __future__ import annotations

import json
import socket
import threading
import time
from collections.abc import Iterator
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from typing import Any
from urllib.parse import parse_qs, urlsplit

import pytest

from twinlapse.errors import CaptureError

from .printing import Printer, camera, plan_of, pty_pair, read_some, rig_text

HOLD = "survey_layers = [1]\nhold = true\nhold_max_s = 600"


@pytest.fixture
def source() -> Iterator[str]:
    with camera() as made:
        yield made


def waiting(tmp_path: Path, rig: str) -> tuple[Printer, str]:
    """Return a printer whose print waits behind its first layer."""
    printer = Printer(tmp_path / "board", "shed", rig)
    code = printer.add(plan_of("label", holds=(1,)))
    printer.session.start()
    assert printer.session.status()["waits"] is None
    printer.say(f"twinlapse begin {code}")
    printer.session.capture.wait_for_cameras()  # type: ignore[union-attr]
    printer.say(f"twinlapse cue 1.1 wide {code}")
    return printer, code


def test_go_on_and_stop_go_over_the_serial_line_and_nothing_else_does(tmp_path: Path, source: str) -> None:
    with pty_pair() as (machine, port):
        printer, code = waiting(tmp_path, rig_text(source, capture=f'serial = "{port}"', plan=HOLD))
        waits = printer.session.status()["waits"]
        assert (waits["layer"], waits["go_on"], waits["stop"]) == (1, "M108", "M112")
        assert waits["default"] == "stop" and waits["can_send"] and waits["answered"] == ""
        assert waits["otherwise"] == "it goes on by itself"
        assert waits["until_s"] == pytest.approx(time.time() + 600, abs=5)
        with pytest.raises(CaptureError, match="behind layer 1"):
            printer.session.answer("go-on", 2)
        assert read_some(machine, 0.3) == b""
        assert "M108" in printer.session.answer("go-on", 1)
        assert read_some(machine) == b"M108\n"
        assert printer.session.status()["waits"]["answered"] == "go-on"
        printer.say(f"twinlapse cue 1.1 wide {code}")  # once more, late: it is the same wait
        assert printer.session.status()["waits"]["answered"] == "go-on"
        printer.say("twinlapse arm 2")
        assert printer.session.status()["waits"] is None
        with pytest.raises(CaptureError, match="does not wait"):
            printer.session.answer("stop")
        assert read_some(machine, 0.3) == b"" and printer.over == []
        printer.session.stop()


def test_stop_ends_the_print_with_its_lamps_and_film(tmp_path: Path, source: str) -> None:
    own = '[capture.answers]\nstop = ["M524", "M104 S0"]'
    with pty_pair() as (machine, port):
        printer, code = waiting(tmp_path, rig_text(source, capture=f'serial = "{port}"\n{own}', plan=HOLD))
        printer.session.answer("stop", 1)
        assert read_some(machine) == b"M524\nM104 S0\n"
        assert printer.over == [code] and printer.session.code == ""
        printer.session.stop()


def test_a_wait_survives_a_kill_of_the_service(tmp_path: Path, source: str) -> None:
    with pty_pair() as (machine, port):
        rig = rig_text(source, capture=f'serial = "{port}"', plan=HOLD)
        printer, code = waiting(tmp_path, rig)
        printer.session.stop()  # what is on the disk is what a kill leaves
        again = Printer(tmp_path / "board", "shed", rig)
        again.session.start()
        assert again.session.code == code and again.session.status()["waits"]["layer"] == 1
        again.session.answer("go-on")
        assert read_some(machine) == b"M108\n"
        again.session.stop()


def test_a_rig_that_only_listens_says_that_nothing_can_be_sent(tmp_path: Path, source: str) -> None:
    printer, _ = waiting(tmp_path, rig_text(source, plan=HOLD))
    waits = printer.session.status()["waits"]
    assert not waits["can_send"] and "nothing can be sent" in waits["why"]
    with pytest.raises(CaptureError, match="nothing can be sent"):
        printer.session.answer("go-on")
    printer.session.stop()


def klippy(path: Path, asked: list[Any], error: str = "") -> socket.socket:
    """A stand-in for the API socket (API_Server.md): each request is answered by its id, 0x03 ends each."""
    listening = socket.socket(socket.AF_UNIX)
    listening.bind(str(path))
    listening.listen()

    def serve(line: socket.socket) -> None:
        with line:
            while data := line.recv(4096):
                for message in data.split(b"\x03")[:-1]:
                    asked.append(json.loads(message))
                    said = {"error": {"message": error}} if error else {"result": {}}
                    if asked[-1]["method"] == "gcode/subscribe_output":
                        said = {"result": {}}
                    line.sendall(json.dumps({"id": asked[-1]["id"], **said}).encode() + b"\x03")

    def run() -> None:
        while True:
            try:
                line, _ = listening.accept()
            except OSError:
                return
            threading.Thread(target=serve, args=(line,), daemon=True).start()

    threading.Thread(target=run, daemon=True).start()
    return listening


def test_klipper_is_told_through_its_socket(tmp_path: Path, source: str) -> None:
    asked: list[Any] = []
    with klippy(tmp_path / "klippy", asked):
        capture = f'klipper_socket = "{tmp_path / "klippy"}"'
        printer, _ = waiting(tmp_path, rig_text(source, firmware="klipper", capture=capture, plan=HOLD))
        assert "the print is lost" in printer.session.status()["waits"]["otherwise"]
        printer.session.answer("go-on", 1)
        printer.session.answer("stop", 1)
        scripts = [one["params"]["script"] for one in asked if one["method"] == "gcode/script"]
        assert scripts == ["RESUME", "CANCEL_PRINT\nTURN_OFF_HEATERS"]
        printer.session.stop()
    with klippy(tmp_path / "other", asked, error="Print is not paused, resume aborted"):
        capture = f'klipper_socket = "{tmp_path / "other"}"'
        printer, _ = waiting(tmp_path / "b", rig_text(source, firmware="klipper", capture=capture, plan=HOLD))
        with pytest.raises(CaptureError, match="not paused"):
            printer.session.answer("go-on", 1)
        assert printer.session.status()["waits"]["answered"] == ""
        printer.session.stop()


def test_reprapfirmware_is_told_by_http(tmp_path: Path, source: str) -> None:
    """A stand-in for its HTTP requests: rr_connect, rr_model, rr_reply and rr_gcode."""
    told: list[str] = []

    class Machine(BaseHTTPRequestHandler):
        def do_GET(self) -> None:
            where = urlsplit(self.path)
            if where.path == "/rr_gcode":
                told.append(parse_qs(where.query)["gcode"][0])
            body = json.dumps({"err": 0, "result": {"reply": 0}, "buff": 240}).encode()
            self.send_response(200)
            self.send_header("Content-Length", str(len(body)))
            self.end_headers()
            self.wfile.write(body)

        def log_message(self, *_: Any) -> None:
            pass

    server = ThreadingHTTPServer(("127.0.0.1", 0), Machine)
    threading.Thread(target=server.serve_forever, args=(0.05,), daemon=True).start()
    capture = f'reprapfirmware = "http://127.0.0.1:{server.server_address[1]}"'
    printer, _ = waiting(tmp_path, rig_text(source, firmware="reprapfirmware", capture=capture, plan=HOLD))
    waits = printer.session.status()["waits"]
    assert waits["until_s"] == 0 and waits["otherwise"] == "it waits on, hot"
    printer.session.answer("go-on", 1)
    assert told == ["M292 P0"]
    printer.session.stop()
    server.shutdown()
    server.server_close()
