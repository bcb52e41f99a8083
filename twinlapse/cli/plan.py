"""``twinlapse plan``."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

import twinlapse
from twinlapse.cli.grammar import GCODE, Command, drawing_option, output_option, rig_option
from twinlapse.cli.output import Output, speaking

if TYPE_CHECKING:
    from twinlapse.gcode import Layers
    from twinlapse.plan import Planning
    from twinlapse.rig import Rig

__all__ = ["command"]


@click.command(cls=Command)
@GCODE
@rig_option("The rig file; 'twinlapse rig new' writes one.", required=True, name="rig_path")
@output_option("Write the plan to this file, as JSON.", required=False, name="out")
@drawing_option("Draw the plan; .html is a viewer of the shots", ".png", ".svg", ".html")
@click.option(
    "--survey-layers", metavar="LAYERS", help="Survey whole layers with the nozzle camera: 1 or 1,2,3."
)
@click.option(
    "--corner-layers", metavar="LAYERS", help="Visit the outermost corners of the print after layers: 1,2,3."
)
@click.option("--why", metavar="N", help="Explain shot N, or a layer with or without shots: layer:12.")
@speaking
def command(
    output: Output,
    *,
    gcode: Path,
    rig_path: Path,
    out: Path | None,
    drawing: Path | None,
    survey_layers: str | None,
    corner_layers: str | None,
    why: str | None,
) -> None:
    """Choose the shots of GCODE and report the time they add.

    The machine will move by itself when the written file is printed: test it with an empty bed, and be ready
    to press stop.
    """
    from twinlapse.plan import work_out
    from twinlapse.plan.summary import choice_rows, summary_rows
    from twinlapse.shots import plan_to_json, write_plan

    question = None if why is None else _question(why)
    rig = _asked(twinlapse.load_rig(rig_path), survey_layers, corner_layers)
    with output.progress("Reading") as progress:
        sliced = twinlapse.read_sliced(gcode, rig, progress=progress)
    path, layers, timeline = sliced.toolpath, sliced.layers, sliced.timeline
    with output.progress("Planning") as progress:
        planning = work_out(path, layers, timeline, rig, progress=progress)
    reasons = [] if question is None else _reasons(planning, layers, rig, *question)
    for name, text in summary_rows(planning, rig):
        output.say(f"{name:<18} {text}")
    choices = choice_rows(planning, rig)
    if choices:
        output.say("Other schedules, about:")
    for name, text in choices:
        output.say(f"  {name:<16} {text}")
    for warning in planning.plan.warnings:
        output.warn(warning)
    if out is not None:
        write_plan(out, planning.plan)
        output.say(f"{'Plan':<18} {out}")
    if drawing is not None:
        from twinlapse.plan.chart import draw_chart

        draw_chart(planning.plan, path, layers, timeline, rig, drawing, planning=planning)
        output.say(f"{'Drawing':<18} {drawing}")
    for line in ["", *reasons] if reasons else []:
        output.say(line)
    extra = {"schedules": dict(choices)} if choices else {}
    output.result({**plan_to_json(planning.plan), **extra, **({"why": reasons} if why is not None else {})})


def _asked(rig: Rig, survey: str | None, corners: str | None) -> Rig:
    """Return the rig with the layers that the command line names in place of its own."""
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
        raise click.UsageError(
            f"--why {text} names no shot and no layer; write --why 57 or --why layer:12",
            click.get_current_context(),
        )
    return what or "shot", int(number)


def _reasons(planning: Planning, layers: Layers, rig: Rig, what: str, number: int) -> list[str]:
    from twinlapse.plan.explanation import explain_layer, explain_shot

    if what == "layer":
        return explain_layer(planning, layers, rig, number - 1)
    return explain_shot(planning, layers, rig, number)
