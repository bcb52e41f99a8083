"""The service as HTTP: pages, files in and out, lines and cues from a host, pictures of a live print.

``GET /state``; ``GET /jobs/CODE/status``, ``/jobs/CODE/plan``, ``/jobs/CODE/files/NAME``,
``/jobs/CODE/cameras/CAMERA/WHICH.jpg``, ``/jobs/CODE/layers/N.png``, ``/jobs/CODE/previews/LAYOUT.jpg``;
``GET /printers/NAME/lines``; ``POST /printers/NAME/files?name=FILE`` (the file); ``POST /plans/CODE`` (an
edited plan); ``POST /line`` {printer, line, late_s}; ``POST /jobs/CODE/send``, ``render`` {layout},
``preview``, ``end``, ``delete``, ``light`` {minutes}, ``go-on`` and ``stop`` {layer}: to one that waits;
``POST /login``. Setting up rigs: see `rig_web`.
"""

from __future__ import annotations

import asyncio
import json
from collections.abc import Awaitable, Callable
from dataclasses import asdict
from pathlib import Path
from typing import Any, cast, get_args

from starlette.applications import Starlette
from starlette.requests import ClientDisconnect, Request
from starlette.responses import FileResponse, JSONResponse, Response
from starlette.routing import Route

from twinlapse.capture.access_policy import TOO_LARGE, AccessGuard, AccessRules, bearer_token, session_cookie
from twinlapse.capture.json_requests import BadRequestError, give_page, read_body, read_number
from twinlapse.errors import JobError, TwinlapseError
from twinlapse.names import CAMERA_NAME
from twinlapse.serve.intake import MOST_BYTES
from twinlapse.serve.previews import LAYOUTS, preview_file
from twinlapse.serve.rig_web import rig_routes
from twinlapse.serve.service import ServeService
from twinlapse.serve.waits import Choice
from twinlapse.shots import plan_from_json, read_plan

__all__ = ["PLAN_BYTES", "PLAN_PATH", "UPLOAD_PATH", "Handler", "make_app"]

PLAN_PATH = "/plans/"  # an edited plan, from the viewer
PLAN_BYTES = 16 << 20
UPLOAD_PATH = "/printers/"  # bodies below it may be as large as a sliced file
_PAGES = ("page.html", "page.css", "page.js", "nodes.js", "asking.js", "words.js", "answer.js", "overview.js",
          "printer.js", "job.js", "film.js", "rig.js")  # fmt: skip
_FILES = {
    "filmed.gcode": "text/plain; charset=utf-8",
    "plan.json": "application/json",
    "plan.html": "text/html; charset=utf-8",
    "film.mp4": "video/mp4",
    "poster.jpg": "image/jpeg",
}
# the viewer is one file whose script and style stand inside it; it talks to nobody but this service
_VIEWER_POLICY = (
    "default-src 'none'; script-src 'unsafe-inline'; style-src 'unsafe-inline'; img-src data: blob:; "
    "connect-src 'self'; frame-ancestors 'none'; base-uri 'none'; form-action 'none'"
)
Handler = Callable[[Request], Awaitable[Response]]


def make_app(service: ServeService, rules: AccessRules) -> AccessGuard:
    """Return the guarded application."""
    api = _Api(service)
    routes = [
        *(
            Route("/" if name == "page.html" else f"/{name}", give_page("twinlapse.serve", name))
            for name in _PAGES
        ),
        Route("/favicon.ico", _nothing),
        Route("/login", _login, methods=["POST"]),
        Route("/state", api.state),
        Route("/jobs/{code}/status", api.status),
        Route("/jobs/{code}/files/{name}", api.file),
        Route("/jobs/{code}/plan", api.plan),
        Route("/jobs/{code}/previews/{layout}.jpg", api.preview),
        Route("/jobs/{code}/cameras/{camera}/{which}.jpg", api.picture),
        Route("/jobs/{code}/layers/{layer:int}.png", api.layer),
        Route("/printers/{printer}/lines", api.lines),
        Route("/printers/{printer}/files", api.take, methods=["POST"]),
        *rig_routes(service),
        Route("/line", api.line, methods=["POST"]),
        Route("/plans/{code}", api.edited, methods=["POST"]),
        Route("/jobs/{code}/{act}", api.act, methods=["POST"]),
    ]
    handlers: dict[Any, Any] = {
        BadRequestError: _told(400),
        JobError: _told(404),
        TwinlapseError: _told(409),
        ClientDisconnect: _plain(400, "the file did not arrive whole"),
        404: _plain(404, "there is nothing here"),
        405: _plain(405, "this address does not know that method"),
        413: _plain(413, TOO_LARGE),
    }
    app = Starlette(routes=routes, exception_handlers=handlers)
    open_paths = frozenset(f"/{name}" for name in ("", "favicon.ico", *_PAGES))
    uploads = {UPLOAD_PATH: MOST_BYTES, PLAN_PATH: PLAN_BYTES}
    return AccessGuard(app, rules, uploads=uploads, open_paths=open_paths)


class _Api:
    """The handlers, each a thin call of the service."""

    def __init__(self, service: ServeService) -> None:
        self._service = service

    async def state(self, request: Request) -> Response:
        return JSONResponse(await asyncio.to_thread(self._service.state))

    async def status(self, request: Request) -> Response:
        code = request.path_params["code"]
        self._service.workspace.job(code)
        live = next((one.capture for one in self._service.printers.values() if one.code == code), None)
        return JSONResponse(None if live is None else await asyncio.to_thread(live.status))

    async def file(self, request: Request) -> Response:
        name, folder = request.path_params["name"], self._folder(request)
        path = folder / name
        if name not in _FILES or path.is_symlink() or not path.is_file():
            raise JobError("there is no such file", "reload the page")
        if name == "plan.html":
            return _viewer(path, request.path_params["code"])
        shown = "inline" if name in ("plan.html", "film.mp4", "poster.jpg") else "attachment"
        record = self._service.workspace.record(request.path_params["code"])
        stem = Path(record.name).stem
        return FileResponse(
            path,
            media_type=_FILES[name],
            filename=f"{stem}-{name}",
            content_disposition_type=shown,
        )

    async def picture(self, request: Request) -> Response:
        camera, which = request.path_params["camera"], request.path_params["which"]
        if not CAMERA_NAME.fullmatch(camera) or which not in ("live", "last", "reference"):
            raise JobError("there is no such picture", "")
        capture = self._capture(request.path_params["code"])
        data = await asyncio.to_thread(capture.picture, camera, which)
        return _picture(data, "image/jpeg")

    async def plan(self, request: Request) -> Response:
        plan = await asyncio.to_thread(
            read_plan, self._service.workspace.job(request.path_params["code"]).plan
        )
        waits = sum(shot.hold_mm is not None for shot in plan.shots)
        return JSONResponse({"warnings": list(plan.warnings), "waits": waits})

    async def preview(self, request: Request) -> Response:
        layout = request.path_params["layout"]
        path = preview_file(self._folder(request), layout)
        if layout not in LAYOUTS or not path.is_file():
            raise JobError("there is no such picture", "")
        return FileResponse(path, media_type="image/jpeg")

    async def layer(self, request: Request) -> Response:
        capture = self._capture(request.path_params["code"])
        data = await asyncio.to_thread(capture.layer_picture, request.path_params["layer"])
        return _picture(data, "image/png")

    async def lines(self, request: Request) -> Response:
        printer = self._service.printer(request.path_params["printer"])
        return JSONResponse(
            {
                "channels": {name: channel.fault for name, channel in printer.channels.items()},
                "lines": [asdict(line) for line in printer.lines.lately()],
            }
        )

    async def take(self, request: Request) -> Response:
        printer, name = request.path_params["printer"], request.query_params.get("name", "")
        self._service.printer(printer)
        length = request.headers.get("content-length", "0")
        if not length.isdigit():
            raise BadRequestError("the length of the file is not told", "")
        intake = self._service.intake
        received = await intake.receive(request.stream(), name, int(length))
        record = await asyncio.to_thread(intake.take, received, printer)
        return JSONResponse(asdict(record), status_code=202)

    async def edited(self, request: Request) -> Response:
        code = request.path_params["code"]
        try:
            plan = plan_from_json(json.loads(await request.body()))
        except (ValueError, RecursionError):
            raise BadRequestError("the body is no plan", "") from None
        await asyncio.to_thread(self._service.edit, code, plan)
        return JSONResponse({"done": "edited"}, status_code=202)

    async def line(self, request: Request) -> Response:
        body = await read_body(request, {"printer", "line", "late_s"}, without=b"{}")
        printer, line, late_s = body.get("printer", ""), body.get("line", ""), body.get("late_s", 0.0)
        if not isinstance(printer, str) or not isinstance(line, str) or len(line) > 1000:
            raise BadRequestError("printer and line are texts", "")
        if isinstance(late_s, bool) or not isinstance(late_s, int | float) or not 0 <= late_s <= 1e6:
            raise BadRequestError("late_s is not a number of seconds", "")
        names = list(self._service.printers)
        session = self._service.printer(printer or (names[0] if len(names) == 1 else printer))
        meaning = await asyncio.to_thread(session.lines.hear, line, float(late_s), channel="http")
        return JSONResponse({"meaning": meaning})

    async def act(self, request: Request) -> Response:
        code, act = request.path_params["code"], request.path_params["act"]
        body = await read_body(request, {"layout", "minutes", "layer"}, without=b"{}")
        service, said = self._service, ""
        service.workspace.job(code)
        if act == "send":
            said = await asyncio.to_thread(service.send, code)
        elif act == "render":
            await asyncio.to_thread(service.render, code, str(body.get("layout", "")))
        elif act == "preview":
            await asyncio.to_thread(service.preview, code)
        elif act == "end":
            session = next((one for one in service.printers.values() if one.code == code), None)
            if session is not None:
                await asyncio.to_thread(session.give_up, "a person said that it is over")
        elif act in get_args(Choice):
            layer = int(read_number(body, "layer", 1, 1e6)) if "layer" in body else None
            said = await asyncio.to_thread(service.answer, code, cast(Choice, act), layer)
        elif act == "delete":
            await asyncio.to_thread(service.delete, code)
        elif act == "light":
            minutes = read_number(body, "minutes", 0, 60)
            await asyncio.to_thread(self._capture(code).hold_light, 60.0 * minutes)
        else:
            raise JobError("there is nothing here", "")
        return JSONResponse({"done": act, "said": said})

    def _folder(self, request: Request) -> Path:
        return self._service.workspace.job(request.path_params["code"]).folder

    def _capture(self, code: str) -> Any:
        for printer in self._service.printers.values():
            if code and printer.code == code and printer.capture is not None:
                return printer.capture
        raise JobError("this job is not being printed", "")


async def _login(request: Request) -> Response:
    """Answer a request that showed the token, by a cookie that shows it from now on."""
    token = bearer_token(request.headers)
    return Response(status_code=204, headers={"set-cookie": session_cookie(token)} if token else {})


async def _nothing(request: Request) -> Response:
    return Response(status_code=204)


def _viewer(path: Path, code: str) -> Response:
    """Return the viewer of a plan, told where to save an edited one."""
    page = path.read_text("utf-8").replace("<html ", f'<html data-save="{PLAN_PATH}{code}" ', 1)
    headers = {"content-security-policy": _VIEWER_POLICY}
    return Response(page, media_type=_FILES["plan.html"], headers=headers)


def _picture(data: bytes | None, kind: str) -> Response:
    if data is None:
        raise JobError("there is no such picture", "")
    return Response(data, media_type=kind)


def _told(status: int) -> Callable[[Request, TwinlapseError], Awaitable[Response]]:
    async def answer(request: Request, error: TwinlapseError) -> Response:
        return JSONResponse({"error": error.what, "hint": error.hint}, status_code=status)

    return answer


def _plain(status: int, words: str) -> Callable[[Request, Exception], Awaitable[Response]]:
    async def answer(request: Request, error: Exception) -> Response:
        return JSONResponse({"error": words, "hint": ""}, status_code=status)

    return answer
