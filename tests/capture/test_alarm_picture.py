"""The picture arrives with the alarm; what arrives is read by the standard library's own parsers."""

from __future__ import annotations

import io
import json
import random
import socket
import threading
from email import message_from_bytes, policy
from http.server import BaseHTTPRequestHandler, HTTPServer
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from PIL import Image, ImageOps

from twinlapse.capture.alarm_picture import AlarmPicture, picture_for
from twinlapse.capture.alarm_routes import AlarmMessage, make_routes
from twinlapse.rig.capture_settings import Alarm, Mail


@pytest.fixture
def frame(tmp_path: Path) -> Path:
    """A frame that a JPEG cannot make small: noise, about 400 kB."""
    noise = random.Random(5).randbytes(640 * 480 * 3)
    path = tmp_path / "000012.jpg"
    Image.frombytes("RGB", (640, 480), noise).save(path, quality=90)
    return path


def message(frame: Path) -> AlarmMessage:
    return AlarmMessage(
        job="j", code="camera wide", text="wide: silent", since=1.8e9, over=False, picture_file=str(frame)
    )


def _sent(file: Path, most_kb: float = 200) -> bytes:
    return picture_for(AlarmPicture(str(file)), most_kb)


@pytest.mark.parametrize("most_kb", [15.0, 4000.0])
@pytest.mark.parametrize("mirror", [False, True])
@pytest.mark.parametrize("rotate_deg", [0, 90, 180, 270])
def test_a_picture_of_a_turned_camera_is_sent_upright(
    tmp_path: Path, rotate_deg: int, mirror: bool, most_kb: float
) -> None:
    """The receiver is Pillow's reader, which turns by EXIF (CIPA DC-008); the camera turns as NumPy does."""
    upright = np.zeros((240, 320, 3), np.uint8)
    upright[:120, :160], upright[:120, 160:], upright[120:, :160] = (200, 0, 0), (0, 200, 0), (0, 0, 200)
    upright += np.random.default_rng(3).integers(0, 40, upright.shape, np.uint8)
    delivered = np.rot90(upright, rotate_deg // 90)
    file = tmp_path / "1.jpg"
    Image.fromarray(delivered[:, ::-1] if mirror else delivered).save(file, quality=95)
    large = file.stat().st_size > 1000 * most_kb
    data = picture_for(AlarmPicture(str(file), rotate_deg, mirror), most_kb)
    assert large == (most_kb == 15.0) and (large or data.endswith(file.read_bytes()[2:]))
    with Image.open(io.BytesIO(data)) as opened:
        seen = np.asarray(ImageOps.exif_transpose(opened).resize((32, 24)), np.int16)
    assert np.abs(seen - upright[5::10, 5::10].astype(np.int16)).max() < 40


@pytest.mark.parametrize("most_kb", [20.0, 60.0, 200.0])
def test_a_picture_is_never_larger_than_it_may_be(frame: Path, most_kb: float) -> None:
    data = picture_for(AlarmPicture(str(frame)), most_kb)
    assert 0 < len(data) <= 1000 * most_kb
    with Image.open(io.BytesIO(data)) as seen:
        assert seen.format == "JPEG" and seen.width / seen.height == pytest.approx(4 / 3, rel=0.02)


def test_a_small_picture_is_sent_byte_for_byte_and_no_other_thing_at_all(tmp_path: Path, frame: Path) -> None:
    assert _sent(frame, 4000) == frame.read_bytes()
    assert _sent(frame, 0) == b"" == _sent(tmp_path / "none.jpg")
    bad = tmp_path / "bad.jpg"
    bad.write_bytes(b"GIF89a" + bytes(500_000))
    link = tmp_path / "link.jpg"
    link.symlink_to(frame)
    assert _sent(bad) == b"" == _sent(link, 4000)
    png = tmp_path / "map.png"
    Image.new("RGB", (300, 200), (90, 120, 60)).save(png)
    assert _sent(png)[:2] == b"\xff\xd8"


def test_a_form_has_the_alarm_and_the_picture(frame: Path) -> None:
    got: list[Any] = []

    class Handler(BaseHTTPRequestHandler):
        def do_POST(self) -> None:
            body = self.rfile.read(int(self.headers["Content-Length"]))
            head = f"Content-Type: {self.headers['Content-Type']}\r\n\r\n".encode()
            got.append(message_from_bytes(head + body, policy=policy.HTTP))
            self.send_response(204)
            self.end_headers()

        def log_message(self, *_: Any) -> None:
            pass

    server = HTTPServer(("127.0.0.1", 0), Handler)
    threading.Thread(target=server.serve_forever, args=(0.05,), daemon=True).start()
    alarm = Alarm(webhook=f"http://127.0.0.1:{server.server_port}/", webhook_form=True, picture_kb=100)
    make_routes(alarm, None)["webhook"](message(frame))
    server.shutdown()
    server.server_close()
    told, picture = got[0].iter_parts()
    assert told.get_param("name", header="content-disposition") == "alarm"
    said = json.loads(told.get_payload(decode=True))
    assert said["text"] == "wide: silent" and "picture_file" not in said
    assert picture.get_param("name", header="content-disposition") == "picture"
    assert picture.get_filename() == "picture.jpg" and picture.get_content_type() == "image/jpeg"
    # a form's binary part has no transfer encoding (RFC 7578, section 4.7)
    assert picture.get_payload(decode=True)[:2] == b"\xff\xd8"


def test_a_broker_gets_the_picture_before_the_alarm(frame: Path) -> None:
    told: list[tuple[str, bytes]] = []
    alarm = Alarm(mqtt=True, picture_kb=50)
    make_routes(alarm, lambda below, data: told.append((below, data)))["mqtt"](message(frame))
    assert [below for below, _ in told] == ["alarm/picture", "alarm"]
    assert told[0][1][:2] == b"\xff\xd8" and len(told[0][1]) <= 50_000
    told.clear()
    make_routes(Alarm(mqtt=True, picture_kb=0), lambda below, data: told.append((below, data)))["mqtt"](
        message(frame)
    )
    assert [below for below, _ in told] == ["alarm"]


def test_a_mail_has_it_attached(frame: Path) -> None:
    """SMTP as RFC 5321 has it, answered line by line."""
    letter: list[bytes] = []
    listening = socket.create_server(("127.0.0.1", 0))

    def relay() -> None:
        connection = listening.accept()[0]
        with connection, connection.makefile("rwb") as file:
            file.write(b"220 shed\r\n"), file.flush()
            inside = False
            for line in file:
                if inside and line != b".\r\n":
                    letter.append(line)
                    continue
                word = b"" if inside else line.strip().upper()
                inside = word == b"DATA"
                known = {b"DATA": b"354 go on\r\n", b"QUIT": b"221 bye\r\n"}
                file.write(known.get(word, b"250 well\r\n")), file.flush()
                if word == b"QUIT":
                    return

    thread = threading.Thread(target=relay, daemon=True)
    thread.start()
    mail = Mail(
        to="club@example.org", sender="printer@example.org", host="127.0.0.1",
        port=listening.getsockname()[1], security="none",
    )  # fmt: skip
    make_routes(Alarm(mail=mail, picture_kb=4000), None)["mail"](message(frame))
    thread.join(10)
    listening.close()
    seen: Any = message_from_bytes(b"".join(letter), policy=policy.default)
    (picture,) = seen.iter_attachments()
    assert picture.get_content_type() == "image/jpeg" and picture.get_content() == frame.read_bytes()
    assert "wide: silent" in seen.get_body().get_content()
