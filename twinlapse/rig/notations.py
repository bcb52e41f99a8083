"""The small notations of a rig file: how often a camera shoots, how much the shots may add, which layers."""

from __future__ import annotations

import math
import re
from collections.abc import Mapping
from typing import Any

from twinlapse.rig.toml_fields import InvalidValueError, is_number

__all__ = [
    "SOURCE_KINDS",
    "amount_s",
    "read_amount",
    "read_every",
    "read_first_layers",
    "read_layers",
    "read_source",
]

_AMOUNT = re.compile(r"\s*(\d+(?:\.\d+)?)\s*(%|s|min|h)\s*")
SOURCE_KINDS = ("http", "https", "still", "rtsp", "v4l2", "folder", "video")
_EVERY_KEYS = {"layers", "mm", "s", "film_s", "fps", "by"}


def read_every(value: Any) -> str | dict[str, Any]:
    """Return a checked ``every``: "auto", "layer", or one of {layers}, {mm}, {s}, {film_s, fps, by}.

    Raises
    ------
    InvalidValueError
    """
    if value in ("auto", "layer"):
        return str(value)
    hint = 'write "auto", "layer", { layers = 3 }, { mm = 0.6 }, { s = 45 } or { film_s = 20, fps = 30 }'
    if not isinstance(value, Mapping) or not value:
        raise InvalidValueError(f"{value!r} is no schedule", hint)
    for key, amount in value.items():
        if key not in _EVERY_KEYS:
            raise InvalidValueError(f"there is no schedule by {key!r}", hint)
        if key == "by":
            if amount not in ("height", "time", "material"):
                raise InvalidValueError(
                    f"{amount!r} is no measure", 'write by = "height", "time" or "material"'
                )
        elif not is_number(amount) or amount <= 0:
            raise InvalidValueError(f"{key} = {amount!r} is not above 0", hint)
    steps = [key for key in ("layers", "mm", "s", "film_s") if key in value]
    if len(steps) != 1:
        raise InvalidValueError("a schedule has exactly one of layers, mm, s, film_s", hint)
    if steps[0] == "layers" and value["layers"] != int(value["layers"]):
        raise InvalidValueError(f"layers = {value['layers']} is not a whole number", hint)
    if steps[0] != "film_s" and len(value) > 1:
        raise InvalidValueError("fps and by belong to film_s", hint)
    return dict(value)


def read_first_layers(value: Any) -> dict[str, Any]:
    """Return a checked ``first_layers``: {layers}, or {layers, s}.

    Raises
    ------
    InvalidValueError
    """
    hint = "write first_layers = { layers = 3, s = 10 }"
    if not isinstance(value, Mapping):
        raise InvalidValueError(f"{value!r} is no schedule", hint)
    count = value.get("layers")
    if not isinstance(count, int) or isinstance(count, bool) or count < 1:
        raise InvalidValueError("it needs a whole number of layers", hint)
    if set(value) - {"layers", "s"}:
        raise InvalidValueError("it has the keys layers and s alone", hint)
    if "s" in value and (not is_number(value["s"]) or value["s"] <= 0):
        raise InvalidValueError(f"s = {value['s']!r} is not above 0", hint)
    return dict(value)


def read_source(value: Any) -> str:
    """Return a checked source of pictures, or "" for none."""
    hint = 'write "http://camera.local/stream", "v4l2:/dev/v4l/by-path/...", "folder:/..." or another kind'
    if not isinstance(value, str):
        raise InvalidValueError(f"{value!r} is not text", 'write it in quotes, such as "text"')
    kind, colon, rest = value.partition(":")
    if value and (not colon or kind not in SOURCE_KINDS):
        raise InvalidValueError(f"{value!r} does not say what kind of source it is", hint)
    if value and not rest.strip("/"):
        raise InvalidValueError(f"{value!r} names no camera", hint)
    return value


def read_amount(value: Any) -> str:
    """Return a checked ``max_added`` such as "5%", "90 s", "12min" or "" for no cap."""
    if isinstance(value, str) and (value == "" or _AMOUNT.fullmatch(value)):
        return value
    raise InvalidValueError(
        f"{value!r} is no amount of time", 'write a share such as "5%" or a time such as "12min"'
    )


def amount_s(amount: str, print_s: float) -> float:
    """Return the seconds that a checked amount stands for; "" is endless."""
    found = _AMOUNT.fullmatch(amount)
    if found is None:
        return math.inf
    number = float(found[1])
    return number / 100 * print_s if found[2] == "%" else number * {"s": 1, "min": 60, "h": 3600}[found[2]]


def read_layers(value: Any) -> tuple[int, ...]:
    """Return layers from 0 of a list as people write it, from 1: [1, 2, 3] or "1,2,3"."""
    words = value.split(",") if isinstance(value, str) else value
    try:
        if not isinstance(words, list | tuple) or any(isinstance(word, bool | float) for word in words):
            raise TypeError
        layers = tuple(sorted({int(word) - 1 for word in words}))
    except (TypeError, ValueError):
        raise InvalidValueError(
            f"{value!r} is no list of layers", "write numbers from 1: [1, 2, 3]"
        ) from None
    if any(not 0 <= layer < 1_000_000 for layer in layers):
        raise InvalidValueError(f"{value!r} names a layer that cannot be", "write numbers from 1: [1, 2, 3]")
    return layers
