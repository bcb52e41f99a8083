"""``twinlapse prove``: check that a written file prints what the original prints."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Any

import click

import twinlapse
from twinlapse.cli.grammar import Command, rig_option
from twinlapse.cli.output import Output, speaking

__all__ = ["command", "say_proof"]


@click.command(cls=Command)
@click.argument("original", type=click.Path(path_type=Path))
@click.argument("written", type=click.Path(path_type=Path), required=False)
@rig_option("The machine; if omitted, the limits in the header of WRITTEN, or the rig that it carries.")
@speaking
def command(output: Output, *, original: Path, written: Path | None, rig: Path | None) -> None:
    """Check that WRITTEN prints what ORIGINAL prints, and that every stop in it is safe.

    With one file, that is the written one: the original is restored from it, and its SHA-256 checked.

    Reads both files again and reports each check; the first failure is given with its line in WRITTEN. Exit
    status 1 if the proof does not hold.
    """
    with output.progress("Proving") as progress:
        proof = twinlapse.prove(original, written, rig, progress=progress)
    say_proof(output, proof, written or original)
    output.result(proof.to_json())
    if not proof.holds:
        sys.exit(1)


def say_proof(output: Output, proof: Any, written: Path) -> None:
    """Print the checks for people."""
    for check in proof.checks:
        place = "" if check.line is None else f" (line {check.line})"
        word = "holds" if check.holds else "FAILS"
        output.say(f"{word} {check.name:<16} {check.detail}{place}")
    verdict = "The proof holds" if proof.holds else "The proof does not hold: do not print it"
    output.say(f"{verdict}: {written}, {proof.shots} shots, {proof.added_lines} lines more.")
