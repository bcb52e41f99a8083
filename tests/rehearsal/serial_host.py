"""A host that streams a file over a serial line: one line at a time, again where it is asked to."""

from __future__ import annotations

import os
import random
import re
import select
import time
from pathlib import Path

from twinlapse.rehearsal.serial_firmware import checksum_of

LOST_S = 3.0  # without an answer a line was lost whole: a firmware says something every two seconds


class HangsError(AssertionError):
    """The stream does not go on."""


def stream(
    gcode: Path,
    port: str,
    *,
    log: Path | None = None,
    spoiled: float = 0.0,
    seed: int = 1,
    timeout_s: float = 60.0,
    most_resends: int = 30,
    first: int = 0,
) -> list[str]:
    """Send a file and return what was received.

    A share of the lines is `spoiled` on the way: a byte changed or lost. A line that is asked for
    `most_resends` times in a row hangs the stream. Numbers begin with `first`.
    """
    rng = random.Random(seed)
    lines = ["M110"]
    lines += [line.split(";", 1)[0].strip() for line in gcode.read_text().splitlines()]
    lines = [line for line in lines if line]
    sent = [f"N{k} {line}*{checksum_of(f'N{k} {line}')}\n" for k, line in enumerate(lines, first)]
    received: list[str] = []
    handle = os.open(port, os.O_RDWR | os.O_NOCTTY)
    out = log.open("a", buffering=1) if log is not None else None
    rest, at, again, asked = b"", 0, 0, -1
    end_s = time.monotonic() + timeout_s
    try:
        waiting = False
        while at < len(sent) or waiting:
            if time.monotonic() > end_s:
                raise HangsError(f"no end after {timeout_s:g} s, at line {at} of {len(sent)}")
            if not waiting:
                os.write(handle, _spoil(sent[at], spoiled, rng).encode("latin-1"))
                at, waiting = at + 1, True
            if not select.select([handle], [], [], LOST_S)[0]:
                at, waiting = at - 1, False  # the whole line was lost on the way
                continue
            *whole, rest = (rest + os.read(handle, 4096)).split(b"\n")
            for line in (one.decode() for one in whole):
                received.append(line)
                if out is not None:
                    out.write(f"Recv: {line}\n")
                if found := re.match(r"Resend: (\d+)", line):
                    again = again + 1 if int(found[1]) == asked else 1
                    asked = int(found[1])
                    at = asked - first
                    if again > most_resends:
                        raise HangsError(f"line {at} is asked for again and again: {lines[at]}")
                elif line == "ok":
                    waiting = False
    finally:
        os.close(handle)
        if out is not None:
            out.close()
    return received


def _spoil(line: str, share: float, rng: random.Random) -> str:
    """Return a line with a byte changed or lost, now and then; its end stays."""
    if rng.random() >= share:
        return line
    k = rng.randrange(len(line) - 1)
    return line[:k] + ("" if rng.random() < 0.5 else chr(33 + rng.randrange(90))) + line[k + 1 :]
