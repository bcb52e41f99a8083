"""The service as HTTP: cues, state, pictures, the page. GET changes nothing.

``POST /cue`` {shot, stop?, cameras?, job?, late_s?}; ``POST /light`` {minutes}; ``POST /run`` {event,
job?}; ``GET /status``; ``GET /cameras/NAME/live.jpg``, ``last.jpg``, ``reference.jpg``; ``GET
/layers/N.png``.
"""

from __future__ import annotations

import asyncio
import re
import time
from collections.abc import Awaitable, Callable
from typing import Any, Protocol

from starlette.applications import Starlette
from starlette.requests import Request
from starlette.responses import JSONResponse, Response
from starlette.routing import Route

from twinlapse.capture.access_policy import TOO_LARGE, AccessGuard, AccessRules
from twinlapse.capture.cue_handler import Answer, UnknownShotError
from twinlapse.capture.json_requests import BadRequestError, give_page, read_body, read_number
from twinlapse.errors import TwinlapseError
from twinlapse.names import CAMERA_NAME
from twinlapse.shots import Cue

__all__ = ["ServiceApi", "make_app", "read_cue"]

_JOB = re.compile(r"[0-9a-f]{6,64}")  # the sha256 of the G-code, or how it begins
_NUMBERS = {"shot": 999_999_999, "stop": 999, "late_s": 1e6}


class ServiceApi(Protocol):
    """What the web needs of the service."""

    def cue(self, cue: Cue, *, job: str, late_s: float, channel: str) -> Answer:
        """Answer a cue."""

    def mark_run(self, event: str, job: str) -> None:
        """Take in that a print begins or ends."""

    def hold_light(self, seconds: float) -> None:
        """Keep the lights on, 0 lets go."""

    def status(self) -> dict[str, Any]:
        """Return what the page shows."""

    def picture(self, camera: str, which: str) -> bytes | None:
        """Return the "live", "last" or "reference" picture of a camera."""

    def layer_picture(self, layer: int) -> bytes | None:
        """Return the map of a surveyed layer, from 1, as PNG."""


def make_app(api: ServiceApi, rules: AccessRules) -> AccessGuard:
    """Return the guarded application."""

    async def cue(request: Request) -> Response:
        came_s = time.monotonic()
        body = await read_body(request, {"shot", "stop", "cameras", "job", "late_s"})
        wanted, job, late_s = read_cue(body)

        def ask() -> Answer:  # a busy machine may let it wait for a thread
            under_way_s = late_s + time.monotonic() - came_s
            return api.cue(wanted, job=job, late_s=under_way_s, channel="http")

        answer = await asyncio.to_thread(ask)
        return JSONResponse(answer.to_json())

    async def run(request: Request) -> Response:
        body = await read_body(request, {"event", "job"})
        event, job = body.get("event"), _job(body)
        if event not in ("begin", "end"):
            raise BadRequestError('event is neither "begin" nor "end"', "")
        await asyncio.to_thread(api.mark_run, event, job)
        return JSONResponse({"event": event})

    async def light(request: Request) -> Response:
        body = await read_body(request, {"minutes"})
        minutes = read_number(body, "minutes", 0, 60)
        await asyncio.to_thread(api.hold_light, 60 * minutes)
        return JSONResponse({"minutes": minutes})

    async def status(request: Request) -> Response:
        return JSONResponse(await asyncio.to_thread(api.status))

    async def picture(request: Request) -> Response:
        camera, which = request.path_params["camera"], request.path_params["which"]
        if not CAMERA_NAME.fullmatch(camera) or which not in ("live", "last", "reference"):
            return _error(404, "there is no such picture")
        return _picture(await asyncio.to_thread(api.picture, camera, which), "image/jpeg")

    async def layer_map(request: Request) -> Response:
        layer = request.path_params["layer"]
        return _picture(await asyncio.to_thread(api.layer_picture, layer), "image/png")

    routes = [
        Route("/", give_page("twinlapse.capture", "page.html")),
        Route("/page.css", give_page("twinlapse.capture", "page.css")),
        Route("/page.js", give_page("twinlapse.capture", "page.js")),
        Route("/status", status),
        Route("/cameras/{camera}/{which}.jpg", picture),
        Route("/layers/{layer:int}.png", layer_map),
        Route("/cue", cue, methods=["POST"]),
        Route("/run", run, methods=["POST"]),
        Route("/light", light, methods=["POST"]),
    ]
    handlers: dict[Any, Any] = {
        BadRequestError: _told(400),
        UnknownShotError: _told(409),
        TwinlapseError: _told(503),
        404: _plain(404, "there is nothing here"),
        413: _plain(413, TOO_LARGE),
        405: _plain(405, "this address does not know that method"),
    }
    return AccessGuard(Starlette(routes=routes, exception_handlers=handlers), rules)


def read_cue(body: dict[str, Any]) -> tuple[Cue, str, float]:
    """Return cue, job and delay of a checked request body.

    Raises
    ------
    BadRequestError
        when a field is missing or of the wrong kind.
    """
    cameras = body.get("cameras", [])
    if (
        not isinstance(cameras, list)
        or len(cameras) > 16
        or not all(isinstance(name, str) and CAMERA_NAME.fullmatch(name) for name in cameras)
    ):
        raise BadRequestError("cameras is not a list of names", "")
    job = _job(body)
    shot, stop = (
        read_number(body, "shot", None, _NUMBERS["shot"]),
        read_number(body, "stop", 1, _NUMBERS["stop"]),
    )
    if shot != int(shot) or stop != int(stop):
        raise BadRequestError("shot and stop are whole numbers", "")
    cue = Cue(shot=int(shot), stop=int(stop), cameras=tuple(dict.fromkeys(cameras)))
    return cue, job, read_number(body, "late_s", 0, _NUMBERS["late_s"])


def _job(body: dict[str, Any]) -> str:
    job = body.get("job", "")
    if not isinstance(job, str) or (job and not _JOB.fullmatch(job)):
        raise BadRequestError("job is no sha256, nor its first six digits or more", "")
    return job


def _picture(data: bytes | None, kind: str) -> Response:
    return _error(404, "there is no such picture") if data is None else Response(data, media_type=kind)


def _error(status: int, words: str) -> JSONResponse:
    return JSONResponse({"error": words}, status_code=status)


def _told(status: int) -> Callable[[Request, TwinlapseError], Awaitable[Response]]:
    async def answer(request: Request, error: TwinlapseError) -> Response:
        return _error(status, error.what)

    return answer


def _plain(status: int, words: str) -> Callable[[Request, Exception], Awaitable[Response]]:
    async def answer(request: Request, error: Exception) -> Response:
        return _error(status, words)

    return answer
