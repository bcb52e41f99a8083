"""``twinlapse plan``."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

import twinlapse
from twinlapse.cli.output import Output, speaking

if TYPE_CHECKING:
    from twinlapse.gcode import Layers
    from twinlapse.plan import Planning
    from twinlapse.rig import Rig


@click.command()
@click.argument("gcode", type=click.Path(path_type=Path))
@click.option("--rig", "rig_path", type=click.Path(path_type=Path), required=True, help="The rig file.")
@click.option("-o", "--out", type=click.Path(path_type=Path), help="Write the plan here, as JSON.")
@click.option(
    "--chart",
    type=click.Path(path_type=Path),
    help="Draw the plan here: .png, .svg, or .html to step through.",
)
@click.option("--survey", metavar="LAYERS", help="Look over whole layers with the nozzle camera: 1 or 1,2,3.")
@click.option("--corners", metavar="LAYERS", help="Visit the print's outermost corners after layers: 1,2,3.")
@click.option("--why", metavar="N", help="Explain shot N, or a layer with or without shots: layer:12.")
@speaking
def command(
    output: Output,
    *,
    gcode: Path,
    rig_path: Path,
    out: Path | None,
    chart: Path | None,
    survey: str | None,
    corners: str | None,
    why: str | None,
) -> None:
    """Choose the shots of GCODE and say what they cost.

    The machine moves by itself when the written file is printed: try it with the bed clear and a hand on
    the stop.
    """
    from twinlapse.plan import work_out
    from twinlapse.plan.summary import summary_rows
    from twinlapse.shots import plan_to_json, write_plan

    asked = _question(why) if why is not None else None
    rig = _asked(twinlapse.load_rig(rig_path), survey, corners)
    with output.progress("Reading") as progress:
        sliced = twinlapse.read_sliced(gcode, rig, progress=progress)
    path, layers, timeline = sliced.toolpath, sliced.layers, sliced.timeline
    with output.progress("Planning") as progress:
        planning = work_out(path, layers, timeline, rig, progress=progress)
    for name, text in summary_rows(planning, rig):
        output.say(f"{name:<18} {text}")
    for warning in planning.plan.warnings:
        output.warn(warning)
    if out is not None:
        write_plan(out, planning.plan)
        output.say(f"{'Plan':<18} {out}")
    if chart is not None:
        from twinlapse.plan.chart import draw_chart

        draw_chart(planning.plan, path, layers, timeline, rig, chart, planning=planning)
        output.say(f"{'Chart':<18} {chart}")
    reasons = _why(output, planning, layers, rig, asked) if asked is not None else []
    output.result({**plan_to_json(planning.plan), **({"why": reasons} if asked is not None else {})})


def _asked(rig: Rig, survey: str | None, corners: str | None) -> Rig:
    """Return the rig with the layers that the command line asks to be looked over instead of its own."""
    from dataclasses import replace

    from twinlapse.rig.notations import read_layers
    from twinlapse.rig.toml_fields import InvalidValueError

    try:
        if survey is not None:
            rig = replace(rig, plan=replace(rig.plan, survey_layers=read_layers(survey)))
        if corners is not None:
            rig = replace(rig, plan=replace(rig.plan, corner_layers=read_layers(corners)))
    except InvalidValueError as error:
        raise click.BadParameter(f"{error.what}: write 1 or 1,2,3") from None
    return rig


def _question(text: str) -> tuple[str, int]:
    """Return what --why asks for: "shot" or "layer", and its number as people count."""
    what, _, number = text.rpartition(":")
    if what not in ("", "layer") or not number.isdecimal():
        raise click.BadParameter(f"{text!r} names no shot and no layer: write --why 57 or --why layer:12")
    return what or "shot", int(number)


def _why(output: Output, planning: Planning, layers: Layers, rig: Rig, asked: tuple[str, int]) -> list[str]:
    from twinlapse.plan.explanation import explain_layer, explain_shot

    what, number = asked
    if what == "layer":
        lines = explain_layer(planning, layers, rig, number - 1)
    else:
        lines = explain_shot(planning, layers, rig, number)
    output.say()
    for line in lines:
        output.say(line)
    return lines
