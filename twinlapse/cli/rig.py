"""``twinlapse rig``: write a rig file, check it, make a camera mount, aim a camera."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

from twinlapse.cli.grammar import (
    RIG_FILE,
    CommandGroup,
    LinuxCommand,
    drawing_option,
    needs_linux,
    output_option,
)
from twinlapse.cli.output import Output, speaking
from twinlapse.cli.rig_aim import aim, camera_named, target
from twinlapse.cli.rig_lens import lens
from twinlapse.cli.rig_timing import timing

__all__ = ["BACK", "cameras", "check", "command", "keys", "mount", "new"]


@click.group(cls=CommandGroup)
def command() -> None:
    """Describe the printer and its cameras; fit and aim the cameras."""


command.add_command(lens)
command.add_command(timing)


@command.command("check")
@RIG_FILE
@drawing_option("Draw the side view and the top view", ".png", ".svg")
@click.option(
    "--blur-px", "circle_px", default=1.0, show_default=True, help="Blur up to this diameter counts as sharp."
)
@click.option("--cameras", is_flag=True, help="Also open the real cameras and measure them.")
@click.option(
    "--firmware-config",
    "config",
    type=click.Path(path_type=Path),
    help="Compare with the machine's own configuration: Klipper's configuration file, Marlin's answer to "
    "M503 and M115, RepRapFirmware's config.g.",
)
@click.option(
    "--gcode", type=click.Path(path_type=Path), help="A sliced file whose lines the configuration must allow."
)
@click.option("--write", is_flag=True, help="Write the machine's limits into the rig file.")
@speaking
def check(
    out: Output,
    rig_file: Path,
    drawing: Path | None,
    circle_px: float,
    cameras: bool,
    config: Path | None,
    gcode: Path | None,
    write: bool,
) -> None:
    """Report what the cameras see, how sharp it is, and what is in the way.

    With --firmware-config, report instead where the rig differs from the machine's own limits and what its
    firmware lacks. Exit status 1 if a check failed.
    """
    if config is not None:
        from twinlapse.cli.rig_firmware import compare

        compare(out, rig_file, config, gcode, write=write)
        return
    if write or gcode is not None:
        raise click.UsageError("--write and --gcode go with --firmware-config")
    if cameras:
        needs_linux("rig check --cameras")
    from twinlapse.rig import read_rig
    from twinlapse.rig.checking import check_rig

    rig = read_rig(rig_file)
    findings = check_rig(rig, circle_px=circle_px)
    if cameras:
        from twinlapse.capture.camera_check import examine
        from twinlapse.capture.trust import commands_of, in_words, is_trusted, without_commands

        if not is_trusted(commands_of(rig)):
            out.warn(f"these commands are not run, nobody has trusted them:\n{in_words(commands_of(rig))}")
            out.warn(f"if they are yours: twinlapse trust {rig_file}")
            rig = without_commands(rig)
        with out.progress("watching the cameras") as progress:
            findings += examine(rig, Path.cwd(), progress=progress)
    for camera in dict.fromkeys(finding.camera for finding in findings):
        out.say(f"{camera}:")
        for finding in (f for f in findings if f.camera == camera):
            mark = {True: "ok", False: "NO", None: "--"}[finding.holds]
            out.say(f"  {mark}  {finding.text}{f' -> {finding.hint}' if finding.hint else ''}")
    if drawing is not None:
        from twinlapse.cli.rig_drawing import draw_rig

        draw_rig(rig, drawing)
        out.say(f"drawn to {drawing}")
    holds = all(finding.holds is not False for finding in findings)
    out.result({"holds": holds, "findings": [_plain(f) for f in findings]})
    if not holds:
        raise click.exceptions.Exit(1)


def _plain(finding: Any) -> dict[str, Any]:
    from dataclasses import asdict

    plain = asdict(finding)
    if "values" in plain:
        plain["values"] = {key: _finite(value) for key, value in plain["values"].items()}
    return plain


def _finite(value: Any) -> Any:
    """Return a value that JSON can hold: what has no number is null."""
    import math

    return None if isinstance(value, float) and not math.isfinite(value) else value


@command.command("new")
@click.argument("rig_file", metavar="RIG", type=click.Path(path_type=Path), default=Path("rig.toml"))
@click.option("--defaults", is_flag=True, help="Do not ask: write the standard answers.")
@click.option("--all-keys", is_flag=True, help="Do not ask: write every key, as comments.")
@click.option("--force", is_flag=True, help="Replace the file if it exists.")
@speaking
def new(out: Output, rig_file: Path, defaults: bool, all_keys: bool, force: bool) -> None:
    """Write a rig file with comments, by questions on a terminal."""
    import sys

    from twinlapse.errors import FileProblemError
    from twinlapse.files import write_bytes
    from twinlapse.rig.template import QUESTIONS, every_key_text, rig_text

    if rig_file.exists() and not force:
        raise FileProblemError("the file is there already", "name another, or add --force", path=rig_file)
    if not defaults and not all_keys and not sys.stdin.isatty():
        raise FileProblemError("there is no terminal to ask on", "add --defaults", path=rig_file)
    answers: dict[str, Any] = {}
    if not all_keys:
        answers = {q.key: q.default for q in QUESTIONS} if defaults else _asked(out)
    write_bytes(rig_file, (every_key_text() if all_keys else rig_text(answers)).encode())
    out.say(f"wrote {rig_file}; now run: twinlapse rig check {rig_file}")
    out.result({"rig": str(rig_file)})


BACK = "<"


def _asked(out: Output) -> dict[str, Any]:
    """Return the answers of a person, who may go back to the question before."""
    from twinlapse.rig.template import QUESTIONS, checked_answer

    out.say("Enter takes the answer in brackets; < goes back.")
    answers: dict[str, Any] = {}
    asked: list[int] = []
    k = 0
    while k < len(QUESTIONS):
        question = QUESTIONS[k]
        if not question.applies(answers):
            k += 1
            continue

        def read(text: str, question: Any = question) -> Any:
            if text.strip() == BACK:
                return BACK
            try:
                return checked_answer(question, text)
            except ValueError as error:
                raise click.UsageError(str(error)) from None

        value = click.prompt(question.text, default=question.default_text, value_proc=read, err=True)
        if value == BACK and asked:
            k = asked.pop()
            continue
        if value != BACK:
            answers[question.key] = value
            asked.append(k)
            k += 1
    return answers


@command.command("keys")
@click.argument("section", required=False)
@speaking
def keys(out: Output, section: str | None) -> None:
    """Print every key of a rig file: default, what may be written, meaning.

    SECTION is one section of the file, such as printer or camera.lens.
    """
    from dataclasses import asdict

    from twinlapse.rig.reference import key_rows, sections

    if section is not None and section not in sections():
        raise click.BadParameter(
            f"there is no section {section}; write one of {', '.join(sections())}",
            click.get_current_context(),
        )
    rows = [row for row in key_rows() if section in (None, row.section)]
    heading = None
    for row in rows:
        if row.section != heading:
            out.say(f"[{row.section}]")
            heading = row.section
        out.say(f"  {row.name:<22} {row.default.replace('`', '')}")
        out.say(f"  {'':<22}   {row.sentence.replace('`', '')} ({row.values.replace('`', '')})")
    out.result({"keys": [asdict(row) for row in rows]})


@command.command("cameras", cls=LinuxCommand)
@click.option("--add-to", "rig_file", metavar="RIG", type=click.Path(path_type=Path),
              help="Add a section to this rig file for every camera that is not in it.")  # fmt: skip
@speaking
def cameras(out: Output, rig_file: Path | None) -> None:
    """List the USB cameras of this machine, with a section of the rig file for each."""
    from dataclasses import asdict

    from twinlapse.cameras.listing import list_cameras, section_of
    from twinlapse.files import read_text, write_bytes

    found, faults = list_cameras()
    text = read_text(rig_file, "rig file") if rig_file is not None else ""
    sections = []
    for number, camera in enumerate(found, 1):
        out.say(f"{camera.name}: {camera.path}")
        for mode in camera.modes:
            rates = ", ".join(f"{fps:g}" for fps in mode.fps)
            out.say(f"  {mode.format} {mode.width_px} x {mode.height_px}  {rates} a second")
        if camera.held_by:
            out.say(f"  in use by {', '.join(camera.held_by)}")
        name = number
        while f'name = "camera{name}"' in text:
            name += 1
        section = section_of(camera, f"camera{name}")
        if camera.path not in text:
            sections.append(section)
            text += f"\n{section}"
        if rig_file is None:
            out.say(section)
    for fault in faults:
        out.warn(fault)
    if not found:
        out.say("no USB camera found: is it plugged in, and is this user in the group 'video'?")
    if rig_file is not None and sections:
        write_bytes(rig_file, text.encode())
        out.say(f"{len(sections)} sections added to {rig_file}")
    out.result({"cameras": [asdict(camera) for camera in found], "faults": faults, "sections": sections})


@command.command("mount")
@RIG_FILE
@click.option("--camera", "name", help="Which camera; default: the one on the toolhead.")
@output_option("The solid, for a slicer.", ".stl", ".3mf")
@drawing_option("Draw it with its dimensions", ".svg", ".png", ".pdf")
@click.option("--face", type=click.Choice(["side", "level"]), default="side", show_default=True)
@click.option("--angle-deg", type=float, help="Between mounting face and camera; default: from the rig.")
@click.option("--body-mm", type=float, help="Diameter of the camera's housing; default: from the rig.")
@click.option("--length-mm", type=float, help="Length of the groove.")
@click.option("--cable-mm", type=float, help="Diameter of the cable.")
@click.option("--strap-mm", type=float, help="Width of the strap.")
@click.option("--wall-mm", type=float, help="Minimum wall thickness.")
@click.option("--screw-mm", type=float, help="Diameter of the screw holes; 0: no ears.")
@speaking
def mount(
    out: Output,
    rig_file: Path,
    name: str | None,
    output: Path,
    drawing: Path | None,
    face: str,
    **measures: float | None,
) -> None:
    """Make a printable mount that points the camera at the nozzle tip."""
    from twinlapse.rig import read_rig
    from twinlapse.rig.mount import build, inspect, mount_for, write_solid

    rig = read_rig(rig_file)
    camera = camera_named(rig, rig_file, name)
    made = mount_for(
        camera, rig.printer, face=face, **{key: value for key, value in measures.items() if value is not None}
    )
    mesh = build(made)
    sound = inspect(mesh)
    faults = sound.faults(made)
    if not faults:
        write_solid(mesh, output)
        out.say(
            f"wrote {output}: {made.angle_deg:.1f} degrees, {made.run_mm:.0f} x {made.width_mm:.0f} mm, "
            f"{made.thick_mm:.0f} mm high, {sound.volume_mm3 / 1000:.1f} cm3"
        )
        out.say("Print it in this orientation, without support.")
        out.say(
            "Near the hot end use a material that stays hard there, and keep 10 mm from the heater block."
        )
    if drawing is not None and not faults:
        from twinlapse.cli.mount_drawing import draw_mount

        draw_mount(made, drawing)
    for fault in faults:
        out.warn(f"not written: {fault}")
    out.result({"angle_deg": made.angle_deg, "faults": faults, **_plain(sound)})
    if faults:
        raise click.exceptions.Exit(1)


command.add_command(target)
command.add_command(aim)
