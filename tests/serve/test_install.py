"""The unit of the service, read back as systemd.syntax(7) and systemd.service(5) say it is read."""

from __future__ import annotations

import shlex
from pathlib import Path

import pytest

from twinlapse.errors import CaptureError
from twinlapse.serve.install import unit_text


def settings(text: str) -> dict[str, list[str]]:
    found: dict[str, list[str]] = {}
    for line in text.splitlines():
        if "=" in line and not line.startswith("#"):
            key, _, value = line.partition("=")
            found.setdefault(key, []).append(value)
    return found


def test_a_folder_with_blanks_percent_and_dollar_is_one_argument(tmp_path: Path) -> None:
    folder = tmp_path / "50% of $garden prints"
    read = settings(unit_text(folder, "127.0.0.1", 8420, False, 20.0))
    command = shlex.split(read["ExecStart"][0])
    served = command[command.index("serve") + 1]
    assert served.replace("$$", "$").replace("%%", "%") == str(folder)
    assert "$" not in served.replace("$$", "") and "%" not in served.replace("%%", "")
    assert shlex.split(read["ReadWritePaths"][0])[0].replace("%%", "%") == str(folder)
    assert command[command.index("--budget-gb") + 1] == "20"
    assert read["WantedBy"] == ["multi-user.target"] and read["DevicePolicy"] == ["closed"]


def test_the_unit_may_write_where_files_are_sent_and_knows_its_names(tmp_path: Path) -> None:
    text = unit_text(tmp_path, "0.0.0.0", 8137, True, 0.0, ("board.local",), ("/srv/50% of g-code",))
    read = settings(text)
    paths = shlex.split(read["ReadWritePaths"][0])
    assert [path.replace("%%", "%") for path in paths] == [str(tmp_path), "-/srv/50% of g-code"]
    command = shlex.split(read["ExecStart"][0])
    assert command[command.index("--host-name") + 1] == "board.local" and "--expose" in command


def test_a_folder_that_cannot_stand_in_a_unit_is_refused(tmp_path: Path) -> None:
    with pytest.raises(CaptureError, match="cannot stand in a unit file"):
        unit_text(tmp_path / 'a "quoted" folder', "127.0.0.1", 8420, False, 0.0)
