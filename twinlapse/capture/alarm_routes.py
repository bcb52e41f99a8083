"""The ways an alarm leaves this machine; each delivers one message or raises.

References: RFC 9110 (HTTP), RFC 7578 (forms), RFC 5322 and 5321 (mail, by the standard library).
"""

from __future__ import annotations

import json
import secrets
import smtplib
import ssl
import urllib.request
from collections.abc import Callable, Iterator
from dataclasses import asdict, dataclass
from email.message import EmailMessage
from pathlib import Path
from urllib.parse import urlsplit

from twinlapse.cameras.login import read_login
from twinlapse.capture.alarm_picture import AlarmPicture, picture_for
from twinlapse.capture.rig_commands import CommandError, run
from twinlapse.errors import CaptureError
from twinlapse.rig.capture_settings import Alarm, Mail

__all__ = ["AlarmMessage", "DeliveryError", "Publish", "Route", "make_routes"]

_LIMIT_S = 10.0  # for one delivery (common practice, no source)
Publish = Callable[[str, bytes], None]


class DeliveryError(Exception):
    """A message did not get through this way; the text says why."""


@dataclass(frozen=True, slots=True, kw_only=True)
class AlarmMessage:
    """What is told."""

    job: str
    code: str
    text: str
    since: float  # seconds since 1970
    over: bool
    picture: str = ""  # where the newest picture can be seen
    picture_file: str = ""  # the one that goes along
    picture_rotate_deg: int = 0  # clockwise, once it is mirrored: then it is upright
    picture_mirror: bool = False

    @property
    def shown(self) -> AlarmPicture:
        """What goes along."""
        return AlarmPicture(self.picture_file, self.picture_rotate_deg, self.picture_mirror)

    @property
    def title(self) -> str:
        """One line."""
        return f"{'over: ' if self.over else ''}{self.code}"

    def to_json(self) -> bytes:
        """Return the JSON that webhook and broker get."""
        told = asdict(self)
        for name in ("picture_file", "picture_rotate_deg", "picture_mirror"):
            del told[name]  # a path of this machine means nothing to another, and what is sent is upright
        return json.dumps(told).encode()

    def to_text(self) -> str:
        """Return title, text and link for people."""
        return "\n".join(filter(None, (f"twinlapse: {self.title}", self.text, self.picture))) + "\n"


Route = Callable[[AlarmMessage], None]


def make_routes(alarm: Alarm, publish: Publish | None) -> dict[str, Route]:
    """Return the ways that the rig names, by name."""
    return dict(_routes(alarm, publish))


def _routes(alarm: Alarm, publish: Publish | None) -> Iterator[tuple[str, Route]]:
    if alarm.command:
        yield "command", lambda message: _by_command(alarm.command, message)
    if alarm.webhook and alarm.webhook_form:
        yield "webhook", lambda message: _by_form(alarm, message)
    elif alarm.webhook:
        kind = "application/json"
        yield "webhook", lambda message: _post(alarm.webhook, message.to_json(), kind)
    if alarm.push:
        kind_of_text = "text/plain; charset=utf-8"
        yield "push", lambda message: _post(alarm.push, message.to_text().encode(), kind_of_text)
    if alarm.mail is not None:
        mail = alarm.mail
        yield "mail", lambda message: _by_mail(mail, message, alarm.picture_kb)
    if alarm.mqtt and publish is not None:
        yield "mqtt", lambda message: _by_broker(publish, message, alarm.picture_kb)


def _by_command(command: tuple[str, ...], message: AlarmMessage) -> None:
    try:
        run(command, _LIMIT_S, stdin=json.dumps(asdict(message)).encode())
    except CommandError as error:
        raise DeliveryError(str(error)) from None


def _post(address: str, body: bytes, kind: str) -> None:
    request = urllib.request.Request(  # noqa: S310 - the rig reader lets http and https through only
        address, body, {"Content-Type": kind, "User-Agent": "twinlapse"}
    )
    try:
        with _opener().open(request, timeout=_LIMIT_S) as response:
            response.read(1)
    except (OSError, ValueError) as error:
        raise DeliveryError(f"{urlsplit(address).hostname}: {error}") from None


def _by_form(alarm: Alarm, message: AlarmMessage) -> None:
    picture = picture_for(message.shown, alarm.picture_kb)
    parts = [("alarm", "", "application/json", message.to_json())]
    parts += [("picture", "picture.jpg", "image/jpeg", picture)] if picture else []
    boundary = secrets.token_hex(16)
    body = b"".join(
        f'--{boundary}\r\nContent-Disposition: form-data; name="{name}"'.encode()
        + (f'; filename="{file}"'.encode() if file else b"")
        + f"\r\nContent-Type: {kind}\r\n\r\n".encode()
        + data
        + b"\r\n"
        for name, file, kind, data in parts
    )
    end = f"--{boundary}--\r\n".encode()
    _post(alarm.webhook, body + end, f"multipart/form-data; boundary={boundary}")


def _by_mail(mail: Mail, message: AlarmMessage, most_kb: float) -> None:
    letter = EmailMessage()
    letter["From"], letter["To"], letter["Subject"] = mail.sender, mail.to, f"twinlapse: {message.title}"
    letter.set_content(message.to_text())
    if picture := picture_for(message.shown, most_kb):
        letter.add_attachment(picture, maintype="image", subtype="jpeg", filename="picture.jpg")
    secure = ssl.create_default_context()
    try:
        if mail.security == "tls":
            server: smtplib.SMTP = smtplib.SMTP_SSL(mail.host, mail.port, timeout=_LIMIT_S, context=secure)
        else:
            server = smtplib.SMTP(mail.host, mail.port, timeout=_LIMIT_S)
        with server:
            if mail.security == "starttls":
                server.starttls(context=secure)
            if mail.login_file:
                server.login(*read_login(Path(mail.login_file)))
            server.send_message(letter)
    except (OSError, smtplib.SMTPException, CaptureError) as error:
        raise DeliveryError(f"{mail.host}: {error}") from None


def _by_broker(publish: Publish, message: AlarmMessage, most_kb: float) -> None:
    picture = picture_for(message.shown, most_kb)
    try:
        if picture:
            publish("alarm/picture", picture)  # first: whoever gets the alarm has it already
        publish("alarm", message.to_json())
    except (OSError, ValueError, RuntimeError) as error:
        raise DeliveryError(f"the broker took no alarm: {error}") from None


class _Stay(urllib.request.HTTPRedirectHandler):
    def redirect_request(self, *_: object) -> None:
        return None  # a receiver that sends elsewhere gets nothing


def _opener() -> urllib.request.OpenerDirector:
    return urllib.request.build_opener(_Stay, urllib.request.ProxyHandler({}))
