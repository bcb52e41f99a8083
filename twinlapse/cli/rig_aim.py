"""``twinlapse rig target`` and ``twinlapse rig aim``: a page to print, and where the camera looks."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

from twinlapse.cli.grammar import BOARD, RIG_FILE, Command, output_option
from twinlapse.cli.output import Output, speaking

__all__ = ["aim", "camera_named", "target"]


def camera_named(rig: Any, rig_file: Path, name: str | None) -> Any:
    """Return the camera of that name; without a name the one on the toolhead, else the first."""
    from twinlapse.errors import RigError

    if name is not None:
        camera = rig.camera(name)
        if camera is None:
            names = ", ".join(c.name for c in rig.cameras)
            raise RigError(f'there is no camera "{name}"', f"name one of {names}", path=rig_file)
        return camera
    return next((c for c in rig.cameras if c.mount == "toolhead"), rig.cameras[0])


@click.command("target", cls=Command)
@output_option("The page to print.", ".pdf", ".png")
@BOARD
@click.option("--square-mm", type=float, default=10.0, show_default=True, help="Side of a square.")
@speaking
def target(out: Output, output: Path, corners: tuple[int, int], square_mm: float) -> None:
    """Draw the chessboard page that `rig aim` measures the camera by."""
    from twinlapse.cli.aim_drawing import target_page

    if min(corners) < 3 or square_mm <= 0:
        raise click.UsageError("a board has at least 3 x 3 inner corners and squares above 0 mm")
    try:
        target_page(corners, square_mm, output)
    except ValueError as error:
        raise click.UsageError(f"{error}: fewer or smaller squares") from None
    out.say(f"wrote {output}; print it at 100 % on A4 and measure a row of squares before use")
    out.result({"target": str(output), "board": list(corners), "square_mm": square_mm})


@click.command("aim", cls=Command)
@RIG_FILE
@click.option("--camera", "name", help="Which camera; default: the one on the toolhead.")
@click.option("--picture", type=click.Path(path_type=Path), help="A picture; default: take one now.")
@output_option("Draw over the picture where things should be.", ".png", ".jpg", ".jpeg", required=False)
@click.option(
    "--board",
    type=(int, int),
    metavar="N M",
    help="Calculate the position: inner corners of the chessboard on the bed, across and down.",
)
@click.option("--square-mm", type=float, default=10.0, show_default=True, help="Side of a square.")
@click.option(
    "--at-mm", type=(float, float), metavar="X Y", help="Position of the marked inner corner on the bed."
)
@click.option(
    "--turn-deg", default=0.0, show_default=True, help="Angle of the long side of the board from X."
)
@click.option("--nozzle-mm", type=(float, float, float), metavar="X Y Z", help="Where the nozzle is.")
@click.option("--write", is_flag=True, help="Write the calculated position into the rig file.")
@speaking
def aim(
    out: Output,
    rig_file: Path,
    name: str | None,
    picture: Path | None,
    output: Path | None,
    board: tuple[int, int] | None,
    square_mm: float,
    at_mm: tuple[float, float] | None,
    turn_deg: float,
    nozzle_mm: tuple[float, float, float] | None,
    write: bool,
) -> None:
    """Show how to aim the camera, or calculate its position from a chessboard on the bed."""
    from twinlapse.optics.pose import pose_in_bed, rest_of
    from twinlapse.rig import read_rig

    rig = read_rig(rig_file)
    camera = camera_named(rig, rig_file, name)
    nozzle = nozzle_mm or (*rest_of(camera, rig.printer)[:2], 0.2)
    colours, lens = _picture(camera, picture)
    pose = pose_in_bed(camera, rig.printer, nozzle)
    result: dict[str, Any] = {"camera": camera.name}
    points = None
    if board is not None:
        from twinlapse.imaging.aiming import Board

        if at_mm is None:
            raise click.UsageError("--board needs --at-mm X Y, the position of its marked corner")
        laid = Board(corners=board, square_mm=square_mm, at_mm=at_mm, turn_deg=turn_deg)
        points = laid.points_mm()
        pose, told = _solve(out, rig, camera, colours, lens, laid, nozzle)
        result |= told
        if write:
            _write_pose(rig_file, rig, camera, told)
            out.say(f"written into {rig_file}")
    elif write:
        raise click.UsageError("--write needs --board")
    if output is not None:
        from twinlapse.cli.aim_drawing import draw_aim

        draw_aim(colours, pose, lens, rig.printer, nozzle, output, points)
        out.say(f"drawn to {output}")
    out.result(result)


def _picture(camera: Any, path: Path | None) -> tuple[Any, Any]:
    """Return the upright picture and the lens at its size."""
    from dataclasses import replace

    from twinlapse.errors import CaptureError
    from twinlapse.imaging.decode import decode, read_picture
    from twinlapse.optics.upright import upright_camera, upright_picture

    if path is not None:
        colours = read_picture(path)
    else:
        from twinlapse.cameras.sources import open_source

        source = open_source(camera)
        try:
            shot = next(source.pictures(), None)
        finally:
            source.close()
        if shot is None:
            raise CaptureError(f'camera "{camera.name}" gives no picture', "check its source")
        colours = decode(shot.data)
    colours = upright_picture(colours, camera)
    height, width = colours.shape[:2]
    lens = upright_camera(camera).lens
    if (width, height) != (lens.width_px, lens.height_px):
        scale = width / lens.width_px
        centre = lens.centre_px and (
            (lens.centre_px[0] + 0.5) * scale - 0.5,
            (lens.centre_px[1] + 0.5) * scale - 0.5,
        )
        lens = replace(lens, width_px=width, height_px=height, centre_px=centre)
    return colours, lens


def _solve(
    out: Output, rig: Any, camera: Any, colours: Any, lens: Any, board: Any, nozzle: Any
) -> tuple[Any, Any]:
    import numpy as np
    from PIL import Image

    from twinlapse.imaging.aiming import aim_at_board
    from twinlapse.optics.pose import looking_of, mounted, pose_in_bed

    grey = np.asarray(Image.fromarray(colours).convert("L"))
    expected = pose_in_bed(camera, rig.printer, nozzle)
    found = aim_at_board(grey, board, lens, expected)
    own = mounted(found.pose, camera, rig.printer, nozzle)
    away = float(np.linalg.norm(own.place_mm)) if camera.mount == "toolhead" else 300.0
    place, look, roll = looking_of(own, away)
    told = {
        "place_mm": [round(v, 3) for v in place],
        "look_mm": [round(v, 3) for v in look],
        "roll_deg": round(roll, 3),
        "place_error_mm": round(float(np.linalg.norm(found.place_error_mm)), 3),
        "turn_error_deg": round(float(np.linalg.norm(found.turn_error_deg)), 4),
        "rms_px": round(found.rms_px, 3),
    }
    out.say(f"place {told['place_mm']} mm, looking at {told['look_mm']}, roll {told['roll_deg']} degrees")
    out.say(f"standard error {told['place_error_mm']} mm and {told['turn_error_deg']} degrees")
    return found.pose, told


def _write_pose(rig_file: Path, rig: Any, camera: Any, told: dict[str, Any]) -> None:
    from twinlapse.files import read_text, write_bytes
    from twinlapse.rig.editing import with_camera_keys

    keys = ("place_mm", "look_mm", "roll_deg", "place_error_mm", "turn_error_deg")
    values = {key: tuple(told[key]) if isinstance(told[key], list) else told[key] for key in keys}
    text = with_camera_keys(read_text(rig_file, "rig file"), rig.cameras.index(camera), values)
    write_bytes(rig_file, text.encode())
