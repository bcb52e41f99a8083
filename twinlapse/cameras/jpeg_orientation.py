"""A JPEG that says how it is to be turned: viewers and browsers show it upright, and no pixel is touched.

The tag is Orientation, 0x0112, of EXIF (CIPA DC-008, 4.6.4), in a segment APP1 behind the start of the image.
"""

from __future__ import annotations

import struct

__all__ = ["ORIENTATIONS", "upright"]

# mirrored left to right first, then turned clockwise: what the rig's `mirror` and `rotate_deg` ask for
ORIENTATIONS = {
    (False, 0): 1,
    (True, 0): 2,
    (False, 180): 3,
    (True, 180): 4,
    (True, 270): 5,
    (False, 90): 6,
    (True, 90): 7,
    (False, 270): 8,
}
_SOI = b"\xff\xd8"


def upright(data: bytes, rotate_deg: int, mirror: bool) -> bytes:
    """Return a JPEG with the tag that turns it upright; one that needs none, or is no JPEG, as it is."""
    value = ORIENTATIONS[mirror, rotate_deg]
    if value == 1 or not data.startswith(_SOI):
        return data
    entry = struct.pack(">HHIHH", 0x0112, 3, 1, value, 0)  # one SHORT
    exif = b"Exif\0\0" + b"MM\0*" + struct.pack(">IH", 8, 1) + entry + struct.pack(">I", 0)
    return _SOI + b"\xff\xe1" + struct.pack(">H", len(exif) + 2) + exif + data[2:]
