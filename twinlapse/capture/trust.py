"""Whose commands may run: those of a rig that the maker has said to trust.

A job folder may come from somebody else, and its rig can name programs for lights, power and alarms. What is
trusted is that list of commands, wherever it stands; the list of what was trusted is in the user's own
configuration folder (XDG Base Directory Specification).
"""

from __future__ import annotations

import hashlib
import json
import os
import shlex
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

from twinlapse.errors import TwinlapseError
from twinlapse.files import make_folder, read_json, write_json
from twinlapse.rig.model import Rig

__all__ = ["commands_of", "digest_of", "in_words", "is_trusted", "trust", "without_commands"]


def commands_of(rig: Rig) -> list[tuple[str, ...]]:
    """Return every command that capturing with this rig could run, each once, in order."""
    return sorted(set(_commands(rig)))


def in_words(commands: list[tuple[str, ...]]) -> str:
    """Return the commands as a shell would need them written, one a line."""
    return "\n".join(f"  {shlex.join(command)}" for command in commands)


def digest_of(commands: list[tuple[str, ...]]) -> str:
    """Return what stands for a list of commands."""
    return hashlib.sha256(json.dumps([list(command) for command in commands]).encode()).hexdigest()


def is_trusted(commands: list[tuple[str, ...]], *, given: str = "") -> bool:
    """Return whether these commands may run; `given` is a digest that the caller vouches for."""
    digest = digest_of(commands)
    return not commands or digest == given or digest in _known()


def trust(commands: list[tuple[str, ...]]) -> Path:
    """Trust these commands from now on; return the file that says so."""
    file = _file()
    make_folder(file.parent)
    write_json(file, sorted({*_known(), digest_of(commands)}))
    return file


def without_commands(rig: Rig) -> Rig:
    """Return the rig with nothing that could be run."""
    cameras = tuple(replace(camera, light=None, power=None) for camera in rig.cameras)
    alarm = replace(rig.capture.alarm, command=())
    return replace(rig, cameras=cameras, capture=replace(rig.capture, alarm=alarm))


def _commands(rig: Rig) -> Iterator[tuple[str, ...]]:
    for camera in rig.cameras:
        if camera.light is not None:
            yield from filter(None, (camera.light.on, camera.light.off))
        if camera.power is not None:
            yield from filter(None, (camera.power.on, camera.power.off, camera.power.restart))
    if rig.capture.alarm.command:
        yield rig.capture.alarm.command


def _file() -> Path:
    root = os.environ.get("XDG_CONFIG_HOME") or "~/.config"
    return Path(root).expanduser() / "twinlapse" / "trusted-commands.json"


def _known() -> set[str]:
    file = _file()
    if not file.exists():
        return set()
    try:
        value = read_json(file, "list of trusted commands")
    except TwinlapseError:
        return set()
    return {word for word in value if isinstance(word, str)} if isinstance(value, list) else set()
