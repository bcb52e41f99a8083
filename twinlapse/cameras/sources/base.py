"""What every camera source is: something that yields pictures, as they come, until it fails or is closed."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Protocol

__all__ = ["CameraPicture", "Source"]


@dataclass(frozen=True, slots=True, kw_only=True)
class CameraPicture:
    """One JPEG as the camera gave it, and what is known of its time.

    Times are monotonic seconds of this host.
    """

    data: bytes
    arrived_s: float  # its last byte was here; for a camera that is asked, when the question went out
    exposed_s: float | None = None  # the driver's stamp minus the exposure time
    stamped_s: float | None = None  # the driver's stamp: its first bytes reached this host
    sender_s: float | None = None  # the sender's own clock, whose zero is unknown (RTP sampling time)
    waited_s: float | None = None  # longest wait for any of its bytes; 0 when all lay ready; None: not known
    asked: bool = False  # a question of ours each: the camera's own pace is not seen


class Source(Protocol):
    """An open camera.

    ``pictures`` yields until the camera ends, or raises a CaptureError, also when nothing comes for
    `timeout_s`. ``close`` may be called from another thread and makes ``pictures`` end.
    """

    def pictures(self) -> Iterator[CameraPicture]:
        """Yield pictures in the order in which they arrive."""

    def close(self) -> None:
        """Give the camera back."""
