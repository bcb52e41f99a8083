"""The service as a process: quick to start, small, unhurt by kill -9, dark at its end."""

from __future__ import annotations

import json
import signal
import stat
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any
from urllib.request import urlopen

import pytest

from twinlapse.capture.cue_client import send_cue
from twinlapse.capture.trust import commands_of, trust
from twinlapse.errors import CaptureError
from twinlapse.frames.job import rig_of
from twinlapse.frames.journal import read_journal
from twinlapse.shots import write_plan

TWINLAPSE = [sys.executable, "-m", "twinlapse"]
RIG = """[printer]
bed_mm = [220, 220]
height_mm = 250

[[camera]]
name = "wide"
mount = "frame"
source = "{wide}"
age_s = {age}
{light}

[[camera]]
name = "nozzle"
mount = "toolhead"
source = "{nozzle}"
age_s = {age}
"""


class Service:
    def __init__(self, job: Path, *options: str) -> None:
        self.job = job
        self.process = subprocess.Popen(
            [*TWINLAPSE, "capture", str(job), "--port", "0", *options], stdout=subprocess.PIPE, text=True
        )
        assert self.process.stdout is not None
        self.first = self.process.stdout.readline()

    def cue(self, shot: int, **body: Any) -> dict[str, Any]:
        return send_cue(self.job / "capture.sock", {"shot": shot, **body})

    def kill(self) -> None:
        self.process.kill()
        self.end()

    def end(self) -> str:
        if self.process.poll() is None:
            self.process.send_signal(signal.SIGTERM)
        rest = self.process.communicate(timeout=20)[0]
        return str(rest)


@pytest.fixture
def job(tmp_path: Path, cameras: Any, a_plan: Any, stamps: Any, monkeypatch: pytest.MonkeyPatch) -> Path:
    folder = tmp_path / "job"
    folder.mkdir()
    wide, nozzle = cameras(fps=15, pipeline_s=0.05), cameras(fps=15, pipeline_s=0.05)
    (tmp_path / "light").touch()
    text = RIG.format(wide=wide.stream, nozzle=nozzle.still, age=wide.age_s, light="# no light")
    (folder / "rig.toml").write_text(text)
    write_plan(folder / "plan.json", a_plan(20, dwell_s=3.0))
    monkeypatch.setenv("XDG_CONFIG_HOME", str(tmp_path / "config"))
    monkeypatch.setenv("XDG_RUNTIME_DIR", str(tmp_path))
    trust(commands_of(rig_of(folder)))
    return folder


@pytest.fixture
def services(job: Path) -> Iterator[Callable[..., Service]]:
    made: list[Service] = []

    def make(*options: str) -> Service:
        made.append(Service(job, *options))
        return made[-1]

    yield make
    for service in made:
        if service.process.poll() is None:
            service.kill()
        if service.process.stdout:
            service.process.stdout.close()


def with_light(job: Path, told: Path) -> None:
    """Give the wide camera a lamp that takes down what it is told."""
    words = ", ".join(f'{on} = ["/bin/sh", "-c", "echo {on} >> {told}"]' for on in ("on", "off"))
    rig = job / "rig.toml"
    rig.write_text(rig.read_text().replace("# no light", f"light = {{ {words} }}"))
    trust(commands_of(rig_of(job)))


@pytest.mark.slow
def test_a_night_with_kills(services: Any, job: Path, stamps: Any, tmp_path: Path) -> None:
    promised: dict[int, str] = {}
    with_light(job, tmp_path / "light")
    service = services()
    for shot in range(1, 9):
        cue_s = time.monotonic()
        answer = service.cue(shot)
        assert {frame["state"] for frame in answer["frames"].values()} == {"taken"}
        promised[shot] = answer["frames"]["wide"]["sha256"]
        for camera in ("wide", "nozzle"):
            assert stamps.read((job / f"frames/{camera}/{shot:06d}.jpg").read_bytes()) >= cue_s
        if shot in (3, 6):
            service.kill()  # -9
            service = services()
    again = service.cue(5)
    assert again["repeated"] and again["frames"]["wide"]["sha256"] == promised[5]
    assert "8 frames taken, 0 missed" in service.end()
    rows = read_journal(job / "journal.db", "ab" * 32)
    assert {row.key.shot: row.sha256 for row in rows if row.key.camera == "wide"} == promised
    assert not (job / "capture.sock").exists()
    words = (tmp_path / "light").read_text().split()
    assert words[0] == "off" and words[-1] == "off"  # off at every start, and at the end
    assert words.count("on") >= 3


def test_only_one_service_a_job(services: Any, job: Path) -> None:
    services()
    second = subprocess.run(
        [*TWINLAPSE, "capture", str(job), "--port", "0"], capture_output=True, text=True, timeout=20
    )
    assert second.returncode == 2
    assert "a service for this job runs already" in second.stderr


def test_the_socket_is_its_owners(services: Any, job: Path) -> None:
    services()
    assert stat.S_IMODE((job / "capture.sock").stat().st_mode) == 0o600


def test_shoot_says_what_happened(services: Any, job: Path) -> None:
    services()

    def shoot(*words: str) -> tuple[int, str, str]:
        done = subprocess.run(
            [*TWINLAPSE, "shoot", str(job), *words], capture_output=True, text=True, timeout=20
        )
        return done.returncode, done.stdout, done.stderr

    code, told, _ = shoot("1", "--json")
    assert code == 0 and json.loads(told)["frames"]["nozzle"]["file"] == "nozzle/000001.jpg"
    code, told, _ = shoot("//action:twinlapse cue 2.1 wide")
    assert (code, told) == (0, "wide: taken wide/000002.jpg\n")
    code, told, _ = shoot("4")
    assert code == 0
    code, told, _ = shoot("4")
    assert code == 0 and ", answered before" in told
    code, told, _ = shoot("3", "--json")  # out of order: it may still come
    assert code == 0
    code, _, fault = shoot("99")
    assert code == 2 and "the plan has no shot 99.1" in fault
    assert shoot("soon")[0] == 2


@pytest.mark.slow
def test_a_cue_waits_for_a_service_that_is_coming_up(job: Path, services: Any) -> None:
    with pytest.raises(CaptureError, match="no capture service answers"):
        send_cue(job / "capture.sock", {"shot": 1}, patience_s=0.2)
    waiting = subprocess.Popen([*TWINLAPSE, "shoot", str(job), "1"], stdout=subprocess.PIPE, text=True)
    services()
    told = waiting.communicate(timeout=20)[0]
    assert "taken" in told or "late" in told  # whichever; but answered


@pytest.mark.skipif(not Path("/proc/self/status").exists(), reason="needs /proc")
def test_the_service_is_small(services: Any) -> None:
    service = services()
    for shot in (1, 2, 3):
        service.cue(shot)
    status = Path(f"/proc/{service.process.pid}/status").read_text()
    peak_kb = next(int(line.split()[1]) for line in status.splitlines() if line.startswith("VmHWM"))
    assert peak_kb < 60 * 1024


def test_heavy_libraries_stay_out() -> None:
    code = "import sys, twinlapse.capture.serving, twinlapse.cameras.jpeg\n"
    code += "import PIL.JpegImagePlugin\n"
    code += (
        "print([name for name in ('cv2', 'numpy', 'numba', 'matplotlib', 'scipy') if name in sys.modules])"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout == "[]\n"


@pytest.mark.slow
def test_a_new_run_keeps_the_old_frames(services: Any, job: Path) -> None:
    first = services()
    kept = first.cue(1)["frames"]["wide"]["sha256"]
    first.end()
    second = services("--new-run")
    assert second.cue(1)["frames"]["wide"]["sha256"] != kept
    assert (job / "frames-run1/wide/000001.jpg").exists()


def test_the_page_is_served_and_exposing_it_needs_a_token(services: Any, job: Path, tmp_path: Path) -> None:
    import socket

    with socket.create_server(("127.0.0.1", 0)) as probe:
        port = probe.getsockname()[1]
    service = services("--port", str(port))
    assert service.first == f"ready: http://127.0.0.1:{port}/\n"
    with urlopen(f"http://127.0.0.1:{port}/status", timeout=5) as response:
        status = json.load(response)
    assert status["shots"] == 20 and set(status["cameras"]) == {"wide", "nozzle"}
    assert status["troubles"] == []
    for shot in (1, 2, 4, 1):
        service.cue(shot)
    with urlopen(f"http://127.0.0.1:{port}/status", timeout=5) as response:
        status = json.load(response)
    assert status["troubles"] == []  # shot 1 came again at once: a channel may deliver twice
    assert (status["done"], status["next"]) == (4, {"shot": 5, "layer": 1})
    assert status["cameras"]["wide"]["taken"] == 3 and status["cameras"]["wide"]["missed"] == 1
    assert status["cameras"]["wide"]["age_by"] in ("assumed", "light")
    refused = subprocess.run(
        [*TWINLAPSE, "capture", str(job), "--listen", "0.0.0.0"], capture_output=True, text=True, timeout=20
    )
    assert refused.returncode == 2 and "add --expose" in refused.stderr


@pytest.mark.slow
def test_alarms_reach_a_command_and_a_webhook(job: Path, services: Any, cameras: Any, tmp_path: Path) -> None:
    import threading
    from http.server import BaseHTTPRequestHandler, HTTPServer

    received: list[dict[str, Any]] = []

    class Hook(BaseHTTPRequestHandler):
        def do_POST(self) -> None:
            received.append(json.loads(self.rfile.read(int(self.headers["Content-Length"]))))
            self.send_response(204)
            self.end_headers()

        def log_message(self, *_: Any) -> None:
            pass

    server = HTTPServer(("127.0.0.1", 0), Hook)
    threading.Thread(target=server.serve_forever, daemon=True).start()
    told = tmp_path / "alarm.json"
    rig = (job / "rig.toml").read_text()
    rig += f'\n[capture.alarm]\nwebhook = "http://127.0.0.1:{server.server_port}/"\nafter_missed = 1\n'
    rig += f'command = ["/bin/sh", "-c", "cat > {told}.part && mv {told}.part {told}"]\n'
    (job / "rig.toml").write_text(rig)
    trust(commands_of(rig_of(job)))
    service = services()
    service.cue(3)  # 1 and 2 were never cued
    answer = service.cue(4, late_s=5)
    assert answer["frames"]["wide"]["state"] == "late"
    end = time.monotonic() + 5
    while not (received and told.exists()) and time.monotonic() < end:
        time.sleep(0.05)
    server.shutdown()
    server.server_close()
    assert received[0]["code"].startswith("missed ")
    assert json.loads(told.read_text())["job"] == "ab" * 32


def test_the_unit_is_hardened_and_knows_its_job(job: Path, tmp_path: Path) -> None:
    with_light(job, tmp_path / "light")
    done = subprocess.run(
        [*TWINLAPSE, "capture", str(job), "--unit"], capture_output=True, text=True, timeout=20, check=True
    )
    unit = done.stdout
    assert f"ExecStart={sys.executable} -m twinlapse capture {job} --quiet --anyway --trust " in unit
    for line in (
        "NoNewPrivileges=yes",
        "ProtectSystem=strict",
        f"ReadWritePaths={job}",
        "CapabilityBoundingSet=",
    ):
        assert line in unit.splitlines()


def test_systemd_finds_no_fault_in_the_unit(job: Path, tmp_path: Path) -> None:
    import shutil

    if shutil.which("systemd-analyze") is None:
        pytest.skip("needs systemd-analyze")
    from twinlapse.capture.systemd_unit import make_unit

    file = tmp_path / "twinlapse-capture.service"
    file.write_text(make_unit(job, user="root"))
    done = subprocess.run(["systemd-analyze", "verify", file], capture_output=True, text=True)
    faults = [line for line in done.stderr.splitlines() if "twinlapse" in line]
    assert not faults
    exposed = ["systemd-analyze", "security", "--offline=true", "--no-pager", "--threshold=25", file]
    done = subprocess.run(exposed, capture_output=True, text=True)
    assert done.returncode == 0 or "offline" in done.stderr, done.stdout[-300:]  # of 100; older ones cannot


A_RIG = {"printer": {"bed_mm": [9, 9], "height_mm": 9}, "camera": [{"name": "wide", "mount": "frame"}]}


def test_the_unit_of_a_surveyed_job_has_room_for_its_map(tmp_path: Path, a_plan: Any) -> None:
    """Compiled loops need executable memory, a cache and more than the service itself."""
    from dataclasses import replace

    from twinlapse.capture.systemd_unit import make_unit

    plan = a_plan(2)
    survey = replace(plan.shots[0].stops[0], stance="survey")
    for stops, line in (
        (plan.shots[0].stops, "MemoryDenyWriteExecute=yes"),
        ((*plan.shots[0].stops, survey), "MemoryDenyWriteExecute=no"),
    ):
        made = replace(plan, rig=A_RIG, shots=(replace(plan.shots[0], stops=stops),))
        write_plan(tmp_path / "plan.json", made)
        unit = make_unit(tmp_path).splitlines()
        assert line in unit and ("CacheDirectory=twinlapse" in unit) == line.endswith("no")


@pytest.mark.parametrize("name", ['a"b', "new\nline", "back\\slash"])
def test_a_path_that_breaks_a_unit_is_refused(tmp_path: Path, name: str) -> None:
    from twinlapse.capture.systemd_unit import make_unit

    with pytest.raises(CaptureError, match="cannot stand in a unit"):
        make_unit(tmp_path / name)


def test_a_unit_expands_nothing_of_a_path(tmp_path: Path) -> None:
    from twinlapse.capture.systemd_unit import make_unit

    unit = make_unit(tmp_path / "50% done $HOME", user="club", python="/usr/bin/python3")
    assert f'capture "{tmp_path}/50%% done $$HOME" --quiet --anyway' in unit
    assert f'ReadWritePaths="{tmp_path}/50%% done $HOME"' in unit  # $ is expanded in commands only
