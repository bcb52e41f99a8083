"""A second judge: random prints over a serial line with nasty timing; each begins and ends once.

The printer's end is a script of lines drawn from a seed: lines in pieces, CRLF, lines twice, strangers
between them, a begin line that comes late or never, an end line that never comes, a cancel in the middle of a
cue, a line that is unplugged and comes back as another device. What is judged is what happened outside the
service: the log that the commands for power and lamp write, the frames on the disk, and how often a print was
called over.
"""

from __future__ import annotations

import os
import pty
import random
import threading
import time
import tty
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from twinlapse.capture.trust import commands_of, trust
from twinlapse.frames.journal import read_journal
from twinlapse.rig.reader import read_rig
from twinlapse.shots import read_plan

from .printing import DWELL_S, Printer, camera, plan_of, rig_text

pytestmark = pytest.mark.slow
SILENCE_S = 2.0
NOISE = (
    "ok",
    "T:210.0 /210.0 B:60.0 /60.0",
    "echo:busy: processing",
    "\x00\xff",
    "ok P15 B3",
    "twinlapse",
    "",
)


class Port:
    """The printer's end of a serial line; it can be pulled out and put back."""

    def __init__(self, path: Path, rng: random.Random) -> None:
        self.path, self._rng = path, rng
        self._handles: tuple[int, int] = (-1, -1)
        self.plug()

    def plug(self) -> None:
        self._handles = pty.openpty()
        tty.setraw(self._handles[1])
        os.set_blocking(self._handles[0], False)
        self.path.unlink(missing_ok=True)
        self.path.symlink_to(os.ttyname(self._handles[1]))

    def unplug(self) -> None:
        self.path.unlink(missing_ok=True)
        for handle in self._handles:
            os.close(handle)

    def say(self, text: str) -> None:
        """Write a line: in pieces or whole, once or twice, with strangers around it."""
        rng = self._rng
        end = rng.choice([b"\n", b"\r\n"])
        fore = rng.choice(["echo:", "// ", "", "Recv: echo:"])
        times = 1 if rng.random() < 0.7 else 2
        for _ in range(times):
            data = b"".join(word.encode("latin-1") + end for word in rng.sample(NOISE, rng.randint(0, 2)))
            data += f"{fore}{text}".encode() + end
            while data:
                cut = rng.randint(1, len(data)) if rng.random() < 0.5 else len(data)
                os.write(self._handles[0], data[:cut])
                data = data[cut:]
                if data:
                    time.sleep(rng.choice([0.0, 0.002, 0.02]))


@pytest.fixture
def source() -> Iterator[str]:
    with camera() as made:
        yield made


def switched(log: Path, what: str) -> list[tuple[float, str]]:
    """Return when a command switched something, from the log that it writes."""
    rows = [line.split() for line in log.read_text().splitlines()] if log.exists() else []
    return [(float(at), word) for name, word, at in rows if name == what]


def command(log: Path, what: str, word: str) -> str:
    return f'["/bin/sh", "-c", "echo {what} {word} $(date +%s.%N) >> {log}"]'


@pytest.mark.parametrize("seed", range(8))
def test_each_print_begins_and_ends_once(
    seed: int, tmp_path: Path, source: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    for name in ("XDG_RUNTIME_DIR", "XDG_CONFIG_HOME", "XDG_STATE_HOME", "XDG_CACHE_HOME"):
        (tmp_path / name).mkdir(mode=0o700)
        monkeypatch.setenv(name, str(tmp_path / name))
    rng = random.Random(7700 + seed)
    log = tmp_path / "switches"
    rig = rig_text(source, capture=f'serial = "{tmp_path / "port"}"')
    lamp, power = (
        f"{{ on = {command(log, name, 'on')}, off = {command(log, name, 'off')} }}"
        for name in ("lamp", "power")
    )
    rig = rig.replace("age_s = 0.2", f"age_s = 0.2\nlight = {lamp}\npower = {power}")
    printer = Printer(tmp_path / "board", "shed", rig, silence_s=SILENCE_S)
    trust(commands_of(read_rig(printer.workspace.rig_file("shed"))))
    codes = [printer.add(plan_of(f"label {seed} {k}", shots=3, gap_s=0.3)) for k in range(2)]
    port = Port(tmp_path / "port", rng)
    printer.session.start()
    until(lambda: printer.session.channels["serial"].fault == "")
    expected: list[str] = []
    spans: list[tuple[float, float]] = []
    frames: dict[str, int] = dict.fromkeys(codes, 0)
    for k in range(3):
        code = codes[rng.randrange(2)] if k else codes[0]
        began_s, ended_s, taken = one_print(printer, port, code, rng)
        expected.append(code)
        spans.append((began_s, ended_s))
        frames[code] = taken  # of its last run
        until(lambda: len(printer.over) == len(expected), SILENCE_S + 20)
        time.sleep(rng.uniform(0.0, 0.5))
    until(lambda: printer.session.code == "")
    time.sleep(0.5)
    assert printer.over == expected
    assert printer.session.trouble == ""
    for code, least in frames.items():
        if code in expected:
            plan = read_plan(printer.workspace.job(code).plan)
            # taken, or written down as missed
            rows = read_journal(printer.workspace.job(code).journal, plan.original_sha256)
            assert len({row.key.shot for row in rows}) == least, (code, rows)
    printer.session.stop()
    port.unplug()
    power_rows, lamp_rows = switched(log, "power"), switched(log, "lamp")
    ons = [at for at, word in power_rows if word == "on"]
    assert len(ons) == len(expected), power_rows
    assert power_rows[-1][1] == "off" and lamp_rows[-1][1] == "off"
    for at, word in [*power_rows, *lamp_rows]:
        if word == "on":
            assert any(began - 0.05 <= at <= ended for began, ended in spans), (at, spans)
    for began, _ in spans[1:]:
        assert [word for at, word in power_rows if at <= began][-1] == "off", (began, power_rows)
        assert [word for at, word in lamp_rows if at <= began][-1] == "off", (began, lamp_rows)


def one_print(printer: Printer, port: Port, code: str, rng: random.Random) -> tuple[float, float, int]:
    """Print once; return when it began and was over (seconds since the epoch) and its least frames."""
    kind = rng.choice(["whole", "whole", "no end", "no begin", "late begin", "cancel in a cue", "unplugged"])
    calls = len(printer.over)
    began_s, least = time.time(), 3
    if kind not in ("no begin", "late begin"):
        port.say(f"twinlapse begin {code}")
        until(lambda: printer.session.code == code, 10)
        live: Any = printer.session.capture
        live.wait_for_cameras()
    for shot in (1, 2, 3):
        if rng.random() < 0.4:
            port.say(f"twinlapse arm {shot}")
        if kind == "unplugged" and shot == 2:
            port.unplug()
            time.sleep(rng.uniform(0.1, 0.8))
            port.plug()
            until(lambda: printer.session.channels["serial"].fault == "")
            time.sleep(0.3)
        port.say(f"twinlapse cue {shot}.1 wide {code}")
        if kind == "cancel in a cue" and shot == 2:
            time.sleep(rng.uniform(0.0, 0.5 * DWELL_S))
            ending = threading.Thread(target=printer.session.give_up, args=("a person said so",))
            ending.start()
            ending.join(20)
            assert not ending.is_alive()
            return began_s, time.time(), 1
        time.sleep(DWELL_S + rng.uniform(0.1, 0.3))
        if kind == "late begin" and shot == 1:
            port.say(f"twinlapse begin {code}")
    if kind != "no end":
        port.say(f"twinlapse end {code}")
        if rng.random() < 0.3:
            time.sleep(0.1)
            port.say(f"twinlapse end {code}")
    until(lambda: len(printer.over) > calls, SILENCE_S + 20)
    return began_s, time.time() + 0.3, least


def until(true: Any, seconds: float = 15.0) -> None:
    end = time.monotonic() + seconds
    while not true():
        assert time.monotonic() < end, "waited too long"
        time.sleep(0.02)
