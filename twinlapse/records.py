"""What records that hold arrays share: a short repr, and an equality that never raises."""

from __future__ import annotations

from dataclasses import fields
from pathlib import Path
from typing import Any

__all__ = ["ArrayRecord"]

_SHOWN = 6  # items of a sequence that a repr shows whole
_WIDEST = 60  # characters of one value in a repr


class ArrayRecord:
    """Base of frozen dataclasses with array fields; such a dataclass is made with ``eq=False, repr=False``.

    Two records are equal when they are of one class and each field is, NaN equal to NaN. The repr shows
    scalars as they are, arrays by kind and shape, long sequences by their length.
    """

    __slots__ = ()

    __hash__ = None  # type: ignore[assignment]  # arrays have no hash, so their record has none

    def __eq__(self, other: object) -> bool:
        if self is other:
            return True
        if type(self) is not type(other):
            return NotImplemented
        return all(
            _same(getattr(self, item.name), getattr(other, item.name))
            for item in fields(self)  # type: ignore[arg-type]
            if item.compare
        )

    def __repr__(self) -> str:
        shown = [f"{item.name}={_short(getattr(self, item.name))}" for item in fields(self) if item.repr]  # type: ignore[arg-type]
        return f"{type(self).__name__}({', '.join(shown)})"


def _same(left: Any, right: Any) -> bool:
    if _is_array(left) or _is_array(right):
        import numpy as np  # only where there are arrays: the capture service has records and no numpy

        left, right = np.asarray(left), np.asarray(right)
        number = left.dtype.kind in "fc" and right.dtype.kind in "fc"
        return left.dtype == right.dtype and np.array_equal(left, right, equal_nan=number)
    if isinstance(left, tuple | list) and isinstance(right, tuple | list):
        return len(left) == len(right) and all(map(_same, left, right))
    if isinstance(left, dict) and isinstance(right, dict):
        return left.keys() == right.keys() and all(_same(left[key], right[key]) for key in left)
    return bool(left == right)


def _short(value: Any) -> str:
    if _is_array(value):
        return f"{value.dtype}{list(value.shape)}"
    if isinstance(value, Path):
        return repr(str(value))
    if isinstance(value, tuple | list | dict) and len(value) > _SHOWN:
        return f"<{len(value)} items>"
    if isinstance(value, tuple | list) and any(map(_is_array, value)):
        return f"<{len(value)} items>"
    text = repr(value)
    return text if len(text) <= _WIDEST else f"<{type(value).__name__}>"


def _is_array(value: Any) -> bool:
    return type(value).__name__ == "ndarray"
