"""Cameras: one small class a kind, all alike from outside."""

from __future__ import annotations

from pathlib import Path

from twinlapse.cameras.clock import Clock, SystemClock
from twinlapse.cameras.login import read_login
from twinlapse.cameras.sources.base import CameraPicture, Source
from twinlapse.errors import CaptureError
from twinlapse.rig.camera import Camera

__all__ = ["CameraPicture", "Source", "open_source"]


def open_source(camera: Camera, clock: Clock | None = None) -> Source:
    """Open the source of a camera.

    ``http(s)://`` is a stream; the others are ``still:http(s)://``, ``rtsp://``, ``v4l2:DEVICE``,
    ``folder:PATH`` and ``video:FILE``.

    Raises
    ------
    CaptureError
        when the source is of no known kind or does not open.
    """
    from twinlapse.cameras.sources.digest import Login
    from twinlapse.cameras.sources.folder import FolderSource
    from twinlapse.cameras.sources.http import StillSource, StreamSource

    clock = clock or SystemClock()
    login = Login(*read_login(Path(camera.login_file))) if camera.login_file else None
    kind, _, rest = camera.source.partition(":")
    match kind:
        case "http" | "https":
            return StreamSource(camera.source, clock, login=login)
        case "still":
            return StillSource(rest, clock, login=login)
        case "folder":
            return FolderSource(Path(rest), clock)
        case "v4l2":
            from twinlapse.cameras.sources.v4l2 import V4l2Source

            lens = camera.lens
            return V4l2Source(
                rest, clock, width_px=lens.width_px, height_px=lens.height_px, controls=camera.controls
            )
        case "rtsp":
            from twinlapse.cameras.sources.video import VideoSource

            return VideoSource(camera.source, clock, login=login)
        case "video":
            from twinlapse.cameras.sources.video import VideoSource

            return VideoSource(rest, clock)
    raise CaptureError(
        f"the source of {camera.name} is of no known kind",
        'write "http://...", "still:http://...", "v4l2:/dev/...", "folder:/...", "rtsp://..." or "video:..."',
    )
