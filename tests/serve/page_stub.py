"""The service's pages in front of a service that says whatever a test wants: every state, without a print."""

from __future__ import annotations

import copy
import io
import json
import threading
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from importlib import resources
from typing import Any
from urllib.parse import unquote, urlsplit

from PIL import Image, ImageDraw

from twinlapse.capture.access_policy import _HEADERS

KINDS = {"html": "text/html; charset=utf-8", "css": "text/css", "js": "text/javascript"}


def picture(
    words: str, size: tuple[int, int] = (640, 480), colour: tuple[int, int, int] = (70, 96, 74)
) -> bytes:
    """Return a JPEG that says what it stands for."""
    image = Image.new("RGB", size, colour)
    pen = ImageDraw.Draw(image)
    pen.rectangle([size[0] // 3, size[1] // 3, 2 * size[0] // 3, 3 * size[1] // 4], fill=(184, 96, 62))
    pen.text((20, 20), words, fill=(255, 255, 255))
    data = io.BytesIO()
    image.save(data, "JPEG")
    return data.getvalue()


class PageStub:
    """Serves the pages' files, ``answers`` by path, and a picture for every other path."""

    def __init__(self) -> None:
        self.answers: dict[str, Any] = {}
        self.posted: list[tuple[str, Any]] = []
        self.fetched: list[str] = []
        self.film = b""
        self.refuses: dict[str, tuple[int, dict[str, str]]] = {}
        self.away = False  # nothing is answered
        stub = self

        class Handler(BaseHTTPRequestHandler):
            def do_GET(self) -> None:
                path = unquote(urlsplit(self.path).path)
                stub.fetched.append(path)
                if stub.away:
                    self.connection.close()
                    return
                if path == "/favicon.ico":
                    self._say(b"", "image/x-icon", 204)
                    return
                name = "page.html" if path == "/" else path[1:]
                if "/" not in name and (suffix := name.rpartition(".")[2]) in KINDS:
                    self._say(
                        resources.files("twinlapse.serve").joinpath("page", name).read_bytes(), KINDS[suffix]
                    )
                elif path in stub.answers:
                    self._say(json.dumps(stub.answers[path]).encode(), "application/json")
                elif path.endswith(".mp4"):
                    self._say(stub.film, "video/mp4")
                elif path.endswith((".jpg", ".png")):
                    self._say(picture(path), "image/jpeg")
                else:
                    self._say(b'{"error": "there is nothing here"}', "application/json", 404)

            def do_POST(self) -> None:
                body = self.rfile.read(int(self.headers.get("Content-Length") or 0))
                path = unquote(urlsplit(self.path).path)
                if stub.away:
                    self.connection.close()
                    return
                stub.posted.append((path, body))
                if path in stub.refuses:
                    status, said = stub.refuses[path]
                    self._say(json.dumps(said).encode(), "application/json", status)
                    return
                self._say(
                    json.dumps(stub.answers.get(f"POST {path}", {"done": path})).encode(), "application/json"
                )

            def _say(self, data: bytes, kind: str, status: int = 200) -> None:
                self.send_response(status)
                for key, value in {
                    **_HEADERS,
                    "content-type": kind,
                    "content-length": str(len(data)),
                }.items():
                    self.send_header(key, value)
                self.end_headers()
                self.wfile.write(data)

            def log_message(self, *_: Any) -> None:
                pass

        self._server = ThreadingHTTPServer(("127.0.0.1", 0), Handler)
        self._server.daemon_threads = True
        self.address = f"http://127.0.0.1:{self._server.server_address[1]}"
        threading.Thread(target=self._server.serve_forever, args=(0.05,), daemon=True).start()

    def close(self) -> None:
        self._server.shutdown()
        self._server.server_close()

    def show(self, answers: dict[str, Any]) -> None:
        self.answers = copy.deepcopy(answers)


# -- what a service says

CODE = "a1b2c3"
NOW_S = 1_790_000_000.0
JOB: dict[str, Any] = {
    "code": CODE,
    "name": "plant label.gcode",
    "printer": "shed",
    "state": "ready",
    "why": "",
    "came_s": NOW_S,
    "printed_s": 0.0,
    "print_s": 5400.0,
    "added_s": 312.0,
    "shots": 76,
    "layers": 75,
    "files": {"filmed.gcode": 4_200_000, "plan.html": 310_000},
    "previews": {},
}
PRINTER: dict[str, Any] = {
    "name": "shed",
    "code": "",
    "trouble": "",
    "channels": {"serial": "", "mqtt": ""},
    "capture": None,
    "waits": None,
}
CAMERA: dict[str, Any] = {
    "state": "live",
    "fault": "",
    "fps": 15.0,
    "reconnects": 0,
    "age_s": 0.1,
    "age_by": "stamp",
    "taken": 23,
    "proven": 23,
    "missed": 0,
    "last": 23,
    "reference": 1,
}
CAPTURE: dict[str, Any] = {
    "job": CODE * 10,
    "run": 1,
    "ended": False,
    "shots": 76,
    "done": 23,
    "layers": 75,
    "next": {"shot": 24, "layer": 24},
    "due_in_s": 41.0,
    "left_s": 3720,
    "cameras": {"wide": CAMERA, "nozzle": {**CAMERA, "missed": 1}},
    "lights": {"count": 1, "on": False, "held_s": 0, "on_s": 3.0, "share": 0.01, "fault": ""},
    "notes": [],
    "free_mb": 9000,
    "troubles": [],
    "alarms": [],
    "looks": [],
}
SOUND = {"layer": 1, "whole": True, "state": "sound", "words": "nothing found"}
FOUND = {
    "layer": 1,
    "whole": True,
    "state": "found",
    "words": "serious gap at X101 Y57, 2.4 mm. Look before you print on",
}
TROUBLE = {"code": "layer 1", "text": "layer 1: serious gap at X101 Y57", "since": NOW_S}
GONE = {**CAMERA, "state": "gone", "fault": "no such device", "last": None}


def state(
    job: dict[str, Any] | None = None, printer: dict[str, Any] | None = None, **more: Any
) -> dict[str, Any]:
    """Return the answers of a service with one printer and at most one job."""
    jobs = [] if job is None else [{**JOB, **job}]
    told = {
        "time_s": NOW_S,
        "printers": [{**PRINTER, **(printer or {})}],
        "jobs": jobs,
        "working": [],
        "free_mb": 9000,
        "budget_gb": 0.0,
        "would_go": [],
        **more,
    }
    return {"/state": told, f"/jobs/{CODE}/plan": {"warnings": [], "waits": 0}}


def printing(capture: dict[str, Any], printer: dict[str, Any] | None = None) -> dict[str, Any]:
    """Return the answers of a service while a job prints."""
    live = {**CAPTURE, **capture}
    told = state(
        {"state": "printing", "printed_s": NOW_S}, {"code": CODE, "capture": live, **(printer or {})}
    )
    return {**told, f"/jobs/{CODE}/status": live}


def rig(report: dict[str, Any], **health: Any) -> dict[str, Any]:
    """Return the answers of a service whose cameras are looked at."""
    cameras = {
        camera["name"]: {"state": "live", "fault": "", "fps": 15.0} for camera in report.get("cameras", [])
    }
    look = {"printing": False, "cameras": cameras, "lights": {"count": 1, "on": False, "fault": ""}, **health}
    return {**state(), "/rigs/shed/report": report, "POST /rigs/shed/look": look}


FINISHED = {
    "state": "done",
    "printed_s": NOW_S,
    "files": {**JOB["files"], "film.mp4": 3_400_000, "poster.jpg": 210_000},
    "previews": {"inset": 1, "side": 1, "stack": 1, "near-far": 1},
}
USB = "/dev/v4l/by-path/pci-0000:00:14.0-usb-0:2:1.0-video-index0"
SECTION = f'[[camera]]\nname = "camera1"\nmount = "frame"\nsource = "v4l2:{USB}"\n'
BOARD = {
    "cameras": [
        {
            "name": "USB camera",
            "path": USB,
            "modes": [],
            "controls": [],
            "held_by": ["capture"],
            "section": SECTION,
        }
    ],
    "faults": [],
}
WAITS = {
    "layer": 1,
    "shot": 3,
    "since_s": NOW_S,
    "until_s": NOW_S + 1800,
    "otherwise": "it goes on by itself",
    "can_send": True,
    "why": "",
    "go_on": "M108",
    "stop": "M112",
    "default": "stop",
    "answered": "",
}

# every state that the page has, by name: the address behind #/, and what the service says
STATES: dict[str, tuple[str, dict[str, Any]]] = {
    "nothing yet": ("", {"/state": {**state()["/state"], "printers": [], "jobs": []}}),
    "overview": (
        "",
        state({"state": "ready"}, would_go=[CODE], budget_gb=2.0, working=["filming pot.gcode"]),
    ),
    "overview, unheard": ("", state(None, {"channels": {"serial": "no such port: is it plugged in?"}})),
    "overview, rig at fault": ("", state(None, {"trouble": "rig.toml:3: bed is not known", "channels": {}})),
    "planning": (f"job/{CODE}", state({"state": "planning"})),
    "failed": (f"job/{CODE}", state({"state": "failed", "why": "line 12: the nozzle would hit the clip"})),
    "before": (
        f"job/{CODE}",
        {
            **state({}),
            f"/jobs/{CODE}/plan": {"warnings": ["after the survey of layer 1 it waits"], "waits": 1},
        },
    ),
    "during, printing": (f"job/{CODE}", printing({"looks": [{**SOUND, "state": "looking", "words": ""}]})),
    "during, sound": (f"job/{CODE}", printing({"looks": [SOUND]})),
    "during, look here": (
        f"job/{CODE}",
        printing({"looks": [FOUND], "troubles": [TROUBLE]}),
    ),
    "during, trouble": (
        f"job/{CODE}",
        printing(
            {
                "looks": [SOUND],
                "cameras": {"wide": CAMERA, "nozzle": GONE},
                "troubles": [{"code": "camera nozzle", "text": "nozzle: no such device", "since": NOW_S}],
            }
        ),
    ),
    "hold waiting": (f"job/{CODE}", printing({"looks": [FOUND]}, {"waits": WAITS})),
    "hold, sound": (f"job/{CODE}", printing({"looks": [SOUND]}, {"waits": {**WAITS, "answered": "go-on"}})),
    "hold, no way to send": (
        f"job/{CODE}",
        printing({"looks": [SOUND]}, {"waits": {**WAITS, "can_send": False, "why": "the rig names no way"}}),
    ),
    "filming": (
        f"job/{CODE}",
        state(
            {**FINISHED, "state": "filming", "files": JOB["files"], "previews": {}},
            working=["filming plant label.gcode"],
        ),
    ),
    "after": (f"job/{CODE}", state(FINISHED)),
    "printer": (
        "printer/shed",
        {
            **state(),
            "/printers/shed/lines": {
                "channels": {"serial": ""},
                "lines": [
                    {
                        "at_s": NOW_S,
                        "channel": "serial",
                        "text": "echo:twinlapse begin a1b2c3",
                        "meaning": "begin",
                    },
                    {
                        "at_s": NOW_S,
                        "channel": "serial",
                        "text": "T:210.0 /210.0 B:60.0 /60.0",
                        "meaning": "",
                    },
                ],
            },
        },
    ),
}
