"""The kinds of film that can be written, by suffix and by name."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from fractions import Fraction
from pathlib import Path
from typing import Any

from twinlapse.errors import RenderError
from twinlapse.rig.film_settings import Filming

__all__ = ["SMALL_BYTES", "SMALL_RATE", "Codec", "codec_for", "fitting"]

_SMALL_PX = 360  # short side of a GIF or WebP at most
SMALL_RATE = Fraction(25, 2)
SMALL_BYTES = 10_000_000


@dataclass(frozen=True, slots=True, kw_only=True)
class Codec:
    """How a kind of film is encoded."""

    name: str
    container: str
    options: Mapping[str, Any] = field(default_factory=dict)
    tagged: bool = True  # carries colour tags, a title and chapters
    palette: bool = False  # 256 colours chosen from the whole film


# the encoder's own strength, 1.0, codes plain parts anew again and again: they tremble by 0.05 of a code,
# which in dark ones is more flicker than all that comes before; films become smaller
# for the same reason a little more of the noise is left out that prediction leaves: usual is 21 of 64
_STILL = "deadzone-inter=28"
_H264 = {"preset": "veryfast", "profile:v": "high", "aq-strength": 0.6, "x264-params": _STILL}
_H265 = {"preset": "fast", "tag:v": "hvc1", "x265-params": "log-level=error"}
_VP9 = {"b:v": "0", "deadline": "good", "cpu-used": 4, "row-mt": 1}
_AV1 = {"preset": 8, "svtav1-params": "tune=0"}

# quality 0 to 51 as H.264 counts; the others' scales are brought to about the same look (common practice)
_NAMES = {"h264": "libx264", "h265": "libx265", "vp9": "libvpx-vp9", "av1": "libsvtav1"}
_OFFSET = {"h264": 0, "h265": 4, "vp9": 13, "av1": 14}
_OPTIONS: dict[str, dict[str, Any]] = {"h264": _H264, "h265": _H265, "vp9": _VP9, "av1": _AV1}
_CONTAINER = {".mp4": "mp4", ".m4v": "mp4", ".webm": "webm", ".gif": "gif", ".webp": "webp"}
_SUFFIXES = tuple(_CONTAINER)


def codec_for(out: Path, filming: Filming) -> Codec:
    """Return the codec of a film by its suffix and the film's settings.

    Raises
    ------
    RenderError
        for a suffix that is none of ours, or a codec that does not go into that kind of file.
    """
    suffix = out.suffix.lower()
    if suffix not in _CONTAINER:
        raise RenderError(
            f"{suffix or 'no suffix'} is no film that can be written",
            f"end its name in {', '.join(_SUFFIXES)}",
            path=out,
        )
    container = _CONTAINER[suffix]
    if container == "gif":
        return Codec(name="gif", container="gif", options={"loop": 0}, tagged=False, palette=True)
    if container == "webp":
        moving = {"loop": 0, "quality": 78, "compression_level": 4}
        return Codec(name="libwebp_anim", container="webp", options=moving, tagged=False)
    name = filming.codec if filming.codec != "auto" else "vp9" if container == "webm" else "h264"
    if (name in ("h264", "h265")) != (container == "mp4") and name != "av1":
        raise RenderError(
            f"{name} does not go into a {suffix} file", "name it .mp4, or .webm for vp9 or av1", path=out
        )
    options: dict[str, Any] = {**_OPTIONS[name], "crf": filming.quality + _OFFSET[name]}
    if name == "h264" and filming.careful:
        options["preset"] = "slow"
    return Codec(name=_NAMES[name], container=container, options=options)


def fitting(filming: Filming, out: Path) -> Filming:
    """Return settings that suit the kind of film: a GIF or WebP is small and slow, and its rate is exact.

    A GIF's delays are whole hundredths of a second.
    """
    if out.suffix.lower() not in (".gif", ".webp"):
        return filming
    rate = min(filming.fps, SMALL_RATE)
    rate = Fraction(100, max(2, round(100 / rate)))
    return replace(filming, fps=rate, height_px=min(filming.height_px, _SMALL_PX))
