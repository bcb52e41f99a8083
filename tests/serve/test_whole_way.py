"""From the sliced file to the film in a browser: a simulated printer prints what the service planned."""

from __future__ import annotations

import json
import time
import urllib.error
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from twinlapse.rehearsal.virtual_printer import VirtualPrinter
from twinlapse.rig import read_rig

pytestmark = pytest.mark.slow
READY = "document.body.innerText.includes('ready to print')"


def printed(tmp_path: Path, service: Any, *, kills: tuple[int, ...] = ()) -> None:
    """Print the file that lies on the card, over a serial line, many times as fast as in truth."""
    (file,) = (tmp_path / "card").glob("*.gcode")
    rig = read_rig(service.folder / "printers" / "shed" / "rig.toml")
    with VirtualPrinter(file, rig, speed=30.0) as printer:
        (tmp_path / "port").symlink_to(printer.port)
        service.until(lambda state: state["printers"][0]["channels"]["serial"] == "", 20)
        printer.start()
        for done in kills:
            service.until(lambda state, n=done: (state["printers"][0]["capture"] or {"done": 0})["done"] >= n)
            service.kill()
            service.start()
        assert printer.done.wait(120)
        time.sleep(0.5)
    (tmp_path / "port").unlink()


def test_the_whole_way_in_a_browser(
    tmp_path: Path, make_service: Callable, rig_text: str, browser: Any, label: Callable
) -> None:
    service = make_service(rig_text)
    service.start()
    browser.open(f"{service.address}/", 390, 844)
    browser.until("document.getElementById('answer').textContent == 'A printer cannot be heard'")
    sliced = tmp_path / "plant label.gcode"
    sliced.write_text(label(4))
    found = browser.ask("POST", "/element", {"using": "css selector", "value": "#file-shed"})
    browser.ask("POST", f"/element/{next(iter(found.values()))}/value", {"text": str(sliced)})
    browser.until(READY, 120)
    assert "4 shots in 4 layers add" in browser.run("document.getElementById('added').textContent")
    assert browser.accessibility_faults() == []
    browser.click("#content button.main")
    browser.until("document.getElementById('said').textContent.startsWith('copied to')")
    printed(tmp_path, service)
    state = service.until(lambda state: state["jobs"][0]["state"] == "done" and not state["working"], 180)
    assert state["jobs"][0]["why"] == ""
    browser.until("!!document.querySelector('video')", 30)
    browser.until("document.querySelector('video').readyState >= 1", 30)
    assert browser.run("document.querySelector('video').duration") > 0.1
    assert browser.accessibility_faults() == []
    assert browser.run("document.documentElement.scrollWidth <= window.innerWidth")
    assert browser.errors() == []
    frames = sorted((service.folder / "jobs" / state["jobs"][0]["code"] / "frames").rglob("*.jpg"))
    assert len(frames) == 8


def test_a_service_that_is_killed_twice_goes_on_with_the_print(
    tmp_path: Path, make_service: Callable, rig_text: str, label: Callable
) -> None:
    service = make_service(rig_text)
    service.start()
    record = service.ask("/printers/shed/files?name=label.gcode", label(12).encode())
    service.kill()  # while it plans
    service.start()
    service.until(lambda state: state["jobs"][0]["state"] == "ready" and not state["working"])
    service.ask(f"/jobs/{record['code']}/send", {})
    printed(tmp_path, service, kills=(2, 5))
    service.until(lambda state: state["jobs"][0]["state"] == "filming" and state["working"], 60)
    service.kill()  # while it films
    service.start()
    state = service.until(lambda state: state["jobs"][0]["state"] == "done" and not state["working"], 180)
    assert "film.mp4" in state["jobs"][0]["files"]
    frames = sorted((service.folder / "jobs" / record["code"] / "frames").rglob("*.jpg"))
    assert len(frames) >= 8  # of 24: what fell into the seconds of the restarts is missing


def test_a_rig_with_a_fault_stops_no_other_printer(make_service: Callable, rig_text: str) -> None:
    service = make_service(rig_text)
    bad = service.folder / "printers" / "bad"
    bad.mkdir()
    (bad / "rig.toml").write_text("[printer]\nbed = 3\n")
    service.start()
    state = service.ask("/state")
    troubles = {printer["name"]: printer["trouble"] for printer in state["printers"]}
    assert troubles["shed"] == "" and "bed" in troubles["bad"]


def test_strangers_and_wrong_requests_are_refused(make_service: Callable, rig_text: str) -> None:
    service = make_service(rig_text)
    service.start()

    def status(path: str, body: Any = None, **headers: str) -> int:
        try:
            service.ask(path, body, **headers)
            return 200
        except urllib.error.HTTPError as error:
            with error:
                return error.code

    assert status("/jobs/a1b2c3/status") == 404
    assert status("/jobs/..%2f..%2fx/files/plan.json") == 404
    assert status("/printers/nobody/files?name=x.gcode", b"G28\n") == 409
    assert status("/printers/shed/files?name=x.gcode", b"\x00\x01") == 409
    assert status("/line", {"printer": "shed", "line": "x" * 2000}) == 400
    assert status("/line", {"printer": "shed", "line": "x", "more": 1}) == 400
    assert status("/line", b"x") == 415
    assert status("/state", Host="evil.example") == 421
    assert status("/line", {"line": "hello"}, Origin="http://evil.example") == 403
    assert service.ask("/line", {"printer": "shed", "line": "twinlapse cue 1.1 wide"})["meaning"] == "cue"
    assert "former versions" in json.dumps(service.ask("/state"))


def test_a_phone_that_has_shown_the_token_sees_pictures_and_edits_the_plan(
    make_service: Callable, rig_text: str, browser: Any, label: Callable
) -> None:
    """The token is shown once; then files open like any link, and the viewer saves into the job."""
    service = make_service(rig_text)
    service.start("--listen", "0.0.0.0", "--expose")
    token = (service.folder / "token").read_text().strip()
    with pytest.raises(urllib.error.HTTPError, match="401"):
        service.ask("/state")
    shown = {"Authorization": f"Bearer {token}"}
    code = service.ask("/printers/shed/files?name=label.gcode", label(6).encode(), **shown)["code"]
    browser.open(f"{service.address}/")  # the page is open already, and asks for the token
    browser.until("!document.getElementById('login').hidden")
    assert browser.accessibility_faults() == []
    browser.open(f"{service.address}/#/?token={token}")
    browser.until(f"document.body.innerText.includes('{code}')")
    assert token not in browser.run("location.href")
    for _ in range(300):
        state = service.ask("/state", **shown)
        if state["jobs"][0]["state"] == "ready" and not state["working"]:
            break
        time.sleep(0.2)
    browser.open(f"{service.address}/jobs/{code}/files/plan.html")
    browser.until("document.body.classList.contains('ready')")
    browser.run("(twinlapse.edits.toggle(2), document.getElementById('save').disabled = false)")
    browser.click("#save")
    browser.until("document.getElementById('said').textContent.includes('being written')")
    for _ in range(300):
        job = service.ask("/state", **shown)["jobs"][0]
        if job["state"] == "ready" and job["shots"] == 5:
            break
        time.sleep(0.2)
    assert job["shots"] == 5 and job["why"] == ""
    written = (service.folder / "jobs" / code / "filmed.gcode").read_text()
    assert "; twinlapse shot 3 begin" not in written and "; twinlapse shot 4 begin" in written
    assert [line for line in browser.errors() if "401" not in line] == []
