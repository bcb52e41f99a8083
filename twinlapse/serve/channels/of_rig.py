"""The channels that a rig names."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Protocol

from twinlapse.capture.cue_handler import Answer
from twinlapse.capture.cue_inputs import LogReader, SerialReader
from twinlapse.rig.capture_settings import Capture, Mqtt
from twinlapse.rig.model import Rig
from twinlapse.serve.channels.klipper_api import KlipperApi
from twinlapse.serve.channels.reprapfirmware_http import ReprapFirmwareHttp
from twinlapse.serve.printer_lines import PrinterLines
from twinlapse.shots import Cue, cue_text

__all__ = ["Channel", "channels_of", "places_of"]


class Channel(Protocol):
    """Where lines come in."""

    fault: str

    def start(self) -> None:
        """Begin."""

    def stop(self) -> None:
        """End."""


def channels_of(rig: Rig, lines: PrinterLines) -> dict[str, Channel]:
    """Return the channels of a rig by name; each hands all that it hears to `lines`."""
    made: dict[str, Channel] = {}
    capture = rig.capture
    if capture.log:
        log = LogReader(Path(capture.log), _nothing)
        log.lines_to = _teller(lines, "log")
        made["log"] = log
    if capture.serial:
        serial = SerialReader(Path(capture.serial), _nothing, baud=capture.serial_baud)
        serial.lines_to = _teller(lines, "serial")
        made["serial"] = serial
    if capture.klipper_socket:
        tell = _teller(lines, "klipper")
        made["klipper"] = KlipperApi(Path(capture.klipper_socket), lambda text: tell(text, 0.0))
    if capture.reprapfirmware:
        made["reprapfirmware"] = ReprapFirmwareHttp(
            capture.reprapfirmware,
            _teller(lines, "reprapfirmware"),
            login_file=capture.reprapfirmware_login_file,
        )
    if capture.mqtt is not None:
        made["mqtt"] = _broker(capture.mqtt, lines)
    return made


def places_of(capture: Capture) -> list[str]:
    """Return what the channels of a rig read: no two printers can read the same."""
    mqtt = capture.mqtt
    topic = "" if mqtt is None else f"topic {mqtt.topic} at {mqtt.host}:{mqtt.port}"
    named = (capture.log, capture.serial, capture.klipper_socket, capture.reprapfirmware, topic)
    return [place for place in named if place]


def _broker(mqtt: Mqtt, lines: PrinterLines) -> Channel:
    from twinlapse.capture.mqtt import MqttChannel

    def ask(cue: Cue, late_s: float) -> Answer | None:
        return lines.take(cue_text(cue), late_s, channel="mqtt")[1]

    return MqttChannel(mqtt, ask, line=lambda text: lines.take(text, channel="mqtt"))


def _teller(lines: PrinterLines, channel: str) -> Callable[[str, float], None]:
    def tell(text: str, late_s: float) -> None:
        lines.pass_on(text, late_s, channel=channel)

    return tell


def _nothing(cue: Cue, late_s: float) -> None:
    """Cues are found among the lines."""
