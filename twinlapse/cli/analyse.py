"""``twinlapse analyse``."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from twinlapse.cli.grammar import GCODE, Command, rig_option
from twinlapse.cli.output import Output, speaking

if TYPE_CHECKING:
    from twinlapse.gcode import Layers
    from twinlapse.rig import Printer

__all__ = ["command"]


@click.command(cls=Command)
@GCODE
@rig_option("The rig whose printer is timed.")
@click.option(
    "--firmware",
    type=click.Choice(["marlin", "klipper", "reprapfirmware"]),
    help="Firmware dialect; if omitted the rig's, or detected from the file.",
)
@click.option("--no-layers", is_flag=True, help="Omit the list of layers.")
@speaking
def command(output: Output, *, gcode: Path, rig: Path | None, firmware: str | None, no_layers: bool) -> None:
    """Report layers, heights, print time, extents and anything unusual in GCODE (``-``: standard input)."""
    from twinlapse.gcode.analysis import analysis_json
    from twinlapse.motion.sliced_print import read_sliced

    printer = _printer(rig)
    if rig is not None and firmware is None:
        firmware = printer.firmware
    with output.progress("Reading") as progress:
        sliced = read_sliced(gcode, printer, firmware=firmware, progress=progress)
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
    how = {
        "comments": "marked by comments",
        "geometry": "detected by height",
        "turns": "turns of a spiral (vase mode)",
    }
    kinds = [word for word in ("spiral", "sequential") if found[word]]
    rows = [
        ("File", f"{found['file']}, {found['bytes']:,} bytes, {found['line_count']:,} lines"),
        ("Layers", f"{found['layer_count']:,} ({', '.join([how[found['layer_source']], *kinds])})"),
        ("Objects", ", ".join(found["objects"])),
        ("Time", f"{_clock(found['print_s'])} without heating"),
        ("Filament", f"{found['extruded_mm'] / 1000:.3f} m by {_tools(found['tools'])}"),
        ("Extents", f"X {x0:g} to {x1:g}, Y {y0:g} to {y1:g}, Z {z0:g} to {z1:g} mm"),
        ("Read as", found["firmware"] + (f", {found['arc_count']:,} arcs" if found["arc_count"] else "")),
    ]
    for name, text in rows:
        output.say(f"{name:<9} {text}")
    if with_layers:
        output.say()
        for line in _layer_table(found["layers"], layers.sequential, every=output.verbose):
            output.say(line)
    for warning in found["warnings"]:
        output.say(f"line {warning['line']:,}: {warning['text']} [{warning['code']}]")


def _layer_table(rows: list[dict[str, Any]], sequential: bool, *, every: bool) -> list[str]:
    """Return the layers as lines; without `every` of many the first and the last."""
    head = "layer      z mm  height  from line    starts   lasts s  filament mm"
    shown = rows if len(rows) <= 12 or every else [*rows[:6], *rows[-5:]]
    lines = [head + ("  object" if sequential else "")]
    for row in shown:
        if len(shown) < len(rows) and row is rows[-5]:
            lines.append(f"  ... {len(rows) - 11:,} more")
        text = (
            f"{row['layer']:>5} {row['z_mm']:>9.3f} {row['height_mm']:>7.3f} {row['first_line']:>10,} "
            f"{_clock(row['start_s']):>9} {row['end_s'] - row['start_s']:>9.1f} {row['extruded_mm']:>12.2f}"
        )
        lines.append(text + (f"  {row['object'] + 1}" if sequential else ""))
    return [*lines, ""]


def _clock(seconds: float) -> str:
    whole = round(seconds)
    return f"{whole // 3600}:{whole % 3600 // 60:02}:{whole % 60:02}"


def _tools(tools: list[int]) -> str:
    return f"tool {tools[0]}" if len(tools) == 1 else "tools " + ", ".join(map(str, tools))
