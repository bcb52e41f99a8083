"""The parts of a rig file that the capture service reads: ``[capture]``, and a camera's light and power."""

from __future__ import annotations

import re
from dataclasses import dataclass, field
from pathlib import PurePosixPath
from typing import Any, Literal

from twinlapse.rig.schema import Key, choice, flag, number, parsed, part, text, whole
from twinlapse.rig.toml_fields import InvalidValueError, Table

__all__ = [
    "Alarm",
    "Answers",
    "Capture",
    "Light",
    "Mail",
    "Mqtt",
    "Power",
    "check_capture",
    "check_switched",
    "read_answer",
    "read_command",
    "read_host",
    "read_host_names",
    "read_mail_address",
    "read_topic",
    "read_webhook",
]

_HOST = re.compile(r"[A-Za-z0-9](?:[A-Za-z0-9.-]{0,252}[A-Za-z0-9])?")
_MAIL = re.compile(r"[A-Za-z0-9._%+-]{1,64}@[A-Za-z0-9.-]{1,190}")
_LINE = re.compile(r"[\x21-\x7e][\x20-\x7e]{0,79}")  # Marlin reads 95 characters of a line
_TOPIC = re.compile(r"[A-Za-z0-9_./-]{1,200}")


def read_command(value: Any) -> tuple[str, ...]:
    """Return a checked command: a program with its whole path, then its arguments."""
    words = _texts(value)
    if words and not PurePosixPath(words[0]).is_absolute():
        raise InvalidValueError(
            f"{words[0]!r} is no absolute path", 'write the whole path: ["/usr/bin/...", "..."]'
        )
    if any("\0" in word for word in words):
        raise InvalidValueError("a word holds a null character", "take it out")
    return words


def read_host(value: Any) -> str:
    """Return a checked host name or address."""
    if isinstance(value, str) and (_HOST.fullmatch(value) or ":" in value):
        return value
    raise InvalidValueError(f"{value!r} is no host name or address", 'write one such as "127.0.0.1"')


def read_host_names(value: Any) -> tuple[str, ...]:
    """Return a checked list of host names."""
    names = _texts(value)
    for name in names:
        if not _HOST.fullmatch(name):
            raise InvalidValueError(f"{name!r} is no host name", 'write names such as "gardenshed.local"')
    return names


def read_topic(value: Any) -> str:
    """Return a checked MQTT topic without wildcards."""
    if isinstance(value, str) and _TOPIC.fullmatch(value):
        return value
    raise InvalidValueError(f"{value!r} is no topic of one kind of message", "leave out + and #")


def read_webhook(value: Any) -> str:
    """Return a checked address, or "" for none."""
    if value == "" or (isinstance(value, str) and value.startswith(("http://", "https://"))):
        return str(value)
    raise InvalidValueError("this is no http or https address", 'write "http://..."')


def read_mail_address(value: Any) -> str:
    """Return a checked e-mail address."""
    if isinstance(value, str) and _MAIL.fullmatch(value):
        return value
    raise InvalidValueError(f"{value!r} is no e-mail address", 'write one such as "club@example.org"')


def read_answer(value: Any) -> tuple[str, ...]:
    """Return checked lines for the machine."""
    lines = _texts(value)
    if len(lines) > 4 or not all(_LINE.fullmatch(line) for line in lines):
        raise InvalidValueError(
            f"{value!r} is not up to four lines of G-code", 'write lines of plain ASCII: ["M108"]'
        )
    return lines


def _texts(value: Any) -> tuple[str, ...]:
    if not isinstance(value, list | tuple) or not all(isinstance(word, str) and word for word in value):
        raise InvalidValueError(f"{value!r} is not a list of texts", 'write texts in brackets: ["a", "b"]')
    return tuple(value)


def _command(sentence: str) -> dict[str, Key]:
    return parsed(read_command, "list of texts", sentence, example='["/path/to/program", "argument"]')


@dataclass(frozen=True, slots=True, kw_only=True)
class Light:
    """Commands around the shots of a camera; argument lists, run without a shell."""

    on: tuple[str, ...] = field(
        default=(), metadata=_command("switches it on: a program, then its arguments")
    )
    off: tuple[str, ...] = field(default=(), metadata=_command("switches it off"))
    limit_s: float = field(
        default=5.0,
        metadata=number("a command that runs longer is ended, with all its children", above=0, high=60),
    )
    lead_s: float = field(
        default=1.5, metadata=number("switched on this long before the next shot is due", low=0, high=120)
    )
    stay_on_s: float = field(
        default=4.0, metadata=number("stays on when the next shot is nearer than this", low=0, high=3600)
    )
    cap_s: float = field(
        default=900.0,
        metadata=number(
            "never on for longer than this at a time, unless a person keeps it on", above=0, high=86_400
        ),
    )
    exposure_settle_s: float = field(
        default=2.0,
        metadata=number(
            "longest wait for the exposure to settle once the light is on",
            low=0,
            high=10,
            former=("settle_s",),
        ),
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class Power:
    """Commands around the whole session of a camera: its supply and the service that reads it."""

    on: tuple[str, ...] = field(
        default=(), metadata=_command("switches it on before the print: a program, then its arguments")
    )
    off: tuple[str, ...] = field(default=(), metadata=_command("switches it off after the print"))
    restart: tuple[str, ...] = field(
        default=(), metadata=_command("run once the device is there, to restart the camera's own service")
    )
    device: str = field(
        default="",
        metadata=text(
            "the device file that appears when the camera is up", example='"/dev/v4l/by-path/nozzle-camera"'
        ),
    )
    limit_s: float = field(
        default=10.0, metadata=number("a command that runs longer is ended", above=0, high=120)
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class Mail:
    """A relay that takes e-mail."""

    to: str = field(
        metadata=parsed(read_mail_address, "e-mail address", "who gets it", example='"club@example.org"')
    )
    sender: str = field(
        metadata=parsed(
            read_mail_address, "e-mail address", "who it comes from", example='"printer@example.org"'
        )
    )
    host: str = field(
        default="127.0.0.1", metadata=parsed(read_host, "host name or address", "address of the relay")
    )
    port: int = field(default=587, metadata=whole("port of the relay", low=1, high=65535))
    security: Literal["tls", "starttls", "none"] = field(
        default="starttls",
        metadata=choice(Literal["tls", "starttls", "none"], "how the connection is protected"),
    )
    login_file: str = field(
        default="",
        metadata=text("a file with `name:password` on one line, which its owner alone can read"),
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class Alarm:
    """Who is told that something went wrong."""

    webhook: str = field(
        default="",
        metadata=parsed(
            read_webhook, "http or https address", "gets a JSON body", example='"http://alarm.local/garden"'
        ),
    )
    command: tuple[str, ...] = field(
        default=(), metadata=_command("gets the same JSON on its standard input")
    )
    push: str = field(
        default="",
        metadata=parsed(
            read_webhook,
            "http or https address",
            "gets title, text and picture link as plain text",
            example='"http://alarm.local/push"',
        ),
    )
    mail: Mail | None = field(default=None, metadata=part(Mail, "a relay that sends it as e-mail"))
    picture_link: str = field(
        default="",
        metadata=parsed(
            read_webhook,
            "http or https address",
            "where a picture can be seen, sent along",
            example='"http://shed.local:8137/"',
        ),
    )
    picture_kb: float = field(
        default=200.0,
        metadata=number(
            "a picture of at most this size goes with the e-mail, the form and over MQTT; 0: none",
            low=0,
            high=4000,
        ),
    )
    webhook_form: bool = field(
        default=False,
        metadata=flag("the webhook gets a form (`multipart/form-data`): `alarm`, the JSON, and `picture`"),
    )
    mqtt: bool = field(default=False, metadata=flag("publishes below the topic of `[capture.mqtt]`"))
    after_missed: int = field(
        default=2, metadata=whole("so many missed frames of a camera in a row are an alarm", low=1, high=1000)
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class Mqtt:
    """A broker that passes cues on."""

    host: str = field(
        default="127.0.0.1", metadata=parsed(read_host, "host name or address", "address of the broker")
    )
    port: int = field(default=1883, metadata=whole("port of the broker", low=1, high=65535))
    topic: str = field(
        default="twinlapse/cue",
        metadata=parsed(
            read_topic, "topic without `+` and `#`", "cues arrive here; answers go to TOPIC/answer"
        ),
    )
    login_file: str = field(
        default="",
        metadata=text("a file with `name:password` on one line, which its owner alone can read"),
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class Answers:
    """What a person may have sent to a machine that waits (`hold` in ``[plan]``); nothing else ever is."""

    go_on: tuple[str, ...] = field(
        default=(),
        metadata=parsed(
            read_answer,
            "list of lines",
            "lets it print on; empty: M108 (Marlin), RESUME (Klipper), M292 P0 (RepRapFirmware)",
            example='["M108"]',
        ),
    )
    stop: tuple[str, ...] = field(
        default=(),
        metadata=parsed(
            read_answer,
            "list of lines",
            "ends the print; empty: CANCEL_PRINT, TURN_OFF_HEATERS (Klipper), else M112, the emergency stop",
            example='["M112"]',
        ),
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class Capture:
    """How the capture service listens, and when it raises an alarm."""

    host: str = field(
        default="127.0.0.1",
        metadata=parsed(read_host, "host name or address", "address that the page and the API listen on"),
    )
    port: int = field(default=8137, metadata=whole("port that they listen on", low=1, high=65535))
    host_names: tuple[str, ...] = field(
        default=(),
        metadata=parsed(
            read_host_names,
            "list of host names",
            "host names under which a browser may call the page, besides its address",
            example='["shed.local"]',
            former=("names",),
        ),
    )
    token_file: str = field(
        default="",
        metadata=text(
            "a file with the secret that other machines must send; needed to listen beyond this one"
        ),
    )
    log: str = field(
        default="", metadata=text("a log file that is followed for cue lines", example='"/var/log/host.log"')
    )
    serial: str = field(
        default="", metadata=text("a serial line or pty that is read for cue lines", example='"/dev/ttyUSB0"')
    )
    serial_baud: int = field(
        default=115_200,
        metadata=whole("speed of the serial line; any value of the driver", low=1200, high=4_000_000),
    )
    klipper_socket: str = field(
        default="",
        metadata=text(
            "the API socket of Klipper, whose console `twinlapse serve` reads", example='"/tmp/klippy_uds"'
        ),
    )
    reprapfirmware: str = field(
        default="",
        metadata=parsed(
            read_webhook,
            "http address",
            "the machine's own HTTP interface: `twinlapse serve` reads its console and sends files to it",
            example='"http://printer.local"',
        ),
    )
    reprapfirmware_login_file: str = field(
        default="",
        metadata=text(
            "a file with `name:password` of it on one line, which its owner alone can read; any name"
        ),
    )
    send_folder: str = field(
        default="",
        metadata=text(
            "a folder into which `twinlapse serve` copies written files, such as a firmware's virtual SD",
            example='"/srv/prints"',
        ),
    )
    mqtt: Mqtt | None = field(default=None, metadata=part(Mqtt, "a broker that passes cues on"))
    answers: Answers = field(
        default=Answers(),
        metadata=part(Answers, "what a person may have sent to a machine that waits"),
    )
    alarm: Alarm = field(default=Alarm(), metadata=part(Alarm, "who is told that something went wrong"))
    min_free_mb: float = field(default=200.0, metadata=number("less free space than this is an alarm", low=0))
    frame_kb: float = field(
        default=150.0,
        metadata=number("expected size of a frame, for the check before the print", above=0, high=8192),
    )


def check_switched(made: Light | Power, table: Table) -> Light | Power:
    """Return the record; what is switched on must be switched off again."""
    if made.on and not made.off:
        table.fail("on", "what is switched on must be switched off again", 'add off = ["/path/to/command"]')
    return made


def check_capture(made: Capture, table: Table) -> Capture:
    """Return the record; alarms over MQTT need a broker."""
    if made.alarm.mqtt and made.mqtt is None:
        table.fail("alarm", "mqtt = true needs a broker", "add a [capture.mqtt] section")
    return made
