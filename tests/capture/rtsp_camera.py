"""A network camera for tests: RTSP over TCP, pictures as RTP/JPEG, taken from a camera of the rehearsal.

RFC 2326 (RTSP; interleaved data, section 10.12), RFC 3550 (RTP, section 5.1), RFC 2435 (JPEG in RTP; main
header and in-band quantization tables, section 3.1) and RFC 4566 (the description). Payload type 26 is JPEG
(RFC 3551, table 5).
"""

from __future__ import annotations

import contextlib
import re
import socketserver
import struct
import threading
from collections.abc import Iterator
from typing import Any

from twinlapse.rehearsal.http_camera import HttpCamera

_PIECE = 1400
_TYPE, _IN_BAND = 1, 255  # 4:2:0 without restart markers; tables come with the picture


def segments(jpeg: bytes) -> Iterator[tuple[int, bytes]]:
    """Yield marker and payload of every segment, then 0 and what was entropy-coded."""
    at = 2
    while (marker := jpeg[at + 1]) != 0xDA:
        length = struct.unpack_from(">H", jpeg, at + 2)[0]
        yield marker, jpeg[at + 4 : at + 2 + length]
        at += 2 + length
    at += 2 + struct.unpack_from(">H", jpeg, at + 2)[0]
    yield 0, jpeg[at : jpeg.rindex(b"\xff\xd9")]


def payloads(jpeg: bytes) -> Iterator[tuple[bytes, bool]]:
    """Yield the RTP payloads of a picture, and whether each is its last."""
    tables, scan, width, height = b"", b"", 0, 0
    for marker, data in segments(jpeg):
        if marker == 0xDB:  # one or two tables of 64 bytes, each after its number
            tables += b"".join(data[at + 1 : at + 65] for at in range(0, len(data), 65))
        elif marker == 0xC0:
            height, width = struct.unpack_from(">HH", data, 1)
            assert data[7] == 0x22, "4:2:0 is what type 1 means"
        elif marker == 0:
            scan = data
    for at in range(0, len(scan), _PIECE):
        head = struct.pack(">II", at, _TYPE << 24 | _IN_BAND << 16 | width // 8 << 8 | height // 8)
        extra = struct.pack(">BBH", 0, 0, len(tables)) + tables if at == 0 else b""
        yield head + extra + scan[at : at + _PIECE], at + _PIECE >= len(scan)


class RtspCamera:
    """Serves what `camera` sees on the loopback address until it is closed."""

    def __init__(self, camera: HttpCamera) -> None:
        self.camera, self._closed = camera, threading.Event()
        self._server = _Server(("127.0.0.1", 0), _Handler)
        self._server.rtsp = self
        self._thread = threading.Thread(target=self._server.serve_forever, args=(0.05,), daemon=True)
        self._thread.start()

    @property
    def address(self) -> str:
        return f"rtsp://127.0.0.1:{self._server.server_address[1]}/live"

    @property
    def description(self) -> bytes:
        lines = ["v=0", "o=- 1 1 IN IP4 127.0.0.1", "s=bench", "c=IN IP4 127.0.0.1", "t=0 0"]
        lines += ["m=video 0 RTP/AVP 26", f"a=framerate:{self.camera.fps:g}", "a=control:video", ""]
        return "\r\n".join(lines).encode()

    def packets(self) -> Iterator[bytes]:
        """Yield interleaved RTP packets of every picture from now on."""
        number, sequence = self.camera.newest()[0], 0
        while not self._closed.is_set():
            number, jpeg = self.camera.newest(number)
            stamp = round(number * 90_000 / self.camera.fps) & 0xFFFFFFFF
            for payload, last in payloads(jpeg):
                packet = struct.pack(">BBHII", 0x80, last << 7 | 26, sequence, stamp, 1) + payload
                yield struct.pack(">cBH", b"$", 0, len(packet)) + packet
                sequence = (sequence + 1) & 0xFFFF

    def close(self) -> None:
        self._closed.set()
        self._server.shutdown()
        self._server.server_close()
        self._thread.join(timeout=2)


class _Server(socketserver.ThreadingTCPServer):
    daemon_threads, block_on_close, rtsp = True, False, None


class _Handler(socketserver.StreamRequestHandler):
    server: Any

    def handle(self) -> None:
        with contextlib.suppress(OSError):
            while request := self._request():
                method, number = request
                self._answer(method, number)
                if method == "PLAY":
                    for packet in self.server.rtsp.packets():
                        self.wfile.write(packet)

    def _request(self) -> tuple[str, str] | None:
        lines = list(iter(lambda: self.rfile.readline().strip().decode(), ""))
        number = re.search(r"(?im)^cseq: *(\d+)", "\n".join(lines))
        return (lines[0].split()[0], number[1]) if number else None

    def _answer(self, method: str, number: str) -> None:
        body = self.server.rtsp.description if method == "DESCRIBE" else b""
        extra = {
            "OPTIONS": "Public: OPTIONS, DESCRIBE, SETUP, PLAY, TEARDOWN\r\n",
            "DESCRIBE": f"Content-Type: application/sdp\r\nContent-Length: {len(body)}\r\n",
            "SETUP": "Transport: RTP/AVP/TCP;unicast;interleaved=0-1\r\nSession: 1\r\n",
        }.get(method, "Session: 1\r\n")
        self.wfile.write(f"RTSP/1.0 200 OK\r\nCSeq: {number}\r\n{extra}\r\n".encode() + body)
