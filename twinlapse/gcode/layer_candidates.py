"""One candidate for the layers of a print, before objects and names are known."""

from __future__ import annotations

from dataclasses import dataclass

from twinlapse.arrays import Float, Int

__all__ = ["NO_NUMBER", "LayerCandidate"]

NO_NUMBER = -1_000_000_000


@dataclass(frozen=True, slots=True, kw_only=True)
class LayerCandidate:
    """Where each layer begins, how high it is, and how well the print's moves agree."""

    source: str  # "comments", "geometry" or "turns"
    first_row: Int  # (n + 1,)
    z_mm: Float  # (n,)
    z_low_mm: Float  # (n,) lowest height within the layer
    support: float  # share of the printed length that lies where this reading says
    rows_each: float = 0.0  # printing moves of a mark, at the median
    number: Int | None = None  # (n,) as the marks count, NO_NUMBER where they do not
    line: Int | None = None  # (n,) of the marks

    def __len__(self) -> int:
        return len(self.z_mm)
