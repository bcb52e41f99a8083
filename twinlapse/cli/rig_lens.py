"""``twinlapse rig lens``: a camera's optics from pictures of a chessboard."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

from twinlapse.cli.grammar import BOARD, Command
from twinlapse.cli.output import Output, speaking

__all__ = ["lens"]


@click.command("lens", cls=Command)
@click.argument("folder", type=click.Path(path_type=Path))
@BOARD
@click.option("--fisheye", is_flag=True, help="For a lens that sees more than about 120 degrees.")
@speaking
def lens(output: Output, *, folder: Path, corners: tuple[int, int], fisheye: bool) -> None:
    """Calibrate a lens from the pictures of a chessboard in FOLDER, and print the line for the rig file.

    Take a dozen pictures with the camera's own size and focus, the board tilted in all directions and
    reaching into every corner. `rig target` draws a board.
    """
    from twinlapse.frames.sequence import read_sequence
    from twinlapse.imaging.calibration import calibrate

    if min(corners) < 3:
        raise click.UsageError("a board has at least 3 x 3 inner corners")
    paths = [file.path for file in read_sequence(folder, "the board").files]
    with output.progress("finding boards") as progress:
        found = calibrate(paths, corners=corners, fisheye=fisheye, progress=progress)
    for view in found.views:
        told = [] if view.rms_px is None else [f"{view.rms_px:.3f} px"]
        output.say(f"  {view.path.name:24} {'  '.join([*told, view.why]).rstrip()}")
    used = sum(view.used for view in found.views)
    output.say(f"{used} of {len(found.views)} pictures used, {found.rms_px:.3f} px RMS (below 0.5 is good)")
    output.say(f"lens = {{ {_line(found)} }}")
    output.result(
        {
            "rms_px": found.rms_px,
            "across_deg": found.across_deg,
            "matrix": [list(row) for row in found.matrix],
            "distortion": list(found.lens.distortion),
            "size": [found.lens.width_px, found.lens.height_px],
            "views": [
                {"file": str(view.path), "rms_px": view.rms_px, "used": view.used, "why": view.why}
                for view in found.views
            ],
        }
    )


def _line(found: Any) -> str:
    from twinlapse.optics.lens import axis_px

    lens = found.lens
    centre = ", ".join(f"{value:.1f}" for value in axis_px(lens))
    bend = ", ".join(f"{value:.5f}" for value in lens.distortion)
    kind = 'kind = "fisheye", ' if lens.kind == "fisheye" else ""
    return (
        f"width_px = {lens.width_px}, height_px = {lens.height_px}, across_deg = {found.across_deg:.2f}, "
        f"{kind}centre_px = [{centre}], distortion = [{bend}]"
    )
