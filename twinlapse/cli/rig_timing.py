"""``twinlapse rig timing``: what a filmed print says of its machine."""

from __future__ import annotations

from dataclasses import asdict
from pathlib import Path

import click

from twinlapse.cli.grammar import RIG_FILE
from twinlapse.cli.output import Output, speaking

__all__ = ["timing"]


@click.command("timing")
@RIG_FILE
@click.argument("job", type=click.Path(path_type=Path))
@click.option("--write", is_flag=True, help="Write the figures into the rig file.")
@speaking
def timing(out: Output, rig_file: Path, job: Path, write: bool) -> None:
    """Measure the cost of a stop and the pace of the print on the cue times of JOB."""
    from twinlapse.files import read_text, write_bytes
    from twinlapse.frames.job import open_job
    from twinlapse.job_timing import measure_timing
    from twinlapse.rig import read_rig
    from twinlapse.rig.editing import with_table_keys
    from twinlapse.written_job import job_beside

    found = measure_timing(open_job(job_beside(job)), read_rig(rig_file))
    out.say(
        f"a stop costs {found.stop_s:.2f} s beyond its moves and waits; what moves takes "
        f"{found.travel_factor:.3f} times the calculated time"
    )
    out.say(
        f"{found.intervals} intervals between cues, spread {found.spread_s:.2f} s; "
        f"{found.left_out} were left out (pauses, heating)"
    )
    if write:
        values = {"limits.stop_s": found.stop_s, "limits.travel_factor": found.travel_factor}
        text = with_table_keys(read_text(rig_file, "rig file"), ("printer",), values)
        write_bytes(rig_file, text.encode())
        out.say(f"wrote both to [printer.limits] of {rig_file}")
    out.result({**asdict(found), "written": write})
