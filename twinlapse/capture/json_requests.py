"""What the pages of both services share: a checked JSON body, its numbers, and the page's own files."""

from __future__ import annotations

import json
from collections.abc import Awaitable, Callable
from importlib import resources
from typing import Any

from starlette.requests import Request
from starlette.responses import Response

from twinlapse.errors import CaptureError

__all__ = ["BadRequestError", "give_page", "read_body", "read_number"]

_KINDS = {"html": "text/html; charset=utf-8", "css": "text/css", "js": "text/javascript"}


class BadRequestError(CaptureError):
    """A request is not what it should be."""


async def read_body(request: Request, known: set[str], *, without: bytes = b"") -> dict[str, Any]:
    """Return the JSON object of a request, which has no other keys than `known`.

    Parameters
    ----------
    request : Request
    known : set of str
    without : bytes
        What stands for a body that is not there.

    Raises
    ------
    BadRequestError
        when it is something else.
    """
    try:
        value = json.loads(await request.body() or without)
    except (ValueError, RecursionError):
        raise BadRequestError("the body is not JSON", "") from None
    if not isinstance(value, dict) or not set(value) <= known:
        raise BadRequestError(f"the body is not an object of {', '.join(sorted(known))}", "")
    return value


def read_number(body: dict[str, Any], key: str, default: float | None, high: float) -> float:
    """Return a number of a body from 0 to `high`; raise BadRequestError for anything else."""
    value = body.get(key, default)
    if isinstance(value, bool) or not isinstance(value, int | float) or not 0 <= value <= high:
        raise BadRequestError(f"{key} is not a number from 0 to {high:g}", "")
    return value


def give_page(room: str, name: str) -> Callable[[Request], Awaitable[Response]]:
    """Return the handler of a file in the folder `page` of a package, read once."""
    text = resources.files(room).joinpath("page", name).read_bytes()

    async def give(request: Request) -> Response:
        return Response(text, media_type=_KINDS[name.rsplit(".", 1)[1]])

    return give
