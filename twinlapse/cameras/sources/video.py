"""RTSP cameras and video files, decoded with PyAV (the ``video`` extra).

Such a picture was compressed as part of a film, so it is encoded once more as a JPEG of high quality; all
other sources keep the bytes of the camera. The options that keep an RTSP pipeline short are those of FFmpeg's
documentation (``rtsp_transport``, ``fflags``, ``flags``).
"""

from __future__ import annotations

import io
import time
from collections.abc import Iterator
from typing import Any
from urllib.parse import quote

from twinlapse.cameras.clock import Clock
from twinlapse.cameras.sources.base import CameraPicture
from twinlapse.cameras.sources.digest import Login
from twinlapse.cameras.sources.http import redacted
from twinlapse.errors import CaptureError

__all__ = ["VideoSource"]

_LIVE = {"rtsp_transport": "tcp", "fflags": "nobuffer", "flags": "low_delay", "max_delay": "0"}


class VideoSource:
    """The pictures of a video address or file, a file at the pace at which it was recorded."""

    def __init__(
        self,
        address: str,
        clock: Clock,
        *,
        timeout_s: float = 5.0,
        quality: int = 95,
        login: Login | None = None,
    ) -> None:
        self._av = _library()
        self._name = redacted(address) if "://" in address else address
        self._live = "://" in address
        self._clock = clock
        self._quality = quality
        self._closed = False
        try:
            self._container = self._av.open(
                _with_login(address, login),
                options=_LIVE if self._live else {},
                timeout=(timeout_s, timeout_s),
            )
        except (OSError, ValueError) as error:
            raise CaptureError(f"{self._name} cannot be opened ({_reason(error)})", "") from None

    def pictures(self) -> Iterator[CameraPicture]:
        """Yield every picture of the first video stream."""
        began_s = self._clock.mono_s()
        first_s: float | None = None
        try:
            for frame, arrived_s, waited_s in self._frames():
                if not self._live and frame.time is not None:
                    first_s = frame.time if first_s is None else first_s
                    self._wait_until(began_s + frame.time - first_s)
                    arrived_s, asked_s = self._clock.mono_s(), arrived_s
                    waited_s = arrived_s - asked_s
                if self._closed:
                    return
                yield CameraPicture(
                    data=self._jpeg(frame),
                    arrived_s=arrived_s,
                    waited_s=waited_s,
                    sender_s=frame.time if self._live else None,  # the sampling time of RTP
                )
        except (OSError, ValueError) as error:
            if not self._closed:
                raise CaptureError(f"{self._name} fell silent ({_reason(error)})", "") from None
        finally:
            self._container.close()

    def _frames(self) -> Iterator[tuple[Any, float, float]]:
        """Yield frames with the arrival of their packet and how long it was waited for.

        Decoding takes longer than to fetch a packet that lay ready, so it is kept out of the wait.
        """
        if not self._container.streams.video:
            raise CaptureError(f"{self._name} has no video", "correct source in the rig file")
        packets = self._container.demux(video=0)
        while not self._closed:
            asked_s = self._clock.mono_s()
            packet = next(packets, None)
            if packet is None:
                return
            arrived_s = self._clock.mono_s()
            for frame in packet.decode():
                yield frame, arrived_s, arrived_s - asked_s

    def close(self) -> None:
        """End after the picture at hand."""
        self._closed = True

    def _wait_until(self, time_s: float) -> None:
        while not self._closed and (left_s := time_s - self._clock.mono_s()) > 0:
            time.sleep(min(left_s, 0.05))

    def _jpeg(self, frame: Any) -> bytes:
        target = io.BytesIO()
        frame.to_image().save(target, "JPEG", quality=self._quality)
        return target.getvalue()


def _with_login(address: str, login: Login | None) -> str:
    if login is None:
        return address
    scheme, _, rest = address.partition("://")
    host = rest.rpartition("@")[2] if "@" in rest.split("/")[0] else rest
    return f"{scheme}://{quote(login.name, safe='')}:{quote(login.password, safe='')}@{host}"


def _library() -> Any:
    try:
        import av
    except ImportError:
        raise CaptureError("RTSP and video files need PyAV", "run: pip install av") from None
    return av


def _reason(error: Exception) -> str:
    return getattr(error, "strerror", None) or type(error).__name__
