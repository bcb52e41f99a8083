"""``twinlapse capture``: the service that takes the frames while the machine prints."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import TYPE_CHECKING

import click

from twinlapse.cli.grammar import JOB, LinuxCommand
from twinlapse.cli.output import Output, speaking

if TYPE_CHECKING:
    from twinlapse.capture.mqtt import MqttChannel
    from twinlapse.capture.service import CaptureService
    from twinlapse.frames.job import Job
    from twinlapse.rig import Rig
    from twinlapse.shots import Cue, Plan

_BROKER_TRIES = 100  # tenths of a second for the broker to answer

__all__ = ["command"]


@click.command(cls=LinuxCommand)
@JOB
@click.option("--listen", "host", metavar="ADDRESS", help="Address of the page; default: 127.0.0.1.")
@click.option("--port", type=click.IntRange(0, 65535), help="Port of the page; default: 8137. 0: no page.")
@click.option("--expose", is_flag=True, help="Allow an address that other machines can reach.")
@click.option(
    "--token-file", type=click.Path(path_type=Path), help="File with the token; created if missing."
)
@click.option("--new-run", is_flag=True, help="The job is printed again: set the old frames aside.")
@click.option(
    "--anyway",
    is_flag=True,
    help="Start without a camera or without untrusted commands.",
)
@click.option("--check", is_flag=True, help="Test the whole chain once, from cue to camera, and exit.")
@click.option("--test-alarm", is_flag=True, help="Send a test alarm over every channel of the rig, and exit.")
@click.option(
    "--trust", "trusted", metavar="DIGEST", default="", help="Commands that may run; --unit writes it."
)
@click.option("--unit", is_flag=True, help="Print a systemd unit for this job and exit.")
@speaking
def command(
    output: Output,
    job_folder: Path,
    host: str | None,
    port: int | None,
    expose: bool,
    token_file: Path | None,
    new_run: bool,
    anyway: bool,
    check: bool,
    test_alarm: bool,
    trusted: str,
    unit: bool,
) -> None:
    """Take the frames of JOB while it prints; ends with SIGTERM or Ctrl-C.

    JOB may also be a file that 'twinlapse inject' wrote: its job folder is made beside it.

    Cues come through JOB/capture.sock (see 'twinlapse shoot'), HTTP, and what [capture] of the rig names.
    """
    from twinlapse.written_job import job_beside

    job_folder = job_beside(job_folder)
    if unit:
        from twinlapse.capture.systemd_unit import make_unit

        text = make_unit(job_folder)
        output.say(text)
        output.result({"unit": text})
        return
    from twinlapse.capture.service import CaptureService
    from twinlapse.capture.serving import serve, where_to_listen
    from twinlapse.frames.job import open_job, rig_of
    from twinlapse.frames.store import free_bytes, needed_bytes
    from twinlapse.shots import read_plan

    job = open_job(job_folder)
    plan = read_plan(job.plan)
    rig = _trusted(output, rig_of(job_folder), trusted, anyway)
    if test_alarm:
        _test_alarm(output, rig)
        return
    if check:
        _check(output, job, plan, rig)
        return
    listen = where_to_listen(job, rig.capture, host=host, port=port, expose=expose, token_file=token_file)
    needed = needed_bytes(plan, int(1000 * rig.capture.frame_kb))
    if free_bytes(job.folder) < needed:
        output.warn(f"the frames will take about {needed / 1e6:.0f} MB, and less than that is free")
    service = CaptureService(job, plan, rig, new_run=new_run)
    _tell_recovered(output, service)
    page = f"http://{listen.host}:{listen.port}/" if listen.port else ""

    def ready(faults: list[str]) -> None:
        for fault in faults:
            output.warn(fault)
        output.say(f"ready: {page or listen.socket_path}")

    serve(service, listen, ready=ready, anyway=anyway)
    _tell_end(output, service)


def _trusted(output: Output, rig: Rig, digest: str, anyway: bool) -> Rig:
    """Return the rig with its commands only when they may run."""
    from twinlapse.capture.trust import commands_of, in_words, is_trusted, without_commands
    from twinlapse.errors import CaptureError

    commands = commands_of(rig)
    if is_trusted(commands, given=digest):
        return rig
    if not anyway:
        raise CaptureError(
            f"this rig would run commands that nobody has trusted:\n{in_words(commands)}\n",
            "if they are yours: twinlapse trust JOB (or --anyway to go on without them)",
        )
    output.warn(f"these commands are not run, nobody has trusted them:\n{in_words(commands)}")
    return without_commands(rig)


def _test_alarm(output: Output, rig: Rig) -> None:
    import time

    from twinlapse.capture.alarm_routes import AlarmMessage, DeliveryError, make_routes

    message = AlarmMessage(
        job="", code="test", text="This is a test: nothing is wrong.", since=time.time(), over=False,
        picture=rig.capture.alarm.picture_link,
    )  # fmt: skip
    results = {}
    broker = _broker(rig)
    for name, route in make_routes(rig.capture.alarm, None if broker is None else broker.deliver).items():
        try:
            route(message)
            results[name] = ""
        except DeliveryError as error:
            results[name] = str(error)
        output.say(f"{name}: {results[name] or 'delivered'}")
    if broker is not None:
        broker.stop()
    if not results:
        output.say("the rig names no way for alarms: see [capture.alarm]")
    output.result({"delivered": {name: not fault for name, fault in results.items()}, "faults": results})
    if not results or any(results.values()):
        sys.exit(1)


def _broker(rig: Rig) -> MqttChannel | None:
    """Return a connected broker when alarms go through one."""
    import time

    if rig.capture.mqtt is None or not rig.capture.alarm.mqtt:
        return None
    from twinlapse.capture.cue_handler import Answer
    from twinlapse.capture.mqtt import MqttChannel

    def nothing(cue: Cue, late_s: float) -> Answer:
        return Answer(shot=cue.shot, stop=cue.stop, frames={}, repeated=False)

    channel = MqttChannel(rig.capture.mqtt, nothing)
    channel.start()
    for _ in range(_BROKER_TRIES):
        if not channel.fault:
            break
        time.sleep(0.1)
    return channel


def _check(output: Output, job: Job, plan: Plan, rig: Rig) -> None:
    from twinlapse.capture.chain_check import check_chain

    findings = check_chain(job, plan, rig, say=output.say)
    for finding in findings:
        mark = {True: "ok", False: "NO", None: "--"}[finding.holds]
        output.say(f"{mark}  {finding.camera}: {finding.text}{f' -> {finding.hint}' if finding.hint else ''}")
    holds = all(finding.holds is not False for finding in findings)
    records = [
        {"part": finding.camera, "name": finding.name, "holds": finding.holds, "text": finding.text}
        for finding in findings
    ]
    output.result({"holds": holds, "findings": records})
    if not holds:
        sys.exit(1)


def _tell_recovered(output: Output, service: CaptureService) -> None:
    found = service.store.recovered
    if found.journal:
        output.warn(f"the journal was damaged: it is kept as {found.journal}, and made again from the frames")
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
