"""``twinlapse analyse``."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from twinlapse.cli.output import Output, speaking

if TYPE_CHECKING:
    from twinlapse.gcode import Layers
    from twinlapse.rig import Printer


@click.command()
@click.argument("gcode", type=click.Path(path_type=Path))
@click.option("--rig", type=click.Path(path_type=Path), help="A rig file: whose printer is timed.")
@click.option(
    "--firmware",
    type=click.Choice(["marlin", "klipper", "reprapfirmware"]),
    help="Whose rules hold; by default the file's own words decide.",
)
@click.option("--no-layers", is_flag=True, help="Leave the list of layers out.")
@speaking
def command(output: Output, *, gcode: Path, rig: Path | None, firmware: str | None, no_layers: bool) -> None:
    """Say what GCODE holds: layers, heights, time, extents, what is odd."""
    from twinlapse.gcode.analysis import analysis_json
    from twinlapse.motion.sliced_print import read_sliced

    with output.progress("Reading") as progress:
        sliced = read_sliced(gcode, _printer(rig), firmware=firmware, progress=progress)
    path, layers, timeline = sliced.toolpath, sliced.layers, sliced.timeline
    found = analysis_json(path, layers, timeline.end_s, print_s=timeline.print_s, with_layers=not no_layers)
    output.result(found)
    if not output.as_json and not output.quiet:
        _say(output, found, layers, with_layers=not no_layers)


def _printer(rig: Path | None) -> Printer:
    from twinlapse.rig import Printer, read_rig

    if rig is not None:
        return read_rig(rig).printer
    return Printer(bed_mm=(220.0, 220.0), height_mm=250.0)


def _say(output: Output, found: dict[str, Any], layers: Layers, *, with_layers: bool) -> None:
    """Print the findings for people."""
    (x0, y0, z0), (x1, y1, z1) = found["bbox_mm"]
    how = {"comments": "marked by comments", "geometry": "told by height", "turns": "turns of a spiral"}
    kinds = [word for word in ("spiral", "sequential") if found[word]]
    rows = [
        ("File", f"{found['file']}, {found['bytes']:,} bytes, {found['lines']:,} lines"),
        ("Layers", f"{found['layer_count']:,} ({', '.join([how[found['layer_source']], *kinds])})"),
        ("Objects", ", ".join(found["objects"])),
        ("Time", f"{_clock(found['print_s'])} without heating"),
        ("Filament", f"{found['extruded_mm'] / 1000:.3f} m by {_tools(found['tools'])}"),
        ("Extents", f"X {x0:g} to {x1:g}, Y {y0:g} to {y1:g}, Z {z0:g} to {z1:g} mm"),
        ("Read as", found["dialect"] + (f", {found['arcs']:,} arcs" if found["arcs"] else "")),
    ]
    for name, text in rows:
        output.say(f"{name:<9} {text}")
    if with_layers:
        output.say()
        for line in _layer_table(found["layers"], layers.sequential):
            output.say(line)
    for warning in found["warnings"]:
        output.say(f"line {warning['line']:,}: {warning['text']} [{warning['code']}]")


def _layer_table(rows: list[dict[str, Any]], sequential: bool) -> list[str]:
    """Return the first and last layers as lines, with what is left out said."""
    head = "layer      z mm  height  from line    starts   lasts s  filament mm"
    shown = rows if len(rows) <= 12 else [*rows[:6], *rows[-5:]]
    lines = [head + ("  object" if sequential else "")]
    for row in shown:
        if len(rows) > 12 and row is rows[-5]:
            lines.append(f"  ... {len(rows) - 11:,} more")
        text = (
            f"{row['index'] + 1:>5} {row['z_mm']:>9.3f} {row['height_mm']:>7.3f} {row['first_line']:>10,} "
            f"{_clock(row['start_s']):>9} {row['end_s'] - row['start_s']:>9.1f} {row['extruded_mm']:>12.2f}"
        )
        lines.append(text + (f"  {row['object'] + 1}" if sequential else ""))
    return [*lines, ""]


def _clock(seconds: float) -> str:
    whole = round(seconds)
    return f"{whole // 3600}:{whole % 3600 // 60:02}:{whole % 60:02}"


def _tools(tools: list[int]) -> str:
    return f"tool {tools[0]}" if len(tools) == 1 else "tools " + ", ".join(map(str, tools))
