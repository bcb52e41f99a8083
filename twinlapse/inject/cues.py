"""The line by which a block asks the capture service for frames."""

from __future__ import annotations

import re
from dataclasses import replace

from twinlapse.errors import InjectError
from twinlapse.inject.dialects import Dialect
from twinlapse.rig import CueSettings
from twinlapse.shots import Cue, cue_text

__all__ = ["cue_line", "fill_template"]

_FIELD = re.compile(r"\{(\w*)\}")
_FIELDS = ("shot", "stop", "layer", "cameras")
# a text must not end the command, begin a comment, a checksum, a line number or another command
_FORBIDDEN = re.compile(r'[^\x20-\x7e]|[;*"(){}]')
_HOST_ACTION = re.compile(r"(?i)action:")
# what a macro line must not begin with: a plain command, which would move or set something
_PLAIN = re.compile(r"(?i)\s*(?:[GTN]\s*\d|M\s*(?!98\b|240\b)\d)")


def cue_line(style: CueSettings, dialect: Dialect, cue: Cue, layer: int) -> str:
    """Return the cue line; its comment always holds the standard words, by which ``find_cue`` finds it.

    Parameters
    ----------
    style : twinlapse.rig.CueSettings
        What kind of line, and the template of its text.
    dialect : Dialect
    cue : twinlapse.shots.Cue
    layer : int
        Counted from 1, for people.

    Raises
    ------
    InjectError
        when the text cannot stand in a command line.
    """
    words = cue_text(cue)
    text = fill_template(style.text, cue, layer) if style.text else words
    if style.kind in ("comment", "none"):
        return f"; {words}" if text == words else f"; {text} ; {words}"
    command = _command(style, dialect, text)
    if len(command) > dialect.most_bytes and cue.job and not style.text:
        return cue_line(style, dialect, replace(cue, job=""), layer)  # the service knows its one job then
    if len(command) > dialect.most_bytes:
        raise InjectError(
            f"the cue line has {len(command)} characters, {dialect.firmware} takes {dialect.most_bytes}",
            "shorten cue.text or the cameras' names",
        )
    return command if words in command else f"{command} ; {words}"


def fill_template(template: str, cue: Cue, layer: int) -> str:
    """Return the template with its fields filled in, checked."""
    values = {"shot": cue.shot, "stop": cue.stop, "layer": layer, "cameras": "+".join(cue.cameras)}
    unknown = [name for name in _FIELD.findall(template) if name not in _FIELDS]
    if unknown:
        raise InjectError(
            f"cue.text has an unknown field {{{unknown[0]}}}",
            f"use {', '.join('{' + name + '}' for name in _FIELDS)}",
        )
    text = _FIELD.sub(lambda found: str(values[found[1]]), template)
    return text.strip()


def _command(style: CueSettings, dialect: Dialect, text: str) -> str:
    if style.kind == "pin":
        return "M240"  # marlinfw.org/docs/gcode/M240.html: pulses the camera pin, when built in
    if style.kind == "macro":
        return _macro(style, dialect, text)
    _refuse(_FORBIDDEN.search(text), text)
    _refuse(_HOST_ACTION.search(text), text)
    return dialect.to_host(text) if style.kind == "host" else dialect.to_display(text)


def _macro(style: CueSettings, dialect: Dialect, text: str) -> str:
    if not style.text:
        raise InjectError(
            "cue.kind is macro and cue.text is empty",
            'write the call, such as "SNAP SHOT={shot}"',
        )
    _refuse(re.search(r"[^\x20-\x7e]|[;*(){}]", text), text)
    _refuse(_PLAIN.match(text), text)
    return text


def _refuse(found: re.Match[str] | None, text: str) -> None:
    if found is not None:
        raise InjectError(
            f"cue.text cannot be written: {found[0]!r} in {text!r} has a meaning of its own in G-code",
            "use letters, digits, spaces and . , : = + - _",
        )
