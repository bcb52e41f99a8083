"""What a login answers, asked over ASGI as the specification of ASGI defines it."""

from __future__ import annotations

import asyncio
from pathlib import Path
from typing import Any

import pytest

from twinlapse.capture.access_policy import AccessRules
from twinlapse.serve.service import ServeService
from twinlapse.serve.web import make_app

TOKEN = "gardenclub-gardenclub-gardenclub-gardenclub-0123"


def login(folder: Path, headers: dict[str, str]) -> tuple[int, str]:
    """Return the status and the cookie that is set."""
    app = make_app(ServeService(folder), AccessRules(hosts=frozenset({"board:8420"}), token=TOKEN))
    fields = {"host": "board:8420", "content-type": "application/json", **headers}
    scope: dict[str, Any] = {
        "type": "http", "http_version": "1.1", "method": "POST", "path": "/login", "raw_path": b"/login",
        "query_string": b"", "scheme": "http", "server": ("127.0.0.1", 8420), "client": ("127.0.0.1", 5),
        "headers": [(name.encode(), value.encode()) for name, value in fields.items()],
    }  # fmt: skip
    sent: list[dict[str, Any]] = []

    async def receive() -> dict[str, Any]:
        return {"type": "http.request", "body": b"{}", "more_body": False}

    async def send(message: dict[str, Any]) -> None:
        sent.append(message)

    asyncio.run(app(scope, receive, send))  # type: ignore[arg-type]
    given = dict(sent[0]["headers"])
    return sent[0]["status"], given.get(b"set-cookie", b"").decode()


def test_a_token_behind_its_scheme_becomes_a_cookie(tmp_path: Path) -> None:
    status, cookie = login(tmp_path, {"authorization": f"Bearer {TOKEN}"})
    assert status == 204 and f"={TOKEN};" in cookie and "HttpOnly" in cookie and "SameSite=Strict" in cookie


@pytest.mark.parametrize("other", ["", TOKEN, f"Basic {TOKEN}", "weeds"])
def test_what_is_no_bearer_token_never_becomes_a_cookie(tmp_path: Path, other: str) -> None:
    cookie = login(tmp_path, {"authorization": f"Bearer {TOKEN}"})[1].split(";")[0]
    assert login(tmp_path, {"authorization": other, "cookie": cookie}) == (204, "")
    assert login(tmp_path, {"authorization": other})[0] == 401
