"""Lines through a broker reach the service; alarms leave by the same connection; nothing subscribes twice."""

from __future__ import annotations

import json
import shutil
import socket
import subprocess
import time
from collections.abc import Iterator
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest

from .printing import Printer, camera, plan_of, rig_text

paho = pytest.importorskip("paho.mqtt.client")
MOSQUITTO = shutil.which("mosquitto") or "/usr/sbin/mosquitto"


def until(true: Any, seconds: float = 15.0) -> None:
    end = time.monotonic() + seconds
    while not true():
        assert time.monotonic() < end, "waited too long"
        time.sleep(0.02)


def answers(port: int) -> bool:
    with socket.socket() as probe:
        return probe.connect_ex(("127.0.0.1", port)) == 0


@pytest.fixture
def source() -> Iterator[str]:
    with camera() as made:
        yield made


@pytest.fixture
def broker(tmp_path: Path) -> Iterator[int]:
    """Debian's mosquitto, saying on its log who subscribes."""
    if not Path(MOSQUITTO).exists():
        pytest.skip("needs the mosquitto broker (Debian package mosquitto)")
    with socket.create_server(("127.0.0.1", 0)) as probe:
        port = probe.getsockname()[1]
    config = tmp_path / "broker.conf"
    config.write_text(
        f"listener {port} 127.0.0.1\nallow_anonymous true\npersistence false\n"
        f"log_type subscribe\nlog_dest stderr\n"
    )
    with (tmp_path / "broker.log").open("w") as log:
        process = subprocess.Popen([MOSQUITTO, "-c", config], stderr=log)
    until(lambda: answers(port))
    yield port
    process.kill()
    process.wait()


def test_a_print_through_a_broker(broker: int, source: str, tmp_path: Path) -> None:
    told: dict[str, list[Any]] = {"twinlapse/cue/answer": [], "twinlapse/cue/alarm": []}
    host = paho.Client(paho.CallbackAPIVersion.VERSION2)
    host.on_message = lambda *args: told[args[2].topic].append(json.loads(args[2].payload))
    host.on_connect = lambda client, *_: [client.subscribe(topic, 1) for topic in told]
    host.connect("127.0.0.1", broker)
    host.loop_start()
    capture = f"[capture.mqtt]\nport = {broker}\n[capture.alarm]\nmqtt = true\n"
    printer = Printer(tmp_path / "board", "shed", rig_text(source, capture=capture))
    code = printer.add(plan_of("label"))
    printer.session.start()
    until(lambda: printer.session.channels["mqtt"].fault == "" and host.is_connected())

    def say(text: str) -> None:
        host.publish("twinlapse/cue", text, qos=1).wait_for_publish(5)

    say(f"twinlapse begin {code}")
    until(lambda: printer.session.code == code)
    live = printer.session.capture
    assert live is not None and live.wait_for_cameras() == []
    for shot in (1, 2, 3):
        say(f"twinlapse cue {shot}.1 wide {code}")
        until(lambda shot=shot: len(told["twinlapse/cue/answer"]) == shot)
    live.watch.report("light", "the lamp does not switch")
    until(lambda: told["twinlapse/cue/alarm"])
    say(f"twinlapse end {code}")
    until(lambda: printer.over == [code])
    given = told["twinlapse/cue/answer"]
    assert [(one["shot"], one["frames"]["wide"]["state"]) for one in given] == [
        (1, "taken"), (2, "taken"), (3, "taken"),
    ]  # fmt: skip
    assert told["twinlapse/cue/alarm"][0]["text"] == "the lamp does not switch"
    log = (tmp_path / "broker.log").read_text()
    assert len([line for line in log.splitlines() if line.endswith("1 twinlapse/cue")]) == 1, log
    printer.session.stop()
    host.disconnect()
    host.loop_stop()


def test_an_end_line_waits_for_the_cue_before_it(source: str, tmp_path: Path) -> None:
    """Without a broker: the messages as its client hands them over, all at once."""
    with socket.create_server(("127.0.0.1", 0)) as nobody:
        capture = f"[capture.mqtt]\nport = {nobody.getsockname()[1]}\n"
        printer = Printer(tmp_path / "board", "shed", rig_text(source, capture=capture))
        code = printer.add(plan_of("label", shots=1))
        printer.session.start()
        channel: Any = printer.session.channels["mqtt"]

        def hand_over(text: str, **more: Any) -> None:
            message = SimpleNamespace(retain=False, payload=text.encode(), properties=None, **more)
            channel._on_message(None, None, message)

        hand_over(f"twinlapse begin {code}")
        until(lambda: printer.session.code == code)
        live = printer.session.capture
        assert live is not None and live.wait_for_cameras() == []
        hand_over(f"twinlapse cue 1.1 wide {code}")
        hand_over(f"twinlapse end {code}")
        hand_over(f"twinlapse end {code}")
        until(lambda: printer.over)
        time.sleep(0.3)
        assert printer.over == [code]
        journal = printer.workspace.job(code)
        assert len(list(journal.frames.rglob("*.jpg"))) == 1
        printer.session.stop()
