"""A lamp goes off when nobody renews its lease, and stays on when somebody else has it."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Sequence
from pathlib import Path

import pytest

from twinlapse.capture.lease import Lease, expire_all

PYTHON = sys.executable
ON, OFF = ("/bin/led", "on"), ("/bin/led", "off")


class Now:
    s = 1000.0

    def __call__(self) -> float:
        return self.s


class Board:
    def __init__(self) -> None:
        self.said: list[str] = []

    def __call__(self, command: Sequence[str], limit_s: float) -> None:
        self.said.append(command[-1])


@pytest.fixture
def now() -> Now:
    return Now()


def lease(folder: Path, now: Now) -> Lease:
    return Lease(ON, OFF, 5.0, folder=folder, now_s=now)


def test_a_lease_that_is_renewed_lasts_and_one_that_is_not_runs_out(tmp_path: Path, now: Now) -> None:
    board, mine = Board(), lease(tmp_path, now)
    with mine.taken():
        pass
    for _ in range(20):
        now.s += 3
        mine.renew()
        assert expire_all(tmp_path, runner=board, now_s=now) == ([], 1)
    now.s += 9
    assert expire_all(tmp_path, runner=board, now_s=now) == ([], 0)
    assert board.said == ["off"]
    expire_all(tmp_path, runner=board, now_s=now)
    assert board.said == ["off"]  # once


def test_what_is_given_back_is_switched_off_by_its_last_holder(tmp_path: Path, now: Now) -> None:
    first, second = lease(tmp_path, now), lease(tmp_path, now)
    for one in (first, second):
        with one.taken():
            pass
    with first.given_back() as last:
        assert not last  # another service's job still needs it
    with second.given_back() as last:
        assert last
    board = Board()
    now.s += 100
    assert expire_all(tmp_path, runner=board, now_s=now) == ([], 0)
    assert board.said == []


def test_an_off_that_fails_is_tried_again(tmp_path: Path, now: Now) -> None:
    from twinlapse.capture.rig_commands import CommandError

    tries: list[int] = []

    def stuck(command: Sequence[str], limit_s: float) -> None:
        tries.append(1)
        if len(tries) < 3:
            raise CommandError("led is stuck")

    with lease(tmp_path, now).taken():
        pass
    now.s += 9
    faults = [expire_all(tmp_path, runner=stuck, now_s=now)[0] for _ in range(4)]
    assert faults == [["led is stuck"], ["led is stuck"], [], []]


def test_a_lease_of_another_boot_has_run_out(tmp_path: Path, now: Now) -> None:
    with lease(tmp_path, now).taken():
        pass
    now.s = 5.0
    board = Board()
    expire_all(tmp_path, runner=board, now_s=now)
    assert board.said == ["off"]


def test_a_slow_off_of_an_earlier_service_is_over_before_a_new_one_switches_on(tmp_path: Path) -> None:
    """In real time: the order is what counts, not how long it takes."""
    said: list[str] = []

    def slowly(command: Sequence[str], limit_s: float) -> None:
        said.append("off begins")
        began.set()
        time.sleep(0.3)
        said.append("off ends")

    began = threading.Event()
    with Lease(ON, OFF, 5.0, folder=tmp_path, term_s=0.01).taken():
        pass
    time.sleep(0.05)
    keeper = threading.Thread(target=lambda: expire_all(tmp_path, runner=slowly))
    keeper.start()
    assert began.wait(10)
    with Lease(ON, OFF, 5.0, folder=tmp_path).taken():
        said.append("on")
    keeper.join()
    expire_all(tmp_path, runner=slowly)
    assert said == ["off begins", "off ends", "on"]


SERVICE = """
import json, sys, time
from twinlapse.capture.lease import Lease
from twinlapse.capture.lease_keeper import start_keeper
on, off = json.loads(sys.argv[1])
keeper = start_keeper()
lease = Lease(on, off, 5.0)
with lease.taken():
    print(keeper.pid, flush=True)
while True:
    lease.renew()
    time.sleep(0.1)
"""


@pytest.mark.slow
def test_a_service_killed_with_its_group_leaves_no_lamp_on(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The keeper is in no group of the service, so killing that does not reach it; a second one is safe."""
    monkeypatch.setenv("XDG_RUNTIME_DIR", str(tmp_path))
    off = [PYTHON, "-c", "import sys, pathlib; pathlib.Path(sys.argv[1]).touch()", str(tmp_path / "off")]
    words = json.dumps([["/bin/true"], off])
    services = [
        subprocess.Popen([PYTHON, "-c", SERVICE, words], stdout=subprocess.PIPE, start_new_session=True)
        for _ in range(2)
    ]
    keepers = []
    for service in services:
        assert service.stdout is not None
        keepers.append(int(service.stdout.readline()))
    for count, service in enumerate(services):
        os.killpg(service.pid, signal.SIGKILL)
        service.wait()
        assert service.stdout is not None
        service.stdout.close()
        if count == 0:
            time.sleep(10)  # longer than a lease: the other service still renews its own
            assert not (tmp_path / "off").exists()
    until_s = time.monotonic() + 30
    while not (tmp_path / "off").exists() and time.monotonic() < until_s:
        time.sleep(0.1)
    assert (tmp_path / "off").exists()
    for pid in keepers:
        with_pid = Path(f"/proc/{pid}/cmdline")
        if with_pid.exists() and b"lease_keeper" in with_pid.read_bytes():
            os.kill(pid, signal.SIGKILL)
