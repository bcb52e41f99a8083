"""The rig tables of the capture service: what is read, and what is refused with its line."""

from __future__ import annotations

import tomllib
from pathlib import Path

import pytest

from twinlapse.errors import RigError
from twinlapse.rig import rig_from_mapping
from twinlapse.rig.capture_settings import Capture, Light

HEAD = '[printer]\nbed_mm = [220, 220]\nheight_mm = 250\n\n[[camera]]\nname = "wide"\nmount = "frame"\n'


def read(tail: str):  # type: ignore[no-untyped-def]
    text = HEAD + tail
    return rig_from_mapping(tomllib.loads(text), path=Path("rig.toml"), text=text)


def test_everything_has_a_default() -> None:
    rig = read("")
    assert rig.capture == Capture()
    assert rig.cameras[0].light is None
    assert rig.capture.host == "127.0.0.1"


def test_tables_become_records() -> None:
    rig = read(
        'light = { on = ["/bin/led", "1"], off = ["/bin/led", "0"], lead_s = 1.5 }\nage_s = 0.12\n'
        '[capture]\nport = 9000\nhost_names = ["shed.local"]\n[capture.mqtt]\ntopic = "club/cue"\n'
    )
    light = rig.cameras[0].light
    assert light == Light(on=("/bin/led", "1"), off=("/bin/led", "0"), lead_s=1.5)
    assert rig.cameras[0].age_s == 0.12
    assert rig.capture.host_names == ("shed.local",)
    assert rig.capture.mqtt is not None and rig.capture.mqtt.topic == "club/cue"


@pytest.mark.parametrize(
    ("tail", "line", "words"),
    [
        ('light = { on = ["led"], off = ["/bin/led"] }', 8, "no absolute path"),
        ('light = { on = ["/bin/led"] }', 8, "switched off again"),
        ('light = { on = "/bin/led 1", off = "/bin/led 0" }', 8, "not a list of texts"),
        ("light = { led_s = 3 }", 8, 'did you mean "lead_s"'),
        ('[capture]\nhost = "rm -rf"', 9, "no host name"),
        ("[capture]\nport = 99999", 9, "out of range"),
        ("[capture]\nporf = 9", 9, 'did you mean "port"'),
        ('[capture.mqtt]\ntopic = "club/#"', 9, "no topic of one kind"),
        ('[capture.alarm]\nwebhook = "file:///etc/passwd"', 9, "no http"),
        ("[capture.alarm]\nmqtt = true", 8, "needs a broker"),
        ('[capture]\nhost_names = ["a/b"]', 9, "no host name"),
    ],
)
def test_faults_are_named_with_their_line(tail: str, line: int, words: str) -> None:
    with pytest.raises(RigError, match=words) as caught:
        read(tail)
    assert caught.value.line == line, str(caught.value)
