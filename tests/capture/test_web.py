"""The service's HTTP interface under attack, and what it answers to those who may ask."""

from __future__ import annotations

import http.client
import json
import socket
import stat
import threading
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
import uvicorn
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from twinlapse.capture.access_policy import AccessRules, allowed_hosts, is_loopback, read_token
from twinlapse.capture.cue_handler import Answer, UnknownShotError
from twinlapse.capture.serving import where_to_listen
from twinlapse.capture.web import make_app
from twinlapse.errors import CaptureError, JobError
from twinlapse.frames.job import Job
from twinlapse.frames.journal import FrameRow
from twinlapse.rig.capture_settings import Capture
from twinlapse.shots import Cue, ShotKey

JSON = {"content-type": "application/json"}
TOKEN = "gardenclub-" * 4 + "0123"


class FakeService:
    """Takes down what it was asked."""

    def __init__(self) -> None:
        self.cues: list[tuple[Cue, str, float]] = []
        self.held: list[float] = []
        self.fails = False

    def cue(self, cue: Cue, *, job: str, late_s: float, channel: str) -> Answer:
        if self.fails:
            raise JobError("the journal cannot be used", path="/home/club/secret/journal.db")
        if cue.shot > 50:
            raise UnknownShotError("the plan has no such shot")
        self.cues.append((cue, job, late_s))
        key = ShotKey(job="a" * 64, run=1, shot=cue.shot, stop=cue.stop, camera="wide")
        row = FrameRow(key=key, state="taken", file="wide/000001.jpg", sha256="b" * 64)
        return Answer(shot=cue.shot, stop=cue.stop, frames={"wide": row}, repeated=False)

    def mark_run(self, event: str, job: str) -> None:
        self.marks = [*getattr(self, "marks", []), (event, job)]

    def hold_light(self, seconds: float) -> None:
        self.held.append(seconds)

    def status(self) -> dict[str, Any]:
        return {"shots": 50}

    def picture(self, camera: str, which: str) -> bytes | None:
        return b"\xff\xd8picture" if camera == "wide" else None

    def layer_picture(self, layer: int) -> bytes | None:
        return b"\x89PNGmap" if layer == 2 else None


class Reply:
    def __init__(self, response: http.client.HTTPResponse) -> None:
        self.status_code = response.status
        self.headers = {name.lower(): value for name, value in response.getheaders()}
        self.content = response.read()

    @property
    def text(self) -> str:
        return self.content.decode()

    def json(self) -> Any:
        return json.loads(self.content)


class Client:
    """Sends what it is told, right or wrong, over a real connection."""

    def __init__(self, port: int, token: str = "") -> None:
        self.port, self.token = port, token

    def request(
        self, method: str, path: str, headers: dict[str, str] | None = None, body: Any = None
    ) -> Reply:
        connection = http.client.HTTPConnection("127.0.0.1", self.port, timeout=10)
        sent = {"host": "127.0.0.1:8137", **(headers or {})}
        if self.token:
            sent["authorization"] = f"Bearer {self.token}"
        sent = {name: value.replace("8137", str(self.port)) for name, value in sent.items()}
        try:
            connection.putrequest(method, path, skip_host=True, skip_accept_encoding=True)
            if body is not None and "content-length" not in sent:
                sent["content-length"] = str(len(body))
            for name, value in sent.items():
                connection.putheader(name, value)
            connection.endheaders(body)
            return Reply(connection.getresponse())
        finally:
            connection.close()

    def get(self, path: str, headers: dict[str, str] | None = None) -> Reply:
        return self.request("GET", path, headers)

    def post(self, path: str, value: Any, headers: dict[str, str] | None = None) -> Reply:
        return self.request("POST", path, {**JSON, **(headers or {})}, json.dumps(value).encode())


class Served:
    """The application behind a real server, with a api that each test may change."""

    def __init__(self, token: str) -> None:
        self.api = FakeService()
        listening = socket.create_server(("127.0.0.1", 0))
        self.port = listening.getsockname()[1]
        rules = AccessRules(hosts=allowed_hosts("127.0.0.1", self.port, ("shed.local",)), token=token)

        async def app(scope: Any, receive: Any, send: Any) -> None:
            await make_app(self.api, rules)(scope, receive, send)

        self._server = uvicorn.Server(uvicorn.Config(app, http="h11", lifespan="off", log_config=None))
        self._thread = threading.Thread(target=self._server.run, kwargs={"sockets": [listening]}, daemon=True)
        self._thread.start()
        while not self._server.started:
            time.sleep(0.01)

    def close(self) -> None:
        self._server.should_exit = True
        self._thread.join(timeout=5)


@pytest.fixture(scope="module")
def open_server() -> Iterator[Served]:
    served = Served("")
    yield served
    served.close()


@pytest.fixture(scope="module")
def closed_server() -> Iterator[Served]:
    served = Served(TOKEN)
    yield served
    served.close()


@pytest.fixture
def client(open_server: Served, api: FakeService) -> Client:
    open_server.api = api
    return Client(open_server.port)


@pytest.fixture
def stranger(closed_server: Served, api: FakeService) -> Client:
    closed_server.api = api
    return Client(closed_server.port)


@pytest.fixture
def api() -> FakeService:
    return FakeService()


OK = b'{"shot": 1}'

ATTACKS: list[tuple[str, str, str, dict[str, str], bytes, int]] = [
    # what, method, path, headers, body, status
    ("DNS rebinding", "POST", "/cue", {**JSON, "host": "evil.example:8137"}, OK, 421),
    ("DNS rebinding, reading", "GET", "/status", {"host": "evil.example:8137"}, b"", 421),
    ("right name, wrong port", "GET", "/status", {"host": "127.0.0.1:80"}, b"", 421),
    ("no port", "GET", "/status", {"host": "127.0.0.1"}, b"", 421),
    ("name within a name", "GET", "/status", {"host": "127.0.0.1:8137.evil.example"}, b"", 421),
    ("login in the host", "GET", "/status", {"host": "127.0.0.1:8137@evil.example"}, b"", 421),
    ("empty host", "GET", "/status", {"host": ""}, b"", 421),
    ("forwarded host is not believed", "GET", "/status",
     {"host": "evil.example", "x-forwarded-host": "127.0.0.1:8137"}, b"", 421),
    ("cross-site form", "POST", "/cue", {**JSON, "origin": "https://evil.example"}, OK, 403),
    ("cross-site reading", "GET", "/status", {"origin": "https://evil.example"}, b"", 403),
    ("origin null", "POST", "/cue", {**JSON, "origin": "null"}, OK, 403),
    ("origin of another port", "POST", "/cue", {**JSON, "origin": "http://127.0.0.1:3000"}, OK, 403),
    ("origin of another scheme", "POST", "/cue", {**JSON, "origin": "https://127.0.0.1:8137"}, OK, 403),
    ("fetch from another site", "POST", "/cue", {**JSON, "sec-fetch-site": "cross-site"}, OK, 403),
    ("fetch from the same site", "POST", "/cue", {**JSON, "sec-fetch-site": "same-site"}, OK, 403),
    ("picture on another page", "GET", "/cameras/wide/live.jpg", {"sec-fetch-site": "cross-site"}, b"", 403),
    ("simple form type", "POST", "/cue", {"content-type": "text/plain"}, OK, 415),
    ("urlencoded form", "POST", "/cue", {"content-type": "application/x-www-form-urlencoded"}, OK, 415),
    ("multipart form", "POST", "/cue", {"content-type": "multipart/form-data; boundary=x"}, OK, 415),
    ("no type", "POST", "/light", {"content-type": ""}, OK, 415),
    ("cue by GET", "GET", "/cue", {}, b"", 405),
    ("light by GET", "GET", "/light?minutes=10", {}, b"", 405),
    ("status by POST", "POST", "/status", JSON, OK, 405),
    ("PUT", "PUT", "/cue", JSON, OK, 405),
    ("DELETE", "DELETE", "/cameras/wide/last.jpg", {}, b"", 405),
    ("TRACE", "TRACE", "/", {}, b"", 405),
    ("preflight", "OPTIONS", "/cue", {"access-control-request-method": "POST"}, b"", 405),
    ("large body", "POST", "/cue", JSON, b'{"shot": 1, "job": "' + b"a" * 5000 + b'"}', 413),
    ("long address", "GET", "/status?" + "a" * 2000, {}, b"", 414),
    ("path upwards", "GET", "/cameras/..%2f..%2fetc/passwd.jpg", {}, b"", 404),
    ("path upwards in the name", "GET", "/cameras/../../etc/passwd", {}, b"", 404),
    ("encoded dots", "GET", "/cameras/%2e%2e/live.jpg", {}, b"", 404),
    ("null byte", "GET", "/cameras/wide%00/live.jpg", {}, b"", 404),
    ("another picture", "GET", "/cameras/wide/journal.jpg", {}, b"", 404),
    ("unknown camera", "GET", "/cameras/attic/live.jpg", {}, b"", 404),
    ("journal", "GET", "/journal.db", {}, b"", 404),
    ("page upwards", "GET", "/..%2fservice.py", {}, b"", 404),
    ("no JSON", "POST", "/cue", JSON, b"shot=1", 400),
    ("a list", "POST", "/cue", JSON, b"[1]", 400),
    ("deep nesting", "POST", "/cue", JSON, b"[" * 4000, 400),
    ("no shot", "POST", "/cue", JSON, b"{}", 400),
    ("unknown field", "POST", "/cue", JSON, b'{"shot": 1, "command": "reboot"}', 400),
    ("shot as text", "POST", "/cue", JSON, b'{"shot": "1; rm -rf /"}', 400),
    ("shot that is true", "POST", "/cue", JSON, b'{"shot": true}', 400),
    ("half a shot", "POST", "/cue", JSON, b'{"shot": 1.5}', 400),
    ("endless shot", "POST", "/cue", JSON, b'{"shot": 1e999}', 400),
    ("shot that is not a number", "POST", "/cue", JSON, b'{"shot": NaN}', 400),
    ("shot below zero", "POST", "/cue", JSON, b'{"shot": -1}', 400),
    ("camera upwards", "POST", "/cue", JSON, b'{"shot": 1, "cameras": ["../../etc"]}', 400),
    ("camera as an option", "POST", "/cue", JSON, b'{"shot": 1, "cameras": ["-rf"]}', 400),
    ("many cameras", "POST", "/cue", JSON, b'{"shot": 1, "cameras": ["a","a","a","a","a","a","a","a","a","a",'
     b'"a","a","a","a","a","a","a"]}', 400),
    ("job that is a query", "POST", "/cue", JSON, b'{"shot": 1, "job": "\' OR 1=1 --"}', 400),
    ("light for a year", "POST", "/light", JSON, b'{"minutes": 525600}', 400),
    ("shot that is not planned", "POST", "/cue", JSON, b'{"shot": 51}', 409),
]  # fmt: skip


@pytest.mark.parametrize(("what", "method", "path", "headers", "body", "status"), ATTACKS, ids=lambda v: None)
def test_attacks_are_refused_and_nothing_happens(
    client: Client,
    api: FakeService,
    what: str,
    method: str,
    path: str,
    headers: dict[str, str],
    body: bytes,
    status: int,
) -> None:
    response = client.request(method, path, headers, body or None)
    assert response.status_code == status, what
    assert api.cues == [] and api.held == []
    assert "access-control-allow-origin" not in response.headers
    assert response.headers["x-content-type-options"] == "nosniff"


def test_a_body_without_a_length_is_capped_too(client: Client) -> None:
    # RFC 9112 section 7.1: chunked; the length is not known beforehand
    chunks = (b"3e8\r\n" + b" " * 1000 + b"\r\n") * 10 + b"0\r\n\r\n"
    headers = {**JSON, "transfer-encoding": "chunked"}
    with socket.create_connection(("127.0.0.1", client.port), timeout=10) as raw:
        head = f"POST /cue HTTP/1.1\r\nHost: 127.0.0.1:{client.port}\r\n"
        head += "".join(f"{name}: {value}\r\n" for name, value in headers.items())
        raw.sendall(head.encode() + b"\r\n" + chunks)
        assert raw.recv(100).startswith(b"HTTP/1.1 413")


@pytest.mark.parametrize(
    "smuggled",
    [
        "Transfer-Encoding: chunked\r\nContent-Length: 5",  # RFC 9112 section 6.1: must be an error or closed
        "Content-Length: 5\r\nContent-Length: 6",
        "Content-Length: -1",
        "Host: evil.example",  # RFC 9112 section 3.2: more than one Host is a 400
        "X: " + "a" * 70_000,
    ],
)
def test_requests_that_mean_two_things_are_refused(client: Client, api: FakeService, smuggled: str) -> None:
    with socket.create_connection(("127.0.0.1", client.port), timeout=10) as raw:
        head = f"POST /cue HTTP/1.1\r\nHost: 127.0.0.1:{client.port}\r\nContent-Type: application/json\r\n"
        raw.sendall(f"{head}{smuggled}\r\n\r\n".encode() + b"0\r\n\r\n")
        status = int(raw.recv(100).split()[1])
    assert 400 <= status < 500
    assert api.cues == []


def test_the_table_is_long_enough() -> None:
    assert len(ATTACKS) >= 30
    assert len({what for what, *_ in ATTACKS}) == len(ATTACKS)


def test_who_may_ask_is_answered(client: Client, api: FakeService) -> None:
    answer = client.post("/cue", {"shot": 3, "stop": 2, "cameras": ["wide"], "late_s": 0.5})
    assert answer.json()["frames"]["wide"]["state"] == "taken"
    ((cue, job, late_s),) = api.cues
    assert (cue, job) == (Cue(shot=3, stop=2, cameras=("wide",)), "") and 0.5 <= late_s < 5
    assert client.post("/light", {"minutes": 10}).json() == {"minutes": 10}
    assert api.held == [600]
    for host in ("localhost:8137", "shed.local:8137", "127.0.0.1:8137", "[::1]:8137"):
        assert client.get("/status", headers={"host": host}).status_code == 200
    origin = {"origin": "http://shed.local:8137", "host": "shed.local:8137", "sec-fetch-site": "same-origin"}
    assert client.post("/cue", {"shot": 4}, headers=origin).status_code == 200
    assert client.get("/cameras/wide/live.jpg").headers["content-type"] == "image/jpeg"
    assert client.get("/layers/2.png").headers["content-type"] == "image/png"
    assert client.get("/layers/3.png").status_code == client.get("/layers/x.png").status_code == 404


@pytest.mark.parametrize(
    "given",
    [
        None, "", "Bearer", "Bearer ", f"bearer {TOKEN}", f"Basic {TOKEN}", f"Bearer {TOKEN}x",
        f"Bearer {TOKEN[:-1]}", f"Bearer  {TOKEN}", "Bearer " + "x" * 900, TOKEN,
    ],
)  # fmt: skip
def test_without_the_token_there_is_only_the_page(
    stranger: Client, api: FakeService, given: str | None
) -> None:
    client = stranger
    headers = {} if given is None else {"authorization": given}
    for method, path in (
        ("GET", "/status"),
        ("GET", "/cameras/wide/live.jpg"),
        ("GET", "/layers/2.png"),
        ("POST", "/cue"),
        ("GET", "/x"),
    ):
        response = client.request(method, path, {**headers, **JSON}, OK)
        assert response.status_code == 401
        assert response.headers["www-authenticate"] == "Bearer"  # RFC 6750 section 3
    assert client.get(f"/status?access_token={TOKEN}").status_code == 401  # RFC 6750 2.3 is not offered
    assert api.cues == []
    page = client.get("/")
    assert page.status_code == 200 and TOKEN not in page.text


def test_with_the_token_everything_is_there(stranger: Client) -> None:
    client = Client(stranger.port, TOKEN)
    assert client.get("/status").json() == {"shots": 50}
    assert client.post("/cue", {"shot": 1}).status_code == 200


def test_a_fault_of_the_service_tells_no_paths(client: Client, api: FakeService) -> None:
    api.fails = True
    response = client.post("/cue", {"shot": 1})
    assert response.status_code == 503
    assert response.json() == {"error": "the journal cannot be used"}


def test_the_page_needs_nothing_from_elsewhere(client: Client) -> None:
    page = client.get("/")
    policy = page.headers["content-security-policy"]
    assert "default-src 'self'" in policy and "unsafe" not in policy and "frame-ancestors 'none'" in policy
    for path in ("/", "/page.css", "/page.js"):
        text = client.get(path).text
        assert "http://" not in text and "https://" not in text and "@import" not in text


_VALUES = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=20),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=8), inner, max_size=3),
    max_leaves=6,
)
_BODIES = st.dictionaries(
    st.sampled_from(["shot", "stop", "cameras", "job", "late_s", "minutes"]) | st.text(max_size=6),
    _VALUES,
    max_size=5,
)


@settings(
    derandomize=True,
    max_examples=150,
    deadline=None,
    suppress_health_check=[HealthCheck.function_scoped_fixture],
)
@given(path=st.sampled_from(["/cue", "/light"]), body=_BODIES)
def test_no_body_whatever_upsets_the_service(
    client: Client, api: FakeService, path: str, body: dict[str, Any]
) -> None:
    response = client.post(path, body)
    assert response.status_code in (200, 400, 409, 413)
    for cue, job, late_s in api.cues:
        assert cue.shot >= 0 and cue.stop >= 0 and late_s >= 0 and len(job) in (0, 64)


def test_a_token_is_made_for_its_owner_alone(tmp_path: Path) -> None:
    file = tmp_path / "token"
    token = read_token(file)
    assert len(token) == 43  # 32 bytes in base64url without padding (RFC 4648)
    assert stat.S_IMODE(file.stat().st_mode) == 0o600
    assert read_token(file) == token
    file.chmod(0o644)
    with pytest.raises(CaptureError, match="others may read"):
        read_token(file)
    file.chmod(0o600)
    file.write_text("club")
    with pytest.raises(CaptureError, match="no token of 32 bytes"):
        read_token(file)


@pytest.mark.parametrize(
    ("host", "expose", "token", "words"),
    [
        ("0.0.0.0", False, True, "reached from other machines"),
        ("192.168.1.5", True, False, "need a token"),
        ("::", False, False, "reached from other machines"),
        ("127.0.0.1.evil.example", True, False, None),
    ],
)
def test_other_addresses_need_a_word_and_a_token(
    tmp_path: Path, host: str, expose: bool, token: bool, words: str | None
) -> None:
    file = tmp_path / "token" if token else None
    arguments = {"host": host, "port": None, "expose": expose, "token_file": file}
    with pytest.raises(CaptureError, match=words or "need a token"):
        where_to_listen(Job(tmp_path), Capture(), **arguments)


def test_loopback_is_what_it_says() -> None:
    assert all(map(is_loopback, ("127.0.0.1", "127.8.8.8", "localhost", "::1")))
    assert not any(map(is_loopback, ("0.0.0.0", "10.0.0.1", "", "::", "localhost.evil.example")))


def test_a_print_says_that_it_begins_and_ends(client: Client, api: FakeService) -> None:
    assert client.post("/run", {"event": "begin", "job": "a1b2c3"}).status_code == 200
    assert client.post("/run", {"event": "end"}).status_code == 200
    assert api.marks == [("begin", "a1b2c3"), ("end", "")]
    for body in ({}, {"event": "pause"}, {"event": "end", "job": "xyz"}, {"event": "end", "more": 1}):
        assert client.post("/run", body).status_code == 400
