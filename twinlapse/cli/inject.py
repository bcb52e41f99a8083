"""``twinlapse inject``: insert the shots into a sliced file, or remove them again."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

import twinlapse
from twinlapse.cli.cautions import say_cautions
from twinlapse.cli.grammar import GCODE, Command, OutputFile, output_option, rig_option
from twinlapse.cli.output import Output, speaking

if TYPE_CHECKING:
    from twinlapse.gcode import Toolpath
    from twinlapse.shots import Plan

__all__ = ["command"]


@click.command(cls=Command)
@GCODE
@rig_option("Plan the shots for this rig, then insert them.")
@click.option("--plan", "plan_path", type=click.Path(path_type=Path), help="Insert the shots of this plan.")
@output_option("The file to write.", required=False, name="out")
@click.option(
    "--dry-run",
    "dry_run",
    type=OutputFile(),
    help="Also write a cold, extrusion-free test file with only the stops. Run it on an empty bed.",
)
@click.option("--remove", is_flag=True, help="Remove the shots from GCODE: gives the original back.")
@click.option(
    "--in-place", is_flag=True, help="Change GCODE itself, as a slicer's post-processing script does."
)
@click.option("--send", "address", metavar="URL", default="", help="Then send it to the service there.")
@speaking
def command(
    output: Output,
    *,
    gcode: Path,
    rig: Path | None,
    plan_path: Path | None,
    out: Path | None,
    dry_run: Path | None,
    remove: bool,
    in_place: bool,
    address: str,
) -> None:
    """Insert shots into GCODE, prove the result, and keep it only if the proof holds.

    The sliced file itself is never changed, but with --in-place. With --remove, the shots are removed from a
    written file.
    """
    if in_place:
        if rig is None or plan_path is not None or out is not None or dry_run is not None or remove:
            raise click.UsageError("--in-place goes with --rig alone", click.get_current_context())
        output.result({**_in_place(output, gcode, rig), **_sent(output, gcode, address)})
        return
    if out is None and (remove or dry_run is None):
        raise click.UsageError("name the file to write with -o", click.get_current_context())
    if remove:
        if rig is not None or plan_path is not None or dry_run is not None:
            raise click.UsageError("--remove goes with -o alone", click.get_current_context())
        assert out is not None
        _remove(output, gcode, out)
        return
    if (rig is None) == (plan_path is None):
        raise click.UsageError(
            "name either --rig or --plan; 'twinlapse rig new' writes a rig file", click.get_current_context()
        )
    toolpath, plan = _planned(output, gcode, rig, plan_path)
    result = {} if dry_run is None else _dry_run(output, gcode, plan, dry_run, toolpath)
    if out is not None:
        result = {**_inject(output, gcode, plan, out, toolpath), **result, **_sent(output, out, address)}
    output.result(result)


def _in_place(output: Output, gcode: Path, rig: Path) -> dict[str, Any]:
    from twinlapse.cli.inject_in_place import inject_in_place

    return inject_in_place(output, gcode, rig)


def _sent(output: Output, written: Path, address: str) -> dict[str, Any]:
    """Send a written file to a service where one is named."""
    if not address:
        return {}
    from twinlapse.serve.sending import send_file

    told = send_file(written, address, "", "", lambda share: None)
    output.say(f"sent: {address.rstrip('/')}/#/job/{told['code']}")
    return {"job": told["code"]}


def _planned(
    output: Output, gcode: Path, rig: Path | None, plan_path: Path | None
) -> tuple[Toolpath | None, Plan]:
    """Return the plan, and the toolpath when it has been read for planning."""
    if rig is None:
        assert plan_path is not None
        return None, twinlapse.load_plan(plan_path)
    machine = twinlapse.load_rig(rig)
    with output.progress("Reading") as progress:
        sliced = twinlapse.read_sliced(gcode, machine, progress=progress)
    with output.progress("Planning") as progress:
        return sliced.toolpath, twinlapse.plan(sliced, machine, progress=progress)


def _dry_run(
    output: Output, gcode: Path, plan: Plan, dry_run: Path, toolpath: Toolpath | None
) -> dict[str, Any]:
    from twinlapse.inject.dryrun import write_dry_run
    from twinlapse.rig import rig_from_mapping

    firmware = rig_from_mapping(plan.rig).printer.firmware
    path = toolpath or twinlapse.read(gcode, firmware=firmware)
    shots = write_dry_run(plan, path, dry_run)
    output.say(
        f"{dry_run}: the moves of {shots} shots, no heat, no filament. Run it on an empty bed, ready to stop."
    )
    return {"dry_run": str(dry_run), "shot_count": shots}


def _inject(output: Output, gcode: Path, plan: Plan, out: Path, toolpath: Toolpath | None) -> dict[str, Any]:
    from twinlapse.inject.header import CAUTIONS

    with output.progress("Writing and proving") as progress:
        report = twinlapse.inject(gcode, plan, out, toolpath=toolpath, progress=progress)
    for warning in (*plan.warnings, *report.warnings):
        output.warn(warning)
    output.say(
        f"{out}: {report.shots} shots, {_clock(plan.cost_s)} longer, proven to print what {gcode} prints."
    )
    for check in report.proof.checks:
        output.detail(f"  {check.name:<16} {check.detail}")
    say_cautions(output, out)
    return {
        "file": str(out),
        "shot_count": report.shots,
        "bytes": report.bytes,
        "added_s": round(plan.cost_s, 3),
        "proof": report.proof.to_json(),
        "cautions": list(CAUTIONS),
        "warnings": [*plan.warnings, *report.warnings],
    }


def _remove(output: Output, gcode: Path, out: Path) -> None:
    with output.progress("Removing the shots") as progress:
        report = twinlapse.remove(gcode, out, progress=progress)
    result: dict[str, Any] = {
        "file": str(out),
        "shot_count": report.shots,
        "bytes": report.bytes,
        "sha256": report.sha256,
        "exact": report.exact,
    }
    output.say(f"{out}: {report.shots} shots removed.")
    if report.exact:
        output.say("It is the original, byte for byte.")
    else:
        output.warn("it is not the original byte for byte: the file was edited after the shots were inserted")
    output.result(result)
    if not report.exact:
        raise SystemExit(1)


def _clock(seconds: float) -> str:
    minutes, rest = divmod(round(seconds), 60)
    hours, minutes = divmod(minutes, 60)
    return f"{hours} h {minutes:02} min" if hours else f"{minutes} min {rest:02} s"
