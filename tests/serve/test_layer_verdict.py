"""The whole way with the first layer judged: Chromium uploads, sends and watches; a rehearsed printer prints.

The pictures are rendered from the written file by the rehearsal; what the service keeps is held against them,
frame by frame. What the lamp and the supply did is read from what their commands noted.
"""

from __future__ import annotations

import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

import twinlapse
from twinlapse.capture.trust import commands_of, trust
from twinlapse.rig import read_rig

from .rehearsed_shed import Shed, open_shed, printed, shed_rig, taken

pytestmark = pytest.mark.slow


def offline(browser: Any, on: bool) -> None:
    """Cut the browser's network, or join it again (Chrome DevTools Protocol, Network domain)."""
    browser.ask("POST", "/goog/cdp/execute", {"cmd": "Network.enable", "params": {}})
    how = {"offline": on, "latency": 0, "downloadThroughput": -1, "uploadThroughput": -1}
    browser.ask("POST", "/goog/cdp/execute", {"cmd": "Network.emulateNetworkConditions", "params": how})


def answer(browser: Any) -> str:
    return str(browser.run("document.getElementById('answer').textContent"))


def done_shots(service: Any) -> int:
    return int(service.ask("/state")["printers"][0]["capture"]["done"])


def press(browser: Any, words: str) -> None:
    browser.run(
        f"[...document.querySelectorAll('#content button')].find(b => b.textContent == {words!r}).click()"
    )


def ready_to_print(
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    make_service: Callable,
    browser: Any,
    shed: Shed,
    rig: str,
) -> tuple[Any, Path]:
    """Start the service, upload the sliced sample in the browser, read the added time, send the file."""
    for name in ("RUNTIME_DIR", "CONFIG_HOME"):
        (tmp_path / name).mkdir()
        monkeypatch.setenv(f"XDG_{name}", str(tmp_path / name))
    (tmp_path / name).chmod(0o700)
    service = make_service(rig)
    trust(commands_of(read_rig(service.folder / "printers" / "shed" / "rig.toml")))
    service.start()
    browser.open(f"{service.address}/", 390, 844)
    browser.until("!!document.getElementById('file-shed')")
    found = browser.ask("POST", "/element", {"using": "css selector", "value": "#file-shed"})
    sliced = {"text": str(tmp_path / "sample" / "pot.gcode")}
    browser.ask("POST", f"/element/{next(iter(found.values()))}/value", sliced)
    browser.until("document.body.innerText.includes('ready to print')", 240)
    added = browser.run("document.getElementById('added').textContent")
    assert "in 140 layers add" in added and "%" in added, added
    browser.click("#content button.main")
    browser.until("document.getElementById('said').textContent.startsWith('copied to')")
    (written,) = (tmp_path / "card").glob("*.gcode")
    assert shed.switched() == []  # nothing is on before a print
    return service, written


def on_only_for_the_print(shed: Shed) -> None:
    """The supply came on with the first line and went off with the last, and the lamp burned in between."""
    told = shed.switched()
    power = [(what, at_s) for what, at_s in told if what.startswith("power")]
    assert [what for what, _ in power] == ["power-on", "power-off"], told
    assert shed.began_s - 1.0 <= power[0][1] <= shed.began_s + 10.0
    assert power[1][1] >= shed.ended_s - 1.0
    lamp = [(what, at_s) for what, at_s in told if what.startswith("lamp")]
    assert lamp[-1][0] == "lamp-off" and lamp[-1][1] <= power[1][1] + 1.0
    on = [at_s for what, at_s in lamp if what == "lamp-on"]
    assert on and all(shed.began_s <= at_s <= shed.ended_s for at_s in on), told


def test_layer_1_is_judged_while_the_print_goes_on(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, make_service: Callable, browser: Any
) -> None:
    twinlapse.copy_sample(tmp_path / "sample")
    with open_shed(tmp_path) as (shed, wide, nozzle):
        sample = (tmp_path / "sample" / "rig.toml").read_text()
        rig_text = shed_rig(sample, tmp_path, wide.stream, nozzle.stream)
        service, written = ready_to_print(tmp_path, monkeypatch, make_service, browser, shed, rig_text)
        rig = read_rig(service.folder / "printers" / "shed" / "rig.toml")
        shed.paint(written, rig)
        with printed(shed, written, rig) as printer:
            service.until(lambda state: state["printers"][0]["channels"]["serial"] == "", 20)
            printer.start()
            browser.until("document.getElementById('answer').textContent == 'Printing'", 30)
            assert browser.accessibility_faults() == []
            browser.until("document.getElementById('answer').textContent == 'It waits for you'", 300)
            assert shed.told == b""
            browser.until("!!document.querySelector('#content b.sound')", 600)
            assert browser.run("document.querySelector('#content b.sound').textContent") == "Layer 1 is sound"
            browser.until("document.querySelector('.map')?.naturalWidth > 100", 30)
            assert browser.accessibility_faults() == []
            (tmp_path / "waits.png").write_bytes(browser.picture())
            press(browser, "Go on printing")
            assert "M108" in browser.run("document.getElementById('sure-question').textContent")
            browser.click("#sure-yes")
            browser.until("document.getElementById('answer').textContent == 'Layer 1 is sound'", 60)
            assert shed.told == b"M108\n"
            assert browser.run("document.title") == "Layer 1 is sound - twinlapse"
            browser.until("/Ends at about/.test(document.getElementById('ends')?.textContent)", 60)
            before = done_shots(service)
            offline(browser, True)
            browser.until("document.body.classList.contains('stale')", 30)
            assert answer(browser) == "No answer"
            lost = browser.run("document.getElementById('lost').innerText")
            assert "does not answer" in lost and "old" in lost
            assert browser.run("document.querySelectorAll('#content button:not(:disabled)').length") == 0
            shown = browser.run("document.querySelector('.figure').textContent")
            service.until(lambda state: state["printers"][0]["capture"]["done"] >= before + 5, 120)
            assert browser.run("document.querySelector('.figure').textContent") == shown
            offline(browser, False)
            browser.until("!document.body.classList.contains('stale')", 30)
            assert answer(browser) == "Layer 1 is sound"
            browser.until(
                "[...document.querySelectorAll('.views img')].filter(i => i.naturalWidth > 100).length == 2"
            )
            assert browser.accessibility_faults() == []
            (tmp_path / "during.png").write_bytes(browser.picture())
            assert printer.done.wait(300)
            shed.ended_s = time.time()
        state = service.until(lambda state: state["jobs"][0]["state"] == "done" and not state["working"], 420)
        job = service.folder / "jobs" / state["jobs"][0]["code"]
        assert state["jobs"][0]["why"] == ""
        wanted, got = len(shed.pictures), len(taken(job))
        assert got >= 0.9 * wanted, f"{got} of {wanted} frames"  # a machine that is busy misses some
        assert shed.wrong_frames(job) == []
        on_only_for_the_print(shed)
        browser.until("document.querySelector('video')?.readyState >= 1", 60)
        assert browser.run("document.querySelector('video').duration") > 1.0
        browser.run("document.querySelector('video').play().then(() => true)")
        browser.until("document.querySelector('video').currentTime > 0.2", 30)
        assert browser.accessibility_faults() == []
        cut = ("net::ERR_INTERNET_DISCONNECTED", "401")
        assert [line for line in browser.errors() if not any(words in line for words in cut)] == []


def test_a_gap_in_layer_1_is_shown_and_the_print_is_given_up(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, make_service: Callable, browser: Any
) -> None:
    twinlapse.copy_sample(tmp_path / "sample")
    with open_shed(tmp_path) as (shed, wide, nozzle):
        sample = (tmp_path / "sample" / "rig.toml").read_text()
        rig_text = shed_rig(sample, tmp_path, wide.stream, nozzle.stream)
        service, written = ready_to_print(tmp_path, monkeypatch, make_service, browser, shed, rig_text)
        rig = read_rig(service.folder / "printers" / "shed" / "rig.toml")
        shed.paint(written, rig, [("gap", 4.0)])
        with printed(shed, written, rig) as printer:
            service.until(lambda state: state["printers"][0]["channels"]["serial"] == "", 20)
            printer.start()
            browser.until("document.getElementById('answer').textContent == 'It waits for you'", 300)
            browser.until("!!document.querySelector('#content b.fault')", 600)
            assert "gap" in browser.run(
                "document.querySelector('#content b.fault').parentElement.textContent"
            )
            browser.until("document.querySelector('.map')?.naturalWidth > 100", 30)
            assert browser.accessibility_faults() == []
            (tmp_path / "found.png").write_bytes(browser.picture())
            press(browser, "Stop the print")
            assert "M112" in browser.run("document.getElementById('sure-question').textContent")
            browser.click("#sure-yes")
            browser.until("document.getElementById('said').textContent.includes('M112')")
            shed.ended_s = time.time()
            printer.close()
        service.until(lambda state: state["jobs"][0]["state"] == "done" and not state["working"], 300)
        assert shed.told == b"M112\n"
        on_only_for_the_print(shed)
        browser.until("document.querySelector('video')?.readyState >= 1", 60)
