"""Cue lines through logs that rotate, lines in pieces, serial lines that vanish, brokers that die."""

from __future__ import annotations

import json
import os
import pty
import shutil
import socket
import subprocess
import time
import tty
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from twinlapse.capture.alarm_routes import make_routes
from twinlapse.capture.alarm_sender import AlarmSender
from twinlapse.capture.alarms import Trouble
from twinlapse.capture.cue_handler import Answer
from twinlapse.capture.cue_inputs import LONG_AGO_S, LineBuffer, LogReader, SerialReader, hear_lines
from twinlapse.errors import CaptureError
from twinlapse.rig.capture_settings import Alarm, Mqtt
from twinlapse.shots import Cue, cue_text

LINE = "{} //action:twinlapse cue {}.1 wide+nozzle\n"


class Ear:
    def __init__(self) -> None:
        self.heard: list[tuple[int, float]] = []

    def __call__(self, cue: Cue, late_s: float) -> None:
        self.heard.append((cue.shot, late_s))

    def wait(self, count: int, timeout_s: float = 5.0) -> list[int]:
        until = time.monotonic() + timeout_s
        while len(self.heard) < count and time.monotonic() < until:
            time.sleep(0.01)
        return [shot for shot, _ in self.heard]


@pytest.fixture
def ear() -> Ear:
    return Ear()


def test_lines_in_pieces() -> None:
    buffer = LineBuffer()
    assert buffer.feed(b"twinlapse cu", 1.0) == []
    assert buffer.feed(b"e 1.1 wide\r\nnext", 2.5) == [("twinlapse cue 1.1 wide", 1.0)]  # its first byte
    assert buffer.feed(b" line\nthird\n", 4.0) == [("next line", 2.5), ("third", 4.0)]
    assert buffer.feed(b"x" * 70_000) == []
    assert buffer.feed(b"\nafter\n")[-1][0] == "after"


@pytest.fixture
def followed(tmp_path: Path, ear: Ear) -> Iterator[tuple[Path, LogReader]]:
    log = tmp_path / "host.log"
    log.write_text(LINE.format("old", 99))
    reader = LogReader(log, ear, pause_s=0.01)
    reader.start()
    yield log, reader
    reader.stop()


def add(log: Path, text: str) -> None:
    with log.open("a") as file:
        file.write(text)


def test_a_log_is_followed_from_its_end_through_everything(
    followed: tuple[Path, LogReader], ear: Ear
) -> None:
    log, _ = followed
    expected = list(range(1, 61))
    for shot in expected:
        line = LINE.format(time.time(), shot)
        if shot % 10 == 3:  # rotated: moved away and made anew
            log.rename(log.with_suffix(".1"))
        if shot % 10 == 5:  # copied and truncated
            shutil.copy(log, log.with_suffix(".2"))
            log.write_text("")
            time.sleep(0.03)
        if shot % 10 == 7:  # written in two pieces
            add(log, line[:25])
            time.sleep(0.03)
            line = line[25:]
        if shot % 10 == 9:  # the last words of the old file, then the new one
            add(log, line)
            log.rename(log.with_suffix(".3"))
            log.touch()
            line = ""
        add(log, line + "temperature: 215\n")
        assert ear.wait(shot)[-1] == shot
    assert [shot for shot, _ in ear.heard] == expected
    assert all(0 <= late_s < LONG_AGO_S for _, late_s in ear.heard)


def test_only_the_newest_of_a_gulp_is_in_time(followed: tuple[Path, LogReader], ear: Ear) -> None:
    log, _ = followed
    add(log, "".join(LINE.format("t", shot) for shot in (1, 2, 3)))
    ear.wait(3)
    assert ear.heard[:2] == [(1, LONG_AGO_S), (2, LONG_AGO_S)]
    shot, late_s = ear.heard[2]
    assert shot == 3 and 0 <= late_s < 5  # as old as the last look at the file


def test_all_that_came_while_the_reader_was_held_up_is_late(ear: Ear) -> None:
    hear_lines(
        [(LINE.format("t", 1), 9.0), ("ok", 9.0), (LINE.format("t", 2), 9.0)], 9.0, ear, overslept=True
    )
    assert ear.heard == [(1, LONG_AGO_S), (2, LONG_AGO_S)]


def test_a_cue_is_as_late_as_its_first_byte(ear: Ear) -> None:
    hear_lines([(LINE.format("t", 1), 7.5)], 9.0, ear)
    assert ear.heard == [(1, 1.5)]


def test_an_arming_line_is_heard_and_its_fences_are_not(ear: Ear) -> None:
    armed: list[int] = []
    lines = ["; twinlapse arm 11 begin", "echo:twinlapse arm 12", "; twinlapse arm 12 end"]
    hear_lines([(line, 9.0) for line in lines], 9.0, ear, arm=armed.append)
    hear_lines([("echo:twinlapse arm 13", 9.0)], 9.0, ear, arm=armed.append, overslept=True)
    hear_lines([("echo:twinlapse arm 14", 9.0)], 9.0, ear)
    assert armed == [12]
    assert ear.heard == []


def test_a_cue_that_lay_in_the_port_before_it_was_opened_is_not_heard(tmp_path: Path, ear: Ear) -> None:
    printer, terminal = pty.openpty()
    tty.setraw(terminal)
    os.write(printer, LINE.format("t", 1).encode())
    reader = SerialReader(Path(os.ttyname(terminal)), ear, pause_s=0.02)
    reader.start()
    time.sleep(0.3)
    os.write(printer, LINE.format("t", 2).encode())
    assert ear.wait(1) == [2]
    reader.stop()
    os.close(terminal)
    os.close(printer)


def test_a_log_that_is_not_there_yet(tmp_path: Path, ear: Ear) -> None:
    reader = LogReader(tmp_path / "late.log", ear, pause_s=0.01)
    reader.start()
    time.sleep(0.05)
    assert "No such file" in reader.fault
    add(tmp_path / "late.log", LINE.format("t", 7))
    assert ear.wait(1) == [7]
    assert reader.fault == ""
    reader.stop()


def test_a_serial_line_is_read_and_found_again(tmp_path: Path, ear: Ear) -> None:
    port = tmp_path / "ttyPrinter"
    reader = SerialReader(port, ear, pause_s=0.02)
    reader.start()
    for shot in (1, 2):
        printer, terminal = pty.openpty()
        port.symlink_to(os.ttyname(terminal))
        time.sleep(0.3)
        os.write(printer, b"ok\n//action:twin")
        os.write(printer, f"lapse cue {shot}.1 wide\nok\n".encode())
        assert ear.wait(shot) == list(range(1, shot + 1))
        port.unlink()
        os.close(terminal)
        os.close(printer)  # unplugged
        time.sleep(0.1)
    assert reader.fault
    reader.stop()


class Broker:
    """Debian's mosquitto on a port of its own."""

    def __init__(self, folder: Path) -> None:
        with socket.create_server(("127.0.0.1", 0)) as probe:
            self.port = probe.getsockname()[1]
        self._config = folder / "broker.conf"
        self._config.write_text(f"listener {self.port} 127.0.0.1\nallow_anonymous true\npersistence false\n")
        self.start()

    def start(self) -> None:
        program = shutil.which("mosquitto") or "/usr/sbin/mosquitto"
        self.process = subprocess.Popen([program, "-c", self._config], stderr=subprocess.DEVNULL)
        for _ in range(100):
            with socket.socket() as probe:
                if probe.connect_ex(("127.0.0.1", self.port)) == 0:
                    return
            time.sleep(0.05)
        raise AssertionError("the broker does not come up")

    def kill(self) -> None:
        self.process.kill()
        self.process.wait()


@pytest.fixture
def broker(tmp_path: Path) -> Iterator[Broker]:
    if not (shutil.which("mosquitto") or Path("/usr/sbin/mosquitto").exists()):
        pytest.skip("needs the mosquitto broker (Debian package mosquitto)")
    made = Broker(tmp_path)
    yield made
    made.kill()


def until(true: Callable[[], Any], timeout_s: float = 10.0) -> None:
    end = time.monotonic() + timeout_s
    while not true():
        assert time.monotonic() < end, "waited too long"
        time.sleep(0.02)


@pytest.mark.slow
def test_alarms_go_through_a_broker_that_dies_and_comes_back(broker: Broker, tmp_path: Path) -> None:
    paho = pytest.importorskip("paho.mqtt.client")
    from twinlapse.capture.mqtt import MqttChannel

    def no_cue(cue: Cue, late_s: float) -> Answer:
        raise AssertionError("an alarm is no cue")

    told: list[dict[str, Any]] = []
    phone = paho.Client(paho.CallbackAPIVersion.VERSION2)
    phone.on_message = lambda *args: told.append(json.loads(args[2].payload))
    phone.on_connect = lambda client, *_: client.subscribe("twinlapse/cue/alarm", 1)
    phone.reconnect_delay_set(1, 1)
    phone.connect("127.0.0.1", broker.port)
    phone.loop_start()
    channel = MqttChannel(Mqtt(port=broker.port), no_cue)
    channel.start()
    until(lambda: channel.fault == "" and phone.is_connected())
    time.sleep(0.2)
    messenger = AlarmSender(
        make_routes(Alarm(mqtt=True), channel.deliver), "ab" * 32, tmp_path / "alarms.json"
    )
    messenger.send(Trouble(code="space", text="little space is left", since_wall_s=1.8e9))
    until(lambda: len(told) == 1)
    words = {"job": "ab" * 32, "code": "space", "text": "little space is left", "since": 1.8e9}
    assert told[0] == {**words, "over": False, "picture": ""}
    broker.kill()
    until(lambda: "away" in channel.fault)
    messenger.send(Trouble(code="camera wide", text="wide: gone", since_wall_s=1.8e9))  # it waits
    until(lambda: bool(messenger.to_json()))
    broker.start()
    until(lambda: channel.fault == "" and phone.is_connected())
    time.sleep(0.3)
    until(lambda: len(told) == 2)
    assert told[1]["code"] == "camera wide"
    until(lambda: messenger.to_json() == [])
    messenger.close()
    channel.stop()
    phone.disconnect()
    phone.loop_stop()


def test_cues_through_a_broker_that_dies_and_comes_back(broker: Broker) -> None:
    paho = pytest.importorskip("paho.mqtt.client")
    from twinlapse.capture.mqtt import MqttChannel

    asked: list[int] = []

    def ask(cue: Cue, late_s: float) -> Answer:
        if cue.shot == 99:
            raise CaptureError("the plan has no such shot")
        asked.append(cue.shot)
        return Answer(shot=cue.shot, stop=cue.stop, frames={}, repeated=False)

    def publish(shot: int, *, retain: bool = False) -> None:
        printer.publish(
            "twinlapse/cue", cue_text(Cue(shot=shot, stop=1, cameras=("wide",))), 1, retain
        ).wait_for_publish(5)

    answers: list[dict[str, Any]] = []
    printer = paho.Client(paho.CallbackAPIVersion.VERSION2)
    printer.on_message = lambda *args: answers.append(json.loads(args[2].payload))
    printer.on_connect = lambda client, *_: client.subscribe("twinlapse/cue/answer", 1)
    printer.reconnect_delay_set(1, 1)
    printer.connect("127.0.0.1", broker.port)
    printer.loop_start()
    until(printer.is_connected)
    publish(50, retain=True)  # a cue of another night that the broker kept
    channel = MqttChannel(Mqtt(port=broker.port), ask)
    channel.start()
    until(lambda: channel.fault == "")
    time.sleep(0.2)
    for count, shot in enumerate((1, 2, 99), 1):
        publish(shot)
        until(lambda count=count: len(answers) == count)
    assert asked == [1, 2]
    assert answers[2] == {"shot": 99, "stop": 1, "error": "the plan has no such shot"}
    broker.kill()
    until(lambda: "away" in channel.fault)
    broker.start()
    until(lambda: channel.fault == "" and printer.is_connected())
    time.sleep(0.3)
    publish(3)
    until(lambda: asked == [1, 2, 3])
    channel.stop()
    printer.disconnect()
    printer.loop_stop()


@pytest.mark.parametrize(
    ("mode", "text", "words"), [(0o644, "a:b", "others may read"), (0o600, "ab", "no login")]
)
def test_a_broker_login_is_its_owners(tmp_path: Path, mode: int, text: str, words: str) -> None:
    pytest.importorskip("paho.mqtt.client")
    from twinlapse.cameras.login import read_login

    file = tmp_path / "login"
    file.write_text("club:pa:ss\n")
    file.chmod(0o600)
    assert read_login(file) == ("club", "pa:ss")
    file.write_text(text)
    file.chmod(mode)
    with pytest.raises(CaptureError, match=words):
        read_login(file)
