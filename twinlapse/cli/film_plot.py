"""The plot of what was done to the frames of a film: shifts and gains over the shots."""

from __future__ import annotations

import io
from pathlib import Path
from typing import TYPE_CHECKING

from twinlapse.errors import RenderError
from twinlapse.files import write_bytes

if TYPE_CHECKING:
    from twinlapse.film import FilmReport

__all__ = ["draw"]

_CHANNELS = {"red": "#c0392b", "green": "#2e8b57", "blue": "#2a6fb0"}


def draw(report: FilmReport, path: Path) -> None:
    """Draw shift and gain of every camera, one column a camera."""
    kind = path.suffix.lower().lstrip(".")
    if kind not in ("png", "svg", "pdf"):
        raise RenderError(f"{path.suffix} is no plot that can be drawn", "name it .png or .svg", path=path)
    from matplotlib.figure import Figure

    cameras = list(report.shifts)
    figure = Figure(figsize=(5.5 * len(cameras), 5.5), layout="constrained")
    axes = figure.subplots(2, len(cameras), squeeze=False, sharex="col")
    for column, camera in enumerate(cameras):
        rows, gain = report.shifts[camera], report.gain[camera]
        shots = [row[0] for row in rows]
        upper, lower = axes[0][column], axes[1][column]
        upper.plot(shots, [row[1] for row in rows], lw=1, label="to the right")
        upper.plot(shots, [row[2] for row in rows], lw=1, label="down")
        upper.set_title(camera, loc="left")
        upper.set(ylabel="shift taken out, px")
        for channel, (name, colour) in enumerate(_CHANNELS.items()):
            lower.plot(shots, [part[channel] for part in gain], lw=1, color=colour, label=name)
        lower.set(xlabel="shot", ylabel="gain in linear light")
        for each in (upper, lower):
            each.grid(alpha=0.25)
            # above the lines: over a long print there is no corner that they leave free
            each.legend(loc="lower right", bbox_to_anchor=(1, 1), ncols=3, fontsize=8, frameon=False)
    data = io.BytesIO()
    figure.savefig(data, format=kind, dpi=130)
    write_bytes(path, data.getvalue())
