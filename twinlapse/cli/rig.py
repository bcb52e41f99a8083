"""``twinlapse rig``: write a rig file, check it, make a holder, aim a camera."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

from twinlapse.cli.output import Output, speaking

RIG_FILE = click.argument("rig_file", metavar="RIG", type=click.Path(path_type=Path))


@click.group()
def command() -> None:
    """Fit and aim the cameras: new, check, wedge, aim."""


@command.command("check")
@RIG_FILE
@click.option("--picture", type=click.Path(path_type=Path), help="Draw side and top view (.png or .svg).")
@click.option(
    "--blur", "circle_px", default=1.0, show_default=True, help="Blur in pixels that counts as sharp."
)
@speaking
def check(out: Output, rig_file: Path, picture: Path | None, circle_px: float) -> None:
    """Say what the cameras see, how sharp, and what is in the way.

    Exit status 1 when something does not hold.
    """
    from twinlapse.rig import read_rig
    from twinlapse.rig.checking import check_rig

    rig = read_rig(rig_file)
    findings = check_rig(rig, circle_px=circle_px)
    for camera in dict.fromkeys(finding.camera for finding in findings):
        out.say(f"{camera}:")
        for finding in (f for f in findings if f.camera == camera):
            mark = {True: "ok", False: "NO", None: "--"}[finding.holds]
            out.say(f"  {mark}  {finding.text}{f' -> {finding.mend}' if finding.mend else ''}")
    if picture is not None:
        from twinlapse.cli.rig_drawing import draw_rig

        draw_rig(rig, picture)
        out.say(f"drawn to {picture}")
    holds = all(finding.holds is not False for finding in findings)
    out.result({"holds": holds, "findings": [_plain(f) for f in findings]})
    if not holds:
        raise click.exceptions.Exit(1)


def _plain(finding: Any) -> dict[str, Any]:
    from dataclasses import asdict

    return asdict(finding)


@command.command("new")
@click.argument("rig_file", metavar="RIG", type=click.Path(path_type=Path), default=Path("rig.toml"))
@click.option("--defaults", is_flag=True, help="Ask nothing: write the standard answers.")
@click.option("--force", is_flag=True, help="Replace the file if it is there.")
@speaking
def new(out: Output, rig_file: Path, defaults: bool, force: bool) -> None:
    """Write a commented rig file, by questions on a terminal."""
    import sys

    from twinlapse.errors import FileProblemError
    from twinlapse.files import write_bytes
    from twinlapse.rig.template import QUESTIONS, checked_answer, rig_text

    if rig_file.exists() and not force:
        raise FileProblemError("the file is there already", "name another, or add --force", path=rig_file)
    if not defaults and not sys.stdin.isatty():
        raise FileProblemError("there is no terminal to ask on", "add --defaults", path=rig_file)
    answers: dict[str, Any] = {}
    for question in QUESTIONS:
        if not question.applies(answers):
            continue
        value: Any = question.default
        if not defaults:

            def read(text: str, question: Any = question) -> Any:
                try:
                    return checked_answer(question, text)
                except ValueError as error:
                    raise click.UsageError(str(error)) from None

            value = click.prompt(question.text, default=question.default_text, value_proc=read, err=True)
        answers[question.key] = value
    write_bytes(rig_file, rig_text(answers).encode())
    out.say(f"wrote {rig_file}; now run: twinlapse rig check {rig_file}")
    out.result({"rig": str(rig_file)})
