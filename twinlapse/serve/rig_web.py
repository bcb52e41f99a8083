"""The part of the service's HTTP that serves to set up a rig.

``GET /cameras`` (of this board); ``GET /rigs/PRINTER/report``; ``POST /rigs/PRINTER/look`` {light} keeps its
cameras open for a few seconds; ``GET /rigs/PRINTER/cameras/CAMERA.jpg``, the newest picture meanwhile.
"""

from __future__ import annotations

import asyncio
import contextlib
import json
import os
import subprocess
import sys
import threading
from dataclasses import asdict
from pathlib import Path
from typing import Any

from starlette.requests import Request
from starlette.responses import JSONResponse, Response
from starlette.routing import Route

from twinlapse.cameras.listing import list_cameras, section_of
from twinlapse.capture.json_requests import BadRequestError, read_body
from twinlapse.capture.trust import commands_of, in_words, is_trusted
from twinlapse.errors import CaptureError, JobError, TwinlapseError
from twinlapse.names import CAMERA_NAME
from twinlapse.serve.service import ServeService

__all__ = ["RigReports", "rig_routes"]

_LIMIT_S = 60.0  # for the report of a rig, on a small board that is busy (common practice, no source)


class RigReports:
    """The report of each rig file, made by a process of its own and kept until the file changes."""

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._kept: dict[Path, tuple[tuple[int, int], dict[str, Any]]] = {}

    def of(self, rig_file: Path) -> dict[str, Any]:
        """Return the report of a rig file; ``error`` and ``hint`` where it is faulty.

        Raises
        ------
        CaptureError
            when no report could be made.
        """
        status = rig_file.stat()
        mark = (status.st_mtime_ns, status.st_size)
        with self._lock:  # one at a time
            kept = self._kept.get(rig_file)
            if kept is None or kept[0] != mark:
                self._kept[rig_file] = kept = (mark, _made(rig_file))
            return kept[1]


def rig_routes(service: ServeService) -> list[Route]:
    """Return the routes."""
    reports = RigReports()

    async def cameras(request: Request) -> Response:
        found, faults = await asyncio.to_thread(list_cameras)
        listed = [
            {**asdict(camera), "section": section_of(camera, f"camera{number}")}
            for number, camera in enumerate(found, 1)
        ]
        return JSONResponse({"cameras": listed, "faults": faults})

    async def report(request: Request) -> Response:
        name = request.path_params["printer"]
        rig_file = service.workspace.rig_file(name)
        made = await asyncio.to_thread(reports.of, rig_file)
        return JSONResponse({**made, "file": str(rig_file), "untrusted": _untrusted(service, name)})

    async def look(request: Request) -> Response:
        printer = service.printer(request.path_params["printer"])
        light = (await read_body(request, {"light"}, without=b"{}")).get("light")
        if light is not None and not isinstance(light, bool):
            raise BadRequestError("light is true or false", "")
        return JSONResponse(await asyncio.to_thread(printer.view.look, light=light))

    async def picture(request: Request) -> Response:
        camera = request.path_params["camera"]
        data = None
        if CAMERA_NAME.fullmatch(camera):
            data = service.printer(request.path_params["printer"]).view.picture(camera)
        if data is None:
            raise JobError("there is no such picture", "")
        return Response(data, media_type="image/jpeg")

    return [
        Route("/cameras", cameras),
        Route("/rigs/{printer}/report", report),
        Route("/rigs/{printer}/look", look, methods=["POST"]),
        Route("/rigs/{printer}/cameras/{camera}.jpg", picture),
    ]


def _untrusted(service: ServeService, name: str) -> str:
    """Return the commands of a rig that are not run because nobody has trusted them, one a line."""
    with contextlib.suppress(TwinlapseError):
        commands = commands_of(service.workspace.rig(name))
        return "" if is_trusted(commands) else in_words(commands)
    return ""


def _made(rig_file: Path) -> dict[str, Any]:
    child = subprocess.Popen(  # noqa: S603  (our own interpreter, words as a list)
        [sys.executable, "-m", "twinlapse.serve.rig_report", str(rig_file)],
        stdin=subprocess.DEVNULL,
        stdout=subprocess.PIPE,
        stderr=subprocess.DEVNULL,
    )
    with child:
        with contextlib.suppress(OSError):
            os.setpriority(os.PRIO_PROCESS, child.pid, 19)
        try:
            said = json.loads(child.communicate(timeout=_LIMIT_S)[0])
        except subprocess.TimeoutExpired:
            child.kill()
            raise CaptureError("the rig could not be checked in time", "load the page again later") from None
        except ValueError:
            raise CaptureError(
                "the rig could not be checked", f"run 'twinlapse rig check {rig_file}' on the board"
            ) from None
    return dict(said)
