"""The parts of a rig file that the capture service reads: ``[capture]``, and a camera's light and power."""

from __future__ import annotations

import re
from dataclasses import dataclass
from pathlib import PurePosixPath
from typing import Any, cast

from twinlapse.rig.toml_fields import Table

_HOST = re.compile(r"[A-Za-z0-9](?:[A-Za-z0-9.-]{0,252}[A-Za-z0-9])?")
_TOPIC = re.compile(r"[A-Za-z0-9_./-]{1,200}")


@dataclass(frozen=True, slots=True, kw_only=True)
class Light:
    """Commands around the shots of a camera; argument lists, run without a shell."""

    on: tuple[str, ...] = ()
    off: tuple[str, ...] = ()
    limit_s: float = 5.0  # a command that runs longer is ended
    lead_s: float = 3.0  # switched on this long before the next shot is expected
    stay_on_s: float = 30.0  # stays on when the next shot is nearer than this
    cap_s: float = 900.0  # never on for longer than this at a time
    settle_s: float = 2.0  # longest wait for the exposure to settle once the light is on


@dataclass(frozen=True, slots=True, kw_only=True)
class Power:
    """Commands around the whole session of a camera: its supply and the service that reads it."""

    on: tuple[str, ...] = ()
    off: tuple[str, ...] = ()
    restart: tuple[str, ...] = ()  # run once the device is there
    device: str = ""  # the file that appears when the camera is up
    limit_s: float = 10.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Alarm:
    """Who hears that something went wrong."""

    webhook: str = ""  # http or https; gets a JSON body
    command: tuple[str, ...] = ()  # gets the same JSON on its standard input
    mqtt: bool = False  # publishes below the topic of [capture.mqtt]
    after_missed: int = 2  # frames of a camera missed in a row


@dataclass(frozen=True, slots=True, kw_only=True)
class Mqtt:
    """A broker that passes cues on."""

    host: str = "127.0.0.1"
    port: int = 1883
    topic: str = "twinlapse/cue"
    login_file: str = ""  # "name:password" on one line, readable by its owner alone


@dataclass(frozen=True, slots=True, kw_only=True)
class Capture:
    """How the capture service listens and what it keeps in mind."""

    host: str = "127.0.0.1"
    port: int = 8137
    names: tuple[str, ...] = ()  # host names under which a browser may call it, besides its address
    token_file: str = ""
    log: str = ""  # a log file to follow for cue lines
    serial: str = ""  # a serial line or pty to read for cue lines
    mqtt: Mqtt | None = None
    alarm: Alarm = Alarm()
    min_free_mb: float = 200.0  # below this an alarm is raised
    frame_kb: float = 150.0  # expected size of a frame, for the check before the print


def read_capture(table: Table) -> Capture:
    """Return the checked ``[capture]`` table."""
    mqtt, alarm = table.table("mqtt"), table.table("alarm")
    capture = Capture(
        host=_host(table, "host", "127.0.0.1"),
        port=table.whole("port", 8137, low=1, high=65535),
        names=_words(table, "names"),
        token_file=table.text("token_file", ""),
        log=table.text("log", ""),
        serial=table.text("serial", ""),
        mqtt=None if mqtt is None else _mqtt(mqtt),
        alarm=Alarm() if alarm is None else _alarm(alarm),
        min_free_mb=table.number("min_free_mb", 200.0, low=0),
        frame_kb=table.number("frame_kb", 150.0, above=0, high=8192),
    )
    for name in capture.names:
        if not _HOST.fullmatch(name):
            table.fail("names", f"{name!r} is no host name", 'write names such as "gardenshed.local"')
    if capture.alarm.mqtt and capture.mqtt is None:
        table.fail("alarm", "mqtt = true needs a broker", "add a [capture.mqtt] section")
    table.close()
    return capture


def read_light(table: Table) -> Light:
    """Return the checked ``light`` table of a camera."""
    standard = Light()
    light = Light(
        on=_command(table, "on"),
        off=_command(table, "off"),
        limit_s=table.number("limit_s", standard.limit_s, above=0, high=60),
        lead_s=table.number("lead_s", standard.lead_s, low=0, high=120),
        stay_on_s=table.number("stay_on_s", standard.stay_on_s, low=0, high=3600),
        cap_s=table.number("cap_s", standard.cap_s, above=0, high=86_400),
        settle_s=table.number("settle_s", standard.settle_s, low=0, high=10),
    )
    _paired(table, light.on, light.off)
    table.close()
    return light


def read_power(table: Table) -> Power:
    """Return the checked ``power`` table of a camera."""
    power = Power(
        on=_command(table, "on"),
        off=_command(table, "off"),
        restart=_command(table, "restart"),
        device=table.text("device", ""),
        limit_s=table.number("limit_s", 10.0, above=0, high=120),
    )
    _paired(table, power.on, power.off)
    table.close()
    return power


def _paired(table: Table, on: tuple[str, ...], off: tuple[str, ...]) -> None:
    if on and not off:
        table.fail("on", "what is switched on must be switched off again", 'add off = ["/path/to/command"]')


def _mqtt(table: Table) -> Mqtt:
    mqtt = Mqtt(
        host=_host(table, "host", "127.0.0.1"),
        port=table.whole("port", 1883, low=1, high=65535),
        topic=table.text("topic", "twinlapse/cue"),
        login_file=table.text("login_file", ""),
    )
    if not _TOPIC.fullmatch(mqtt.topic):
        table.fail("topic", f"{mqtt.topic!r} is no topic of one kind of message", "leave out + and #")
    table.close()
    return mqtt


def _alarm(table: Table) -> Alarm:
    alarm = Alarm(
        webhook=table.text("webhook", ""),
        command=_command(table, "command"),
        mqtt=table.flag("mqtt", False),
        after_missed=table.whole("after_missed", 2, low=1, high=1000),
    )
    if alarm.webhook and not alarm.webhook.startswith(("http://", "https://")):
        table.fail("webhook", "this is no http or https address", 'write "http://..."')
    table.close()
    return alarm


def _host(table: Table, key: str, default: str) -> str:
    host = table.text(key, default)
    if not _HOST.fullmatch(host) and ":" not in host:
        table.fail(key, f"{host!r} is no host name or address", f'write one such as "{default}"')
    return host


def _words(table: Table, key: str) -> tuple[str, ...]:
    def parse(value: Any) -> tuple[str, ...]:
        if not isinstance(value, list | tuple) or not all(isinstance(word, str) and word for word in value):
            raise ValueError(f"{value!r} is not a list of texts", 'write texts in brackets: ["a", "b"]')
        return tuple(value)

    return cast(tuple[str, ...], table.parsed(key, (), parse))


def _command(table: Table, key: str) -> tuple[str, ...]:
    words = _words(table, key)
    if words and not PurePosixPath(words[0]).is_absolute():
        table.fail(key, f"{words[0]!r} is no absolute path", 'write the whole path: ["/usr/bin/...", "..."]')
    if any("\0" in word for word in words):
        table.fail(key, "a word holds a null character", "take it out")
    return words
