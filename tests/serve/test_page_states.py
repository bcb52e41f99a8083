"""Every state of the service's pages in a browser, without a print: what it says, to whom, and by which keys.

axe-core's rules are those of WCAG 2.x as tests. The words of the states are this project's own.
"""

from __future__ import annotations

import base64
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from twinlapse.serve.rig_report import rig_report

from . import page_stub
from .page_stub import CODE, FINISHED, FOUND, NOW_S, SOUND, STATES, WAITS, PageStub, printing, rig, state

PHONE, DESK = (390, 844), (1280, 800)
TAB, ENTER, ESCAPE, SPACE = "\ue004", "\ue007", "\ue00c", " "
WORDS = {
    "nothing yet": "No printer yet",
    "overview, unheard": "A printer cannot be heard",
    "overview, rig at fault": "Trouble",
    "during, printing": "Printing",
    "during, sound": "Layer 1 is sound",
    "during, look here": "Look here",
    "during, trouble": "Trouble",
    "hold waiting": "It waits for you",
}
HOSTILE = "<img src=x onerror=\"document.title='owned'\"><script>document.title='owned'</script>"


@pytest.fixture
def stub() -> Iterator[PageStub]:
    made = PageStub()
    yield made
    made.close()


@pytest.fixture
def rig_answers(tmp_path: Path) -> dict[str, Any]:
    import twinlapse

    twinlapse.copy_sample(tmp_path)
    report = {
        **rig_report(tmp_path / "rig.toml"),
        "file": "/home/club/rig.toml",
        "untrusted": "  /usr/bin/lamp on",
    }
    return {**rig(report), "/cameras": page_stub.BOARD}


def shown(
    browser: Any, stub: PageStub, where: str, answers: dict[str, Any], size: tuple[int, int] = PHONE
) -> None:
    """Open an address of the page anew in front of these answers."""
    stub.show(answers)
    stub.away = False
    browser.open("about:blank")
    browser.open(f"{stub.address}/#/{where}", *size)
    browser.until(
        "!document.body.classList.contains('stale') && document.getElementById('content').children.length"
    )


def dark(browser: Any, on: bool) -> None:
    features = [{"name": "prefers-color-scheme", "value": "dark" if on else "light"}]
    browser.ask(
        "POST", "/goog/cdp/execute", {"cmd": "Emulation.setEmulatedMedia", "params": {"features": features}}
    )


def sound_page(browser: Any) -> None:
    """Nothing that axe-core finds, nothing that scrolls sideways, nothing from elsewhere, no complaint."""
    assert browser.accessibility_faults() == []
    assert browser.run("document.documentElement.scrollWidth <= window.innerWidth")
    origins = "performance.getEntriesByType('resource').map(entry => new URL(entry.name).origin)"
    assert browser.run(f"{origins}.every(origin => origin === location.origin)")
    assert browser.errors() == []


@pytest.mark.slow
@pytest.mark.parametrize("size", [PHONE, DESK, (320, 640)], ids=["phone", "desk", "small phone"])
@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_every_state_is_for_everybody(
    browser: Any, stub: PageStub, rig_answers: dict[str, Any], size: tuple[int, int], scheme: str
) -> None:
    dark(browser, scheme == "dark")
    for name, (where, answers) in {**STATES, "rig": ("rig/shed", rig_answers)}.items():
        shown(browser, stub, where, answers, size)
        if name in WORDS:
            assert browser.run("document.getElementById('answer').textContent") == WORDS[name], name
            assert browser.run("document.title") == f"{WORDS[name]} - twinlapse", name
        sound_page(browser)
        stub.away = True
        browser.until("document.body.classList.contains('stale')")
        assert browser.accessibility_faults() == [], name
        browser.errors()


def test_who_lost_the_service_is_told_in_large_letters(browser: Any, stub: PageStub) -> None:
    shown(browser, stub, f"job/{CODE}", printing({"looks": [FOUND]}, {"waits": WAITS}))
    assert browser.run("document.querySelectorAll('#content button:disabled').length") == 0
    stub.away = True
    browser.until("document.getElementById('lost-words').textContent == 'The service does not answer'")
    assert browser.run("document.title") == "No answer - twinlapse"
    size_px = "parseFloat(getComputedStyle(document.getElementById('lost-words')).fontSize)"
    assert browser.run(size_px) >= 24  # large text of WCAG 2.2, 1.4.3
    assert browser.run("document.querySelectorAll('#content button:not(:disabled)').length") == 0
    assert "grayscale" in browser.run("getComputedStyle(document.getElementById('content')).filter")
    browser.until("/what you see is [1-9]/i.test(document.getElementById('lost-age').textContent)")
    stub.away = False
    browser.until("document.title == 'It waits for you - twinlapse'")
    assert browser.run("document.getElementById('lost').hidden")
    assert browser.run("document.querySelectorAll('#content button:disabled').length") == 0


def test_stopping_a_print_is_confirmed_and_works_by_keys_alone(browser: Any, stub: PageStub) -> None:
    shown(browser, stub, f"job/{CODE}", printing({"looks": [FOUND]}, {"waits": WAITS}))
    stub.answers[f"POST /jobs/{CODE}/stop"] = {"said": "The printer was told to stop."}

    def go_to(words: str) -> None:
        for _ in range(40):
            if browser.run("document.activeElement.textContent") == words:
                return
            browser.press(TAB)
        raise AssertionError(f"no key reaches {words!r}")

    go_to("Stop the print")
    assert browser.run("getComputedStyle(document.activeElement).outlineStyle") == "solid"
    browser.press(ENTER)
    browser.until("document.getElementById('sure').open")
    assert browser.run("document.activeElement.id") == "sure-no"  # what a hasty key does is harmless
    assert browser.accessibility_faults() == []
    browser.press(ESCAPE)
    browser.until("!document.getElementById('sure').open")
    browser.press(ENTER)
    browser.until("document.getElementById('sure').open")
    browser.press(ENTER)
    browser.until("!document.getElementById('sure').open")
    assert stub.posted == []
    go_to("Stop the print")
    browser.press(SPACE)
    browser.until("document.getElementById('sure').open")
    go_to("Stop it")
    browser.press(ENTER)
    browser.until("document.getElementById('said').textContent == 'The printer was told to stop.'")
    assert stub.posted == [(f"/jobs/{CODE}/stop", b'{"layer":1}')]
    assert browser.run("document.activeElement.textContent") == "Stop the print"  # the focus came back


def test_a_refusal_is_shown_and_a_lost_service_sends_nothing(browser: Any, stub: PageStub) -> None:
    shown(browser, stub, f"job/{CODE}", printing({}, {"waits": WAITS}))
    stub.refuses[f"/jobs/{CODE}/go-on"] = (409, {"error": "the printer does not wait any more", "hint": ""})
    browser.run(
        "[...document.querySelectorAll('button')].find(b => b.textContent == 'Go on printing').click()"
    )
    browser.click("#sure-yes")
    browser.until("document.getElementById('said').textContent == 'the printer does not wait any more'")
    browser.run(
        "[...document.querySelectorAll('button')].find(b => b.textContent == 'Stop the print').click()"
    )
    stub.away = True
    browser.until("document.body.classList.contains('stale')")
    browser.click("#sure-yes")  # the question was open when the service was lost
    time.sleep(0.5)
    assert [path for path, _ in stub.posted] == [f"/jobs/{CODE}/go-on"]


def test_what_changes_nothing_touches_nothing(browser: Any, stub: PageStub) -> None:
    """A film plays on, a box stays ticked, no picture is fetched again while the page looks each second."""
    shown(
        browser, stub, f"job/{CODE}", {**state(FINISHED), f"/jobs/{CODE}/plan": {"warnings": [], "waits": 0}}
    )
    browser.run("document.querySelector('.checks input').click()")
    browser.run("void (window.kept = document.querySelector('video'))")
    browser.until("[...document.images].every(image => image.complete)")
    before = [path for path in stub.fetched if path.endswith(".jpg")]
    browser.run("void (window.touched = 0)")
    watch = (
        "new MutationObserver(all => window.touched += all.length).observe(document.body, {subtree: true, "
    )
    browser.run(f"void {watch}childList: true, attributes: true, characterData: true}})")
    looks = stub.fetched.count("/state")
    while stub.fetched.count("/state") < looks + 3:
        time.sleep(0.1)
    assert browser.run("window.touched") == 0
    assert browser.run("document.querySelector('video') === window.kept && window.kept.isConnected")
    assert browser.run("document.querySelector('.checks input').checked")
    assert [path for path in stub.fetched if path.endswith(".jpg")] == before
    stub.answers["/state"]["jobs"][0]["state"] = "filming"
    browser.until("document.body.innerText.includes('the film is being made')")
    assert browser.run("document.querySelector('video') === window.kept")
    assert browser.run("document.querySelector('.checks input').checked")


def test_words_from_outside_stay_words(browser: Any, stub: PageStub) -> None:
    """Names and messages as hostile as they may come: neither script nor markup of theirs takes effect."""
    job = {"name": HOSTILE, "why": HOSTILE, "state": "done"}
    printer = {"trouble": HOSTILE, "channels": {HOSTILE: HOSTILE}}
    answers = {**state(job, printer), f"/jobs/{CODE}/plan": {"warnings": [HOSTILE], "waits": 0}}
    lines = [{"at_s": NOW_S, "channel": HOSTILE, "text": HOSTILE, "meaning": HOSTILE}]
    answers["/printers/shed/lines"] = {"channels": {}, "lines": lines}
    finding = {
        "camera": "wide",
        "name": HOSTILE,
        "holds": False,
        "text": HOSTILE,
        "hint": HOSTILE,
        "values": {},
    }
    camera = {
        "name": "wide", "mount": "frame", "size_px": [640, 480], "rotate_deg": 0, "mirror": False,
        "nozzle_mm": [1, 2, 3], "step_mm": 10, "tip_px": None, "lines": [],
    }  # fmt: skip
    report = {"cameras": [camera], "findings": [finding], "file": HOSTILE, "untrusted": HOSTILE}
    answers |= {"/rigs/shed/report": report, "POST /rigs/shed/look": rig(report)["POST /rigs/shed/look"]}
    for where in ("", f"job/{CODE}", "printer/shed", "rig/shed", f"job/{'%3Cimg%3E'}"):
        shown(browser, stub, where, answers)
        browser.until("document.querySelector('h1')")
        time.sleep(0.3)
        assert browser.run("document.title").startswith("Trouble")
        assert browser.run("document.querySelectorAll('#content script, #content img[src=x]').length") == 0
        assert browser.run("document.documentElement.scrollWidth <= window.innerWidth"), where
    look = {**SOUND, "state": "found", "words": HOSTILE}
    shown(
        browser, stub, f"job/{CODE}", printing({"looks": [look]}, {"waits": {**WAITS, "otherwise": HOSTILE}})
    )
    assert browser.run("document.title") == "Look here - twinlapse" or "waits" in browser.run(
        "document.title"
    )
    assert browser.run("document.querySelectorAll('#content script, #content img[src=x]').length") == 0


@pytest.mark.parametrize(("rotate_deg", "mirror"), [(0, False), (90, False), (180, True), (270, True)])
def test_live_pictures_are_shown_upright(browser: Any, stub: PageStub, rotate_deg: int, mirror: bool) -> None:
    """Against numpy's own turning of the same picture."""
    import io

    import numpy as np
    from PIL import Image

    size = [640, 480] if rotate_deg % 180 == 0 else [480, 640]
    camera = {
        "name": "wide", "mount": "frame", "size_px": size, "rotate_deg": rotate_deg, "mirror": mirror,
        "nozzle_mm": [1, 2, 3], "step_mm": 50, "tip_px": [10, 20],
        "lines": [{"kind": "outline", "points": [[0, 0], [100, 100]]}],
    }  # fmt: skip
    report = {"cameras": [camera], "findings": [], "file": "rig.toml", "untrusted": ""}
    shown(browser, stub, "rig/shed", rig(report), DESK)
    browser.until("document.querySelector('canvas')?.dataset.drawn > 0")
    drawn = browser.run("document.querySelector('canvas').toDataURL('image/png').split(',')[1]")
    got = np.asarray(Image.open(io.BytesIO(base64.b64decode(drawn))).convert("RGB"), float)
    sent = np.asarray(Image.open(io.BytesIO(page_stub.picture("/rigs/shed/cameras/wide.jpg"))), float)
    wanted = np.rot90(sent[:, ::-1] if mirror else sent, -rotate_deg // 90)
    assert got.shape == wanted.shape
    assert np.abs(got - wanted).mean() < 2.0
    assert (
        browser.run("document.querySelector('.live svg').getAttribute('viewBox')")
        == f"0 0 {size[0]} {size[1]}"
    )
    box = "document.querySelector('.live {}').getBoundingClientRect()"
    wide = browser.run(f"{box.format('svg')}.width - {box.format('canvas')}.width")
    assert abs(wide) < 0.5


def test_nobody_looks_at_a_hidden_or_left_page(
    browser: Any, stub: PageStub, rig_answers: dict[str, Any]
) -> None:
    shown(browser, stub, "rig/shed", rig_answers)
    browser.until("document.querySelector('canvas')?.dataset.drawn > 1")
    browser.run("location.hash = '#/'")
    browser.until("!document.querySelector('canvas')")
    time.sleep(0.8)  # what was on its way
    posted, fetched = len(stub.posted), len(stub.fetched)
    time.sleep(2.5)
    assert len(stub.posted) == posted
    assert not [path for path in stub.fetched[fetched:] if "cameras" in path]
