"""A printer of the service without a firmware: a plan of a few shots, one camera, lines by hand."""

from __future__ import annotations

import hashlib
import os
import pty
import select
import tty
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path

from twinlapse.rehearsal.http_camera import HttpCamera
from twinlapse.serve.printer_session import PrinterSession
from twinlapse.serve.workspace import JobRecord, Workspace, now_s
from twinlapse.shots import Plan, Shot, Stop, job_code, write_plan

DWELL_S = 0.6


def plan_of(name: str, shots: int = 3, *, holds: tuple[int, ...] = (), gap_s: float = 2.0) -> Plan:
    """Return a plan of one stop a layer; after the shots in `holds` the print waits for a person."""
    stop = Stop(cameras=("wide",), x_mm=5.0, y_mm=5.0, z_mm=1.0, dwell_s=DWELL_S, stance="clear")
    planned = tuple(
        Shot(
            number=number, after_line=number, byte=number, layer=number - 1, z_mm=0.3 * number,
            at_s=gap_s * number, cost_s=1.0, retract="already", retract_mm=0.0, retract_mm_s=0.0, lift_mm=0.0,
            stops=(stop,), hold_mm=(1.0, 1.0) if number in holds else None,
        )
        for number in range(1, shots + 1)
    )  # fmt: skip
    return Plan(
        original_sha256=hashlib.sha256(name.encode()).hexdigest(), rig={}, shots=planned,
        print_s=gap_s * (shots + 1), cost_s=float(shots), film_s=1.0, layer_count=shots,
    )  # fmt: skip


@dataclass
class Printer:
    """A session in a folder of its own, and what it has said."""

    folder: Path
    name: str
    rig: str
    silence_s: float = 1800.0
    over: list[str] = field(default_factory=list)

    def __post_init__(self) -> None:
        place = self.folder / "printers" / self.name
        place.mkdir(parents=True, exist_ok=True)
        (place / "rig.toml").write_text(self.rig)
        self.workspace = Workspace(self.folder)
        self.session = self.made()

    def made(self) -> PrinterSession:
        return PrinterSession(self.name, self.workspace, self.over.append, silence_s=self.silence_s)

    def add(self, plan: Plan) -> str:
        """Make a job that is ready to print; return its code."""
        code = job_code(plan.original_sha256)
        record = JobRecord(code=code, name="label.gcode", printer=self.name, state="ready", came_s=now_s())
        self.workspace.keep(record)
        write_plan(self.workspace.job(code).plan, plan)
        return code

    def say(self, text: str, channel: str = "http") -> None:
        self.session.lines.hear(text, channel=channel)


@contextmanager
def camera() -> Iterator[str]:
    """Yield the source of a camera on this machine."""
    with HttpCamera(fps=20.0, pipeline_s=0.02) as made:
        yield made.stream


@contextmanager
def pty_pair() -> Iterator[tuple[int, str]]:
    """Yield the printer's end of a serial line and the path of the other."""
    master, slave = pty.openpty()
    tty.setraw(slave)
    try:
        yield master, os.ttyname(slave)
    finally:
        os.close(master)
        os.close(slave)


def read_some(handle: int, seconds: float = 2.0) -> bytes:
    """Return what comes over a line within some time, at once when something is there."""
    return os.read(handle, 4096) if select.select([handle], [], [], seconds)[0] else b""


def rig_text(source: str, *, firmware: str = "marlin", capture: str = "", plan: str = "") -> str:
    """Return a rig with one camera."""
    return (
        f'[printer]\nbed_mm = [120, 120]\nheight_mm = 100\nfirmware = "{firmware}"\n'
        f'[[camera]]\nname = "wide"\nmount = "frame"\nsource = "{source}"\nage_s = 0.2\n'
        f"[plan]\n{plan}\n[capture]\n{capture}\n"
    )
