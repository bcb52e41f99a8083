"""Cameras, supplies and lamps while somebody aims: on for a look, off soon after it, never beside a print."""

from __future__ import annotations

import sys
import time
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path

import pytest

from twinlapse.errors import CaptureError
from twinlapse.rehearsal.http_camera import HttpCamera
from twinlapse.rig import Rig, read_rig
from twinlapse.rig.capture_settings import Light, Power
from twinlapse.serve.rig_view import RigView
from twinlapse.serve.rig_web import RigReports


def until(holds: Callable[[], object], seconds: float = 15.0) -> None:
    end = time.monotonic() + seconds
    while not holds():
        assert time.monotonic() < end
        time.sleep(0.02)


@pytest.fixture
def camera(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> Iterator[HttpCamera]:
    (tmp_path / "run").mkdir()
    monkeypatch.setenv("XDG_RUNTIME_DIR", str(tmp_path / "run"))  # leases of this test alone
    with HttpCamera() as made:
        yield made


class Switches:
    """Commands of lamp and supply that note what they did."""

    def __init__(self, folder: Path) -> None:
        self._log = folder / "switched"
        self._log.write_text("")

    def words(self, what: str) -> tuple[str, ...]:
        return (sys.executable, "-c", f"open({str(self._log)!r}, 'a').write({what!r} + '\\n')")

    def __call__(self) -> list[str]:
        return self._log.read_text().split()


def a_rig(folder: Path, camera: HttpCamera, switches: Switches) -> Rig:
    file = folder / "rig.toml"
    file.write_text(
        '[printer]\nbed_mm = [120, 120]\nheight_mm = 100\n[[camera]]\nname = "wide"\nmount = "frame"\n'
        f'source = "{camera.stream}"\nage_s = 0.3\n'
    )
    rig = read_rig(file)
    eye = replace(
        rig.cameras[0],
        power=Power(on=switches.words("power-on"), off=switches.words("power-off")),
        light=Light(on=switches.words("lamp-on"), off=switches.words("lamp-off")),
    )
    return replace(rig, cameras=(eye,))


def test_everything_is_on_for_a_look_and_off_soon_after(tmp_path: Path, camera: HttpCamera) -> None:
    switches = Switches(tmp_path)
    rig = a_rig(tmp_path, camera, switches)
    view = RigView(lambda: rig, lambda: None, watched_s=1.5)
    assert view.picture("wide") is None and switches() == []
    view.look(light=False)
    until(lambda: view.look(light=False)["cameras"]["wide"]["state"] == "live")
    picture = view.picture("wide")
    assert picture is not None and picture.startswith(b"\xff\xd8")  # a JPEG begins so (ITU-T T.81, SOI)
    assert view.picture("nozzle") is None
    until(lambda: "power-on" in switches())
    assert "lamp-on" not in switches()
    assert view.look(light=True)["lights"] == {"count": 1, "on": True, "fault": ""}
    assert view.look(light=None)["lights"]["on"]  # another browser looks, and leaves the lamp alone
    assert view.look(light=False)["lights"]["count"] == 1
    until(lambda: switches()[-1] == "lamp-off")
    view.look(light=True)
    until(lambda: switches()[-1] == "power-off")
    assert switches() == ["power-on", "lamp-on", "lamp-off", "lamp-on", "lamp-off", "power-off"]
    until(lambda: not camera._clients)
    view.close()


def test_a_print_takes_the_cameras_and_no_look_opens_them_beside_it(
    tmp_path: Path, camera: HttpCamera
) -> None:
    switches = Switches(tmp_path)
    rig = a_rig(tmp_path, camera, switches)
    view = RigView(lambda: rig, lambda: None)
    view.look(light=True)
    until(lambda: camera._clients and "power-on" in switches())
    with view.given_up():
        assert switches()[-2:] == ["lamp-off", "power-off"]
        until(lambda: not camera._clients)
        with pytest.raises(CaptureError, match="just beginning"):
            view.look(light=False)
        assert view.picture("wide") is None
    view.look(light=False)
    until(lambda: camera._clients)
    view.close()
    until(lambda: not camera._clients)


def test_a_camera_that_hangs_is_said_and_keeps_nothing_on(tmp_path: Path, camera: HttpCamera) -> None:
    switches = Switches(tmp_path)
    rig = a_rig(tmp_path, camera, switches)
    camera.hangs = True
    view = RigView(lambda: rig, lambda: None, watched_s=0.5)
    assert view.look(light=True)["cameras"]["wide"]["state"] == "gone"
    until(lambda: switches().count("lamp-off") == 1 and "power-off" in switches(), 30.0)
    view.close()


def test_a_report_is_made_once_until_the_rig_file_changes(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    import twinlapse
    from twinlapse.serve import rig_web

    made: list[Path] = []
    real = rig_web._made
    monkeypatch.setattr(rig_web, "_made", lambda path: (made.append(path), real(path))[1])
    twinlapse.copy_sample(tmp_path)
    file, reports = tmp_path / "rig.toml", RigReports()
    report = reports.of(file)
    assert [camera["name"] for camera in report["cameras"]] == ["wide", "nozzle"]
    assert report["cameras"][1]["tip_px"] == [319.5, 239.5]  # the middle of 640 x 480 pixels
    assert {finding["holds"] for finding in report["findings"]} == {True, None}
    assert reports.of(file) is report and len(made) == 1
    file.write_text(file.read_text().replace("height_mm = 250", "hight_mm = 250"))
    assert "hight_mm" in reports.of(file)["error"] and len(made) == 2
