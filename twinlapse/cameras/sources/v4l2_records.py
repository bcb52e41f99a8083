"""The records and request numbers of Video4Linux that a camera needs, as the kernel lays them out.

Reference: the kernel's ``include/uapi/linux/videodev2.h``; a test compares sizes and numbers with a
compiler's.
"""

from __future__ import annotations

import ctypes
from typing import ClassVar

__all__ = [
    "BUFFER_ERROR",
    "CAN_CAPTURE",
    "CAN_STREAM",
    "CAPTURE",
    "CID_AUTO_WHITE_BALANCE",
    "CID_EXPOSURE_ABSOLUTE",
    "CID_EXPOSURE_AUTO",
    "CID_FOCUS_ABSOLUTE",
    "CID_FOCUS_AUTO",
    "CID_GAIN",
    "CID_POWER_LINE_FREQUENCY",
    "CID_WHITE_BALANCE_TEMPERATURE",
    "DQBUF",
    "ENUM_FMT",
    "ENUM_FRAMEINTERVALS",
    "ENUM_FRAMESIZES",
    "EXPOSURE_MANUAL",
    "FRAME_DISCRETE",
    "G_CTRL",
    "HAS_DEVICE_CAPS",
    "MJPEG",
    "MMAP",
    "QBUF",
    "QUERYBUF",
    "QUERYCAP",
    "REQBUFS",
    "STREAMOFF",
    "STREAMON",
    "S_CTRL",
    "S_FMT",
    "TIMESTAMP_MASK",
    "TIMESTAMP_MONOTONIC",
    "Buffer",
    "Capability",
    "Control",
    "Format",
    "FormatDescription",
    "FrameInterval",
    "FrameSize",
    "PixelFormat",
    "RequestBuffers",
]

CAPTURE, MMAP = 1, 1  # V4L2_BUF_TYPE_VIDEO_CAPTURE, V4L2_MEMORY_MMAP
CAN_CAPTURE, CAN_STREAM, HAS_DEVICE_CAPS = 0x1, 0x0400_0000, 0x8000_0000
TIMESTAMP_MASK, TIMESTAMP_MONOTONIC = 0xE000, 0x2000
BUFFER_ERROR = 0x40
MJPEG = int.from_bytes(b"MJPG", "little")
# identities of controls, include/uapi/linux/v4l2-controls.h
CID_GAIN = 0x00980913
CID_AUTO_WHITE_BALANCE, CID_WHITE_BALANCE_TEMPERATURE = 0x0098090C, 0x0098091A
CID_POWER_LINE_FREQUENCY = 0x00980918
CID_EXPOSURE_AUTO, CID_EXPOSURE_ABSOLUTE = 0x009A0901, 0x009A0902  # the latter in units of 100 us
CID_FOCUS_ABSOLUTE, CID_FOCUS_AUTO = 0x009A090A, 0x009A090C
EXPOSURE_MANUAL = 1
FRAME_DISCRETE = 1  # V4L2_FRMSIZE_TYPE_DISCRETE and V4L2_FRMIVAL_TYPE_DISCRETE


class Capability(ctypes.Structure):
    """struct v4l2_capability."""

    _fields_: ClassVar = [
        ("driver", ctypes.c_char * 16),
        ("card", ctypes.c_char * 32),
        ("bus_info", ctypes.c_char * 32),
        ("version", ctypes.c_uint32),
        ("capabilities", ctypes.c_uint32),
        ("device_caps", ctypes.c_uint32),
        ("reserved", ctypes.c_uint32 * 3),
    ]


class FormatDescription(ctypes.Structure):
    """struct v4l2_fmtdesc."""

    _fields_: ClassVar = [
        ("index", ctypes.c_uint32),
        ("type", ctypes.c_uint32),
        ("flags", ctypes.c_uint32),
        ("description", ctypes.c_char * 32),
        ("pixelformat", ctypes.c_uint32),
        ("mbus_code", ctypes.c_uint32),
        ("reserved", ctypes.c_uint32 * 3),
    ]


class PixelFormat(ctypes.Structure):
    """struct v4l2_pix_format."""

    _fields_: ClassVar = [
        (name, ctypes.c_uint32)
        for name in (
            "width", "height", "pixelformat", "field", "bytesperline", "sizeimage",
            "colorspace", "priv", "flags", "ycbcr_enc", "quantization", "xfer_func",
        )
    ]  # fmt: skip


class _FormatUnion(ctypes.Union):
    # the union's largest and strictest member holds pointers, hence the alignment
    _fields_: ClassVar = [
        ("pix", PixelFormat), ("raw", ctypes.c_uint8 * 200), ("align", ctypes.c_void_p),
    ]  # fmt: skip


class Format(ctypes.Structure):
    """struct v4l2_format."""

    _fields_: ClassVar = [("type", ctypes.c_uint32), ("fmt", _FormatUnion)]


class RequestBuffers(ctypes.Structure):
    """struct v4l2_requestbuffers."""

    _fields_: ClassVar = [
        (name, ctypes.c_uint32) for name in ("count", "type", "memory", "capabilities", "flags")
    ]


class _TimeValue(ctypes.Structure):
    _fields_: ClassVar = [("tv_sec", ctypes.c_long), ("tv_usec", ctypes.c_long)]


class _TimeCode(ctypes.Structure):
    _fields_: ClassVar = [
        ("type", ctypes.c_uint32),
        ("flags", ctypes.c_uint32),
        ("numbers", ctypes.c_uint8 * 4),
        ("userbits", ctypes.c_uint8 * 4),
    ]


class _Place(ctypes.Union):
    _fields_: ClassVar = [("offset", ctypes.c_uint32), ("userptr", ctypes.c_ulong)]


class Buffer(ctypes.Structure):
    """struct v4l2_buffer."""

    _fields_: ClassVar = [
        ("index", ctypes.c_uint32),
        ("type", ctypes.c_uint32),
        ("bytesused", ctypes.c_uint32),
        ("flags", ctypes.c_uint32),
        ("field", ctypes.c_uint32),
        ("timestamp", _TimeValue),
        ("timecode", _TimeCode),
        ("sequence", ctypes.c_uint32),
        ("memory", ctypes.c_uint32),
        ("m", _Place),
        ("length", ctypes.c_uint32),
        ("reserved2", ctypes.c_uint32),
        ("request_fd", ctypes.c_int32),
    ]


class Control(ctypes.Structure):
    """struct v4l2_control."""

    _fields_: ClassVar = [("id", ctypes.c_uint32), ("value", ctypes.c_int32)]


class _Discrete(ctypes.Structure):
    _fields_: ClassVar = [("width", ctypes.c_uint32), ("height", ctypes.c_uint32)]


class _SizeUnion(ctypes.Union):
    _fields_: ClassVar = [("discrete", _Discrete), ("stepwise", ctypes.c_uint32 * 6)]


class FrameSize(ctypes.Structure):
    """struct v4l2_frmsizeenum."""

    _fields_: ClassVar = [
        ("index", ctypes.c_uint32),
        ("pixel_format", ctypes.c_uint32),
        ("type", ctypes.c_uint32),
        ("u", _SizeUnion),
        ("reserved", ctypes.c_uint32 * 2),
    ]


class _Fraction(ctypes.Structure):
    _fields_: ClassVar = [("numerator", ctypes.c_uint32), ("denominator", ctypes.c_uint32)]


class _IntervalUnion(ctypes.Union):
    _fields_: ClassVar = [("discrete", _Fraction), ("stepwise", _Fraction * 3)]


class FrameInterval(ctypes.Structure):
    """struct v4l2_frmivalenum."""

    _fields_: ClassVar = [
        ("index", ctypes.c_uint32),
        ("pixel_format", ctypes.c_uint32),
        ("width", ctypes.c_uint32),
        ("height", ctypes.c_uint32),
        ("type", ctypes.c_uint32),
        ("u", _IntervalUnion),
        ("reserved", ctypes.c_uint32 * 2),
    ]


def _request(direction: int, number: int, size: int) -> int:
    # _IOC of the kernel's asm-generic/ioctl.h: 1 writes, 2 reads
    return direction << 30 | size << 16 | ord("V") << 8 | number


QUERYCAP = _request(2, 0, ctypes.sizeof(Capability))
ENUM_FMT = _request(3, 2, ctypes.sizeof(FormatDescription))
S_FMT = _request(3, 5, ctypes.sizeof(Format))
REQBUFS = _request(3, 8, ctypes.sizeof(RequestBuffers))
QUERYBUF = _request(3, 9, ctypes.sizeof(Buffer))
QBUF = _request(3, 15, ctypes.sizeof(Buffer))
DQBUF = _request(3, 17, ctypes.sizeof(Buffer))
STREAMON = _request(1, 18, ctypes.sizeof(ctypes.c_int))
STREAMOFF = _request(1, 19, ctypes.sizeof(ctypes.c_int))
G_CTRL = _request(3, 27, ctypes.sizeof(Control))
S_CTRL = _request(3, 28, ctypes.sizeof(Control))
ENUM_FRAMESIZES = _request(3, 74, ctypes.sizeof(FrameSize))
ENUM_FRAMEINTERVALS = _request(3, 75, ctypes.sizeof(FrameInterval))
