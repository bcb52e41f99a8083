"""The chart as one HTML file that needs no network: step through the shots with the arrow keys."""

from __future__ import annotations

from twinlapse.plan.chart.drawn import Drawn


def page_bytes(drawn: Drawn) -> bytes:
    """Return the page as UTF-8 bytes."""
    raise NotImplementedError
