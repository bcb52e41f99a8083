"""``twinlapse capture``: the service that takes the pictures while the machine prints."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from twinlapse.cli.grammar import JOB, Command
from twinlapse.cli.output import Output, speaking

if TYPE_CHECKING:
    from twinlapse.capture.service import CaptureService


@click.command(cls=Command)
@JOB
@click.option("--listen", "host", metavar="ADDRESS", help="Address of the page  [default: 127.0.0.1]")
@click.option("--port", type=click.IntRange(0, 65535), help="Its port, 0 for no page  [default: 8137]")
@click.option("--expose", is_flag=True, help="Allow an address that other machines can reach.")
@click.option("--token-file", type=click.Path(path_type=Path), help="File with the token; made when missing.")
@click.option("--new-run", is_flag=True, help="The job is printed again: keep the old frames aside.")
@click.option("--unit", is_flag=True, help="Print a systemd unit for this job and end.")
@speaking
def command(
    output: Output,
    job_folder: Path,
    host: str | None,
    port: int | None,
    expose: bool,
    token_file: Path | None,
    new_run: bool,
    unit: bool,
) -> None:
    """Take the pictures of JOB while it prints; ends with SIGTERM or Ctrl-C.

    Cues come through JOB/capture.sock (see 'twinlapse shoot'), HTTP, and what [capture] of the rig names.
    """
    if unit:
        from twinlapse.capture.systemd_unit import make_unit

        text = make_unit(job_folder)
        output.say(text)
        output.result({"unit": text})
        return
    from twinlapse.capture.service import CaptureService
    from twinlapse.capture.serving import serve, where_to_listen
    from twinlapse.frames.job import open_job
    from twinlapse.frames.store import free_bytes, needed_bytes
    from twinlapse.rig import read_rig, rig_from_mapping
    from twinlapse.shots import read_plan

    job = open_job(job_folder)
    plan = read_plan(job.plan)
    rig = read_rig(job.rig) if job.rig.exists() else rig_from_mapping(plan.rig)
    listen = where_to_listen(job, rig.capture, host=host, port=port, expose=expose, token_file=token_file)
    needed = needed_bytes(plan, int(1000 * rig.capture.frame_kb))
    if free_bytes(job.folder) < needed:
        output.warn(f"the frames will take about {needed / 1e6:.0f} MB, and less than that is free")
    service = CaptureService(job, plan, rig, new_run=new_run)
    _tell_recovered(output, service)
    page = f"http://{listen.host}:{listen.port}/" if listen.port else ""
    serve(service, listen, ready=lambda: output.say(f"ready: {page or listen.socket_path}"))
    _tell_end(output, service)


def _tell_recovered(output: Output, service: CaptureService) -> None:
    found = service.store.recovered
    for words, names in (
        ("adopted, whole but not in the journal", found.adopted),
        ("set aside, not of this plan or changed", found.aside),
        ("lost: in the journal, not on the disk", found.lost),
    ):
        if names:
            output.warn(
                f"{len(names)} frames {words}: {', '.join(names[:5])}{' ...' if len(names) > 5 else ''}"
            )


def _tell_end(output: Output, service: CaptureService) -> None:
    status = service.last_status
    for name, camera in status["cameras"].items():
        output.say(f"{name}: {camera['taken']} frames taken, {camera['missed']} missed")
    lights = status["lights"]
    if lights["count"]:
        output.say(f"light on for {lights['on_s']:.0f} s, {100 * lights['share']:.1f} % of the session")
    output.result(status)
