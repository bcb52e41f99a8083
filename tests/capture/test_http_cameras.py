"""HTTP cameras as they are: logins, connections closed while idle, lengths that are wrong."""

from __future__ import annotations

import hashlib
import re
import threading
from collections.abc import Callable, Iterator
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from itertools import islice
from pathlib import Path
from typing import Any

import pytest

from twinlapse.cameras.clock import SystemClock
from twinlapse.cameras.sources import open_source
from twinlapse.cameras.sources.digest import Login
from twinlapse.cameras.sources.http import StillSource
from twinlapse.cameras.sources.multipart import PartReader
from twinlapse.errors import CaptureError
from twinlapse.rig import Camera


@pytest.mark.parametrize(
    ("algorithm", "response"),
    [
        ("MD5", "8ca523f5e9506fed4657c9700eebdbec"),
        ("SHA-256", "753927fa0e85d155564e2e272a28d1802ca10daf4496794697cf8db5856cb6c1"),
    ],
)
def test_digest_as_the_standard_works_it_out(algorithm: str, response: str) -> None:
    """RFC 7616 section 3.9.1."""
    login = Login("Mufasa", "Circle of Life")
    assert login.header("GET", "/dir/index.html") is None  # nothing goes out before it is asked for
    nonce = "7ypf/xlj9XXwfDPEoM4URrv/xwf94BcCAzFZH4GiTo0v"
    challenge = f'Digest realm="http-auth@example.org", qop="auth, auth-int", algorithm={algorithm}, '
    challenge += f'nonce="{nonce}", opaque="FQhe/qaU925kfnzjCev0ciny7QMkPqMAFRtzCUYo5tdS"'
    assert login.challenge(['Basic realm="x"', challenge])
    words = login._digest("GET", "/dir/index.html", "f2/wE4q74E6zIJEtWaHKaf5wv/H5QzzpXusqGemxURZJ")
    assert f'response="{response}"' in words and "nc=00000001" in words
    assert "Circle" not in words


def test_a_login_that_is_wrong_is_not_tried_for_ever() -> None:
    login = Login("club", "wrong")
    challenge = ['Digest realm="shed", nonce="abc", qop="auth"']
    assert login.challenge(challenge)
    assert not login.challenge(challenge)
    assert login.challenge(['Digest realm="shed", nonce="new", qop="auth", stale=true'])


class Shed:
    """A camera with habits of its own, set by the test."""

    def __init__(self, jpeg: bytes) -> None:
        self.jpeg, self.nonce = jpeg, "n0nce"
        self.digest = self.basic = self.hangs_up = False
        self.length_off = 0
        self.seen: list[str] = []
        camera = self

        class Handler(BaseHTTPRequestHandler):
            protocol_version = "HTTP/1.1"

            def log_message(self, *_: Any) -> None:
                pass

            def do_GET(self) -> None:
                camera.answer(self)

        self.server = ThreadingHTTPServer(("127.0.0.1", 0), Handler)
        self.server.daemon_threads = True
        threading.Thread(target=self.server.serve_forever, daemon=True).start()
        self.address = f"http://127.0.0.1:{self.server.server_address[1]}/still?size=1"

    def answer(self, handler: BaseHTTPRequestHandler) -> None:
        given = handler.headers.get("Authorization", "")
        self.seen.append(given)
        if (self.digest or self.basic) and not self.allows(given, handler.path):
            handler.send_response(401)
            kind = f'Digest realm="shed", nonce="{self.nonce}", qop="auth"' if self.digest else "Basic"
            handler.send_header("WWW-Authenticate", kind)
            handler.send_header("Content-Length", "0")
            handler.end_headers()
            return
        handler.send_response(200)
        handler.send_header("Content-Length", str(len(self.jpeg) + self.length_off))
        handler.end_headers()
        handler.wfile.write(self.jpeg)
        if self.hangs_up or self.length_off:  # says nothing of it, as cameras do
            handler.close_connection = True

    def allows(self, given: str, path: str) -> bool:
        if self.basic:
            return given == "Basic Y2x1YjpzZWVk"  # club:seed
        field = dict(re.findall(r'(\w+)="?([^",]*)"?', given))
        ha1 = hashlib.md5(b"club:shed:seed").hexdigest()
        ha2 = hashlib.md5(f"GET:{path}".encode()).hexdigest()
        middle = f"{self.nonce}:{field.get('nc')}:{field.get('cnonce')}:auth"
        return field.get("response") == hashlib.md5(f"{ha1}:{middle}:{ha2}".encode()).hexdigest()


@pytest.fixture
def shed(jpeg: Callable[..., bytes]) -> Iterator[Shed]:
    camera = Shed(jpeg())
    yield camera
    camera.server.shutdown()
    camera.server.server_close()


def take(address: str, count: int = 3, login: Login | None = None) -> list[bytes]:
    pictures = StillSource(address, SystemClock(), login=login).pictures()
    return [picture.data for picture in islice(pictures, count)]


@pytest.mark.parametrize("kind", ["digest", "basic"])
def test_a_camera_that_asks_for_a_login_gets_it(shed: Shed, tmp_path: Path, kind: str) -> None:
    setattr(shed, kind, True)
    with pytest.raises(CaptureError, match="asks for a name and a password"):
        take(shed.address)
    with pytest.raises(CaptureError, match="does not take this name and password"):
        take(shed.address, login=Login("club", "weed"))
    file = tmp_path / "login"
    file.write_text("club:seed\n")
    file.chmod(0o600)
    camera = Camera(name="wide", mount="frame", source=f"still:{shed.address}", login_file=str(file))
    assert [picture.data for picture in islice(open_source(camera).pictures(), 3)] == [shed.jpeg] * 3
    with_login = shed.address.replace("http://", "http://club:seed@")
    assert take(with_login) == [shed.jpeg] * 3


def test_a_connection_closed_while_idle_costs_nothing(shed: Shed) -> None:
    shed.hangs_up = True
    assert take(shed.address, 5) == [shed.jpeg] * 5
    assert len(shed.seen) == 5  # each was asked once more on a new connection, none was lost


@pytest.mark.parametrize("off", [-20, 20])
def test_a_wrong_length_is_told_as_such(shed: Shed, off: int) -> None:
    shed.length_off = off
    with pytest.raises(CaptureError, match=r"announces|only a part"):
        take(shed.address)


def test_a_length_in_a_stream_that_is_too_short_is_told_as_such(jpeg: Callable[..., bytes]) -> None:
    picture = jpeg()
    head = b"--club\r\nContent-Length: %d\r\n\r\n"
    reader = PartReader(b"--club")
    right = head % len(picture) + picture + b"\r\n"
    assert reader.feed(right * 3) == [picture] * 3
    with pytest.raises(CaptureError, match="its picture is longer"):
        reader.feed((head % (len(picture) - 30) + picture + b"\r\n") * 2)
