"""What an editor adds: captions, close-ups, cards, sound, a slower beginning, words of any script."""

from __future__ import annotations

import json
import wave
from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import av
import cv2
import numpy as np
import pytest
from click.testing import CliRunner
from fontTools.fontBuilder import FontBuilder
from fontTools.pens.ttGlyphPen import TTGlyphPen
from PIL import features

from twinlapse.cli.root import cli
from twinlapse.errors import MissingFileError, RenderError
from twinlapse.film import FilmOptions, render_film
from twinlapse.film.cards import end_card, picture_box, title_card
from twinlapse.film.close_up import close_up_of
from twinlapse.film.events import close_up_moments, events_of_file, moments_of, shown_moments
from twinlapse.film.frame_times import (
    CAPTION_S,
    HOLD_S,
    SHORTEST_CAPTION_S,
    ZOOM_S,
    Beat,
    ease_of,
    schedule,
    with_captions,
    with_close_ups,
)
from twinlapse.film.layout import Box, arrange, safe_area
from twinlapse.film.lettering import Lettering, broken, runs_left
from twinlapse.film.overlay import Overlay
from twinlapse.film.overlay_values import Facts
from twinlapse.film.scene import FilmScene
from twinlapse.film.stencil import Plate, plate
from twinlapse.frames.sequence import FrameSequence, read_sequence
from twinlapse.job_film import layer_reports, print_facts
from twinlapse.rig.film_settings import SHAPES, Filming, film_size
from twinlapse.shots import Plan, Shot, Stop, write_plan

FACTS = Facts(share=1.0, count=(9, 9), is_layer=True, height_mm=2.7, elapsed_s=60.0, remaining_s=0.0)


def luminance(codes: np.ndarray) -> np.ndarray:
    """Relative luminance as WCAG 2.2 defines it."""
    value = codes / 255
    light = np.where(value <= 0.04045, value / 12.92, ((value + 0.055) / 1.055) ** 2.4)
    return np.asarray(light @ [0.2126, 0.7152, 0.0722])


# --- words of any script


@pytest.fixture(scope="module")
def ideographs(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A font with some ideographs and kana, each a box with a bar of its own place, and no Latin letters."""
    letters = "苗木鉢植物札学校園芸部のをー、。「」"
    names = [".notdef", *(f"uni{ord(letter):04X}" for letter in letters)]
    builder = FontBuilder(1000, isTTF=True)
    builder.setupGlyphOrder(names)
    builder.setupCharacterMap({ord(letter): name for letter, name in zip(letters, names[1:], strict=True)})
    glyphs = {}
    for number, name in enumerate(names):
        pen = TTGlyphPen(None)
        for x0, y0, x1, y1 in ((50, 0, 120, 800), (50, 40 * number, 900, 40 * number + 60)):
            pen.moveTo((x0, y0))
            for place in ((x0, y1), (x1, y1), (x1, y0)):
                pen.lineTo(place)
            pen.closePath()
        glyphs[name] = pen.glyph()
    builder.setupGlyf(glyphs)
    builder.setupHorizontalMetrics(dict.fromkeys(names, (1000, 50)))
    builder.setupHorizontalHeader(ascent=900, descent=-200)
    builder.setupNameTable({"familyName": "Boxes", "styleName": "Regular"})
    builder.setupOS2()
    builder.setupPost()
    path = tmp_path_factory.mktemp("font") / "boxes.ttf"
    builder.save(path)
    return path


def test_ideographs_break_anywhere_but_before_closing_marks(ideographs: Path) -> None:
    # UAX #14: between ideographs a line may break; not before closing marks, not after opening ones
    text = "学校の園芸部、苗木「植物」札ー鉢。"
    lettering = Lettering(str(ideographs))
    for width in (110, 150, 190, 260):
        lines = broken(text, lettering, 40, width)
        assert "".join(lines) == text and len(lines) > 1
        assert all(line[0] not in "、。」ー" and line[-1] not in "「" for line in lines), lines
        assert all(lettering.mask(line, 40).shape[1] <= max(width, 3 * 40 + 10) for line in lines)
    # words that the film says itself have letters all the same: those of the fonts that come along
    assert lettering.mask("LAYER", 24).max() == 255


@pytest.mark.skipif(not features.check("raqm"), reason="needs a Pillow with raqm, as its wheels have it")
@pytest.mark.parametrize("words", ["עציץ לשתילים של גינת בית הספר", "أصيص شتلات من نادي حديقة المدرسة"])
def test_words_from_right_to_left_stand_on_the_right(words: str) -> None:
    assert runs_left(words) and runs_left("12 " + words) and not runs_left("Pot " + words)
    for card in (
        title_card(Filming(title=words), (FACTS,), Lettering()),
        end_card(Filming(title=words), (FACTS,), Lettering(), 7000.0),
    ):
        drawn = np.abs(card.astype(int) - card[0, 0]).max(axis=2) > 40
        safe, columns = safe_area((1280, 720)), np.flatnonzero(drawn.any(axis=0))
        assert safe.right - columns[-1] < 60 and columns[-1] < safe.right and columns[0] >= safe.x


def frames_of(folder: Path, count: int = 6, size: tuple[int, int] = (320, 180)) -> FrameSequence:
    folder.mkdir(parents=True)
    scene = cv2.resize(np.random.default_rng(2).integers(40, 200, (12, 16, 3)).astype(np.uint8), size)
    for shot in range(1, count + 1):
        view = scene.copy()
        cv2.rectangle(view, (150, 150 - 9 * shot), (190, 150), (40, 80, 200), -1)
        cv2.imwrite(str(folder / f"{shot:06d}.png"), view)
    return read_sequence(folder, folder.name)


def test_a_letter_that_no_font_has_is_said_before_anything_is_measured(tmp_path: Path) -> None:
    sequence = frames_of(tmp_path / "wide")
    for file in sequence.files:
        file.path.write_bytes(b"")  # measured, these would fail with another error
    for filming in (Filming(title="鉢"), Filming(font=str(tmp_path / "none.ttf"))):
        with pytest.raises(RenderError, match=r"no letter for|cannot be read"):
            render_film({"wide": sequence}, None, FilmOptions(filming=filming), tmp_path / "film.mp4")
    said = CliRunner().invoke(
        cli,
        ["render", "--frames", f"wide={tmp_path / 'wide'}", "-o", str(tmp_path / "f.mp4"), "--title", "鉢"],
    )
    assert isinstance(said.exception, RenderError)


# --- pace


def test_a_film_longer_than_six_seconds_begins_slowly_and_shows_every_shot() -> None:
    assert ease_of(180, Filming()) == 0 and ease_of(181, Filming()) > 0
    assert ease_of(50, Filming(length_s=6.5)) > 0 and ease_of(999, Filming(loop=True)) == 0
    slots = [beat.slot for beat in schedule(300, Filming(last_s=0))]
    assert sorted(set(slots)) == list(range(300))
    assert slots.index(150) > len(slots) / 2 and slots[:2] == [0, 0] and len(slots) <= 300 * 1.36
    assert [beat.slot for beat in schedule(300, Filming(last_s=0, ease=0))] == list(range(300))


def test_close_ups_stand_go_back_and_come_once() -> None:
    filming = Filming(last_s=0.2)
    plain = schedule(60, filming)
    beats = with_close_ups(plain, (0, 1, 30), filming)
    way, hold = round(ZOOM_S * 30), round(HOLD_S * 30)
    assert len(beats) == len(plain) + 2 * hold + 3 * way
    near = np.array([beat.near for beat in beats])
    assert near[0] == 1 and near[-1] == 0
    assert np.abs(np.diff(near)).max() < 0.1  # it glides
    assert [beat.slot for beat in beats] == sorted(beat.slot for beat in beats)
    assert {beat.slot for beat in beats if beat.near == 1} == {0, 1, 30}
    loop = Filming(loop=True)
    assert sum(beat.near == 1 for beat in with_close_ups(schedule(20, loop), (5,), loop)) == hold + 1


def test_captions_last_long_enough_to_read_and_do_not_overlap() -> None:
    filming = Filming(fps=30, last_s=4)
    beats = with_captions(schedule(40, filming), (0, 3, 39), filming)
    shown = [[place for place, beat in enumerate(beats) if beat.caption == number] for number in range(3)]
    length, least = round(CAPTION_S * 30), round(SHORTEST_CAPTION_S * 30)
    assert [len(places) for places in shown] == [least, least, min(length, len(beats) - 2 * least)]
    assert [places[0] for places in shown] == [0, least, 2 * least]
    short = Filming(fps=30, last_s=0)
    # each stands as long as it does where nothing follows soon, and none comes before its moment
    beats = with_captions(schedule(200, filming), (0, 190), filming)
    assert sum(beat.caption == 0 for beat in beats) == length
    assert next(beat.slot for beat in beats if beat.caption == 1) == 190
    assert all(beat.caption < 0 for beat in with_captions(schedule(30, short), (0,), short))
    assert max(beat.strength for beat in beats) == 1
    assert shown_moments((0, 4, 90), [0, 3, 6, 9]) == (0, 6, 9)


# --- what happened


def shot(number: int, layer: int) -> Shot:
    stop = Stop(cameras=("wide",), x_mm=0, y_mm=0, z_mm=0, dwell_s=1, stance="clear")
    return Shot(
        number=number, after_line=1, byte=0, layer=layer, z_mm=0.3 * (layer + 1), at_s=9.0 * number,
        cost_s=1.0,         lift_mm=0,
        retract="none", retract_mm=0, retract_mm_s=0, stops=(stop,),
    )  # fmt: skip


def plan_of(layers: list[int]) -> Plan:
    shots = tuple(shot(number, layer) for number, layer in enumerate(layers, 1))
    return Plan(
        original_sha256="", rig={}, shots=shots, print_s=99, cost_s=9, film_s=1, layer_count=layers[-1] + 1
    )


def layer_text(number: int, x: float, more: str = "") -> str:
    z = 0.3 * number
    square = [(x, 40), (x + 50, 40), (x + 50, 90), (x, 90), (x, 40)]
    moves = "\n".join(f"G1 X{px} Y{py} E1.5 F1800" for px, py in square[1:])
    return f";LAYER:{number - 1}\n{more}G1 Z{z:.2f} F600\nG1 X{x} Y40 F6000\n{moves}\n"


def test_a_sliced_file_tells_where_it_prints_and_when_filament_changes(tmp_path: Path) -> None:
    path = tmp_path / "pot.gcode"
    changes = {4: "M600\n", 6: "T1\n"}
    skirt = "G1 X5 Y5 F6000\nG1 X200 Y5 E4 F1800\n"
    path.write_text(
        "G28\nG90\nM83\nT0\n"
        + layer_text(1, 60, skirt)
        + "".join(layer_text(number, 60, changes.get(number, "")) for number in range(2, 9))
    )
    facts = print_facts(path)
    assert (facts.low_mm[:2], facts.high_mm[:2]) == ((60, 40), (110, 90))  # the skirt is none of the print
    events = events_of_file(facts)
    assert [(event.layer, event.words) for event in events] == [
        (3, "Filament changed"),
        (5, "Filament changed: filament 2"),
    ]
    plan = plan_of([0, 0, 2, 4, 6])

    class At:
        def __init__(self, number: int) -> None:
            self.shot = number

    slots = [At(number) for number in range(1, 6)]
    assert moments_of(events, slots, plan) == (3, 4)  # type: ignore[arg-type]
    assert moments_of(events, slots, None) == ()  # type: ignore[arg-type]
    facts_of_film = [replace(FACTS, count=(layer + 1, 9)) for layer in (0, 0, 2, 4, 6)]
    assert close_up_moments(facts_of_film, (3,)) == (0, 1, 3)


def test_reports_of_layers_become_captions_and_bad_ones_are_passed_over(tmp_path: Path) -> None:
    gap, blob = {"kind": "gap", "at_mm": [97.2, 96.5]}, {"kind": "blob", "at_mm": [10.0, 20.0]}
    absent = {"kind": "missing object", "at_mm": [50.0, 60.0]}
    risen, steady = {"lifted": True}, {"lifted": False}
    said: dict[int, dict[str, object]] = {
        1: {"overall": {"sound": True}, "defects": [], "corners": [steady]},
        2: {"overall": {"sound": False}, "defects": [gap, blob]},
        3: {"overall": {"sound": None}},
        5: {"overall": {"sound": False}, "defects": [gap, absent, blob], "corners": [risen, steady]},
        6: {"overall": {"sound": False}, "defects": [], "corners": [risen, risen]},
        7: {"overall": {"sound": False}, "defects": []},  # thin
        8: {"overall": {"sound": False}, "defects": [{}]},
    }
    for layer, value in said.items():
        (tmp_path / f"firstlayer-{layer}.json").write_text(json.dumps({"layer": layer, **value}))
    (tmp_path / "firstlayer-4.json").write_text(json.dumps({"other": 1}))
    (tmp_path / "firstlayer-9.json").write_text("{")
    assert [(event.layer, event.words) for event in layer_reports(tmp_path)] == [
        (0, "Layer 1: no defects found"),
        (1, "Layer 2: gap at X97 Y96 and 1 more"),
        (4, "Layer 5: a corner has risen, object missing at X50 Y60 and 2 more"),
        (5, "Layer 6: 2 corners have risen"),
        (6, "Layer 7: too little material"),
    ]


# WCAG 2.2, criterion 1.4.3: at least 4.5 to 1; SMPTE ST 2046-1: inside 90 % of width and height
@pytest.mark.parametrize("shape", SHAPES)
@pytest.mark.parametrize("ground", [255, 128, 0])
def test_captions_can_be_read_over_anything(shape: str, ground: int) -> None:
    words = "Layer 1: no defects found"
    filming = Filming(shape=shape, layout="single")
    layout = arrange(filming, {"wide": 16 / 9}, words=True)
    overlay = Overlay(
        layout=layout, filming=filming, lettering=Lettering(), labels={"wide": ""}, captions=(words,)
    )
    safe = safe_area(layout.size)
    overlay = replace(overlay, caption_at=(safe.x, safe.y + 40))
    below = np.full((layout.size[1], layout.size[0], 3), ground, np.uint8)
    frame = below.copy()
    drawn = overlay.caption(0, 1.0)
    for drawing in drawn:
        drawing.lay(frame)
    changed = np.flatnonzero((frame != below).any(axis=(0, 2)))
    if ground:
        assert changed[0] >= safe.x and changed[-1] < safe.right
    text = drawn[-1]
    tall, wide = text.keep.shape[:2]
    light = luminance(frame[text.y : text.y + tall, text.x : text.x + wide].astype(float))
    ink, between = light[text.keep[..., 0] == 0], light[text.keep[..., 0] == 255]
    assert (ink.min() + 0.05) / (between.max() + 0.05) >= 4.5


# --- cards and close-up


@pytest.mark.parametrize("shape", [*SHAPES, "1000x700"])
def test_the_end_card_holds_the_last_picture_and_words_keep_off_it(shape: str) -> None:
    size = film_size(Filming(shape=shape))
    box = picture_box(size)
    colour = np.full((box.height, box.width, 3), (10, 200, 90), np.uint8)
    words = "A seedling pot and forty plant labels printed by the school garden club"
    card = end_card(Filming(shape=shape, title=words), (FACTS,), Lettering(), 7000.0, colour)
    assert (card[box.y : box.bottom, box.x : box.right] == (10, 200, 90)).all()
    rest = np.abs(card.astype(int) - (0x0E, 0x12, 0x16)).max(axis=2) > 40
    rest[box.y : box.bottom, box.x : box.right] = False
    down, across = np.nonzero(rest)
    safe = safe_area(size)
    assert across.min() >= safe.x and across.max() < safe.right and down.min() >= safe.y
    assert down.max() < safe.bottom


def test_a_close_up_leaves_its_pane_and_fills_the_film() -> None:
    layout = arrange(
        Filming(layout="inset", inset_corner="top-right"), {"wide": 16 / 9, "near": 4 / 3}, words=True
    )
    alone = arrange(Filming(layout="single"), {"near": 4 / 3}, words=True)
    # its pane ends above the words, as one does whose print stands low
    alone = replace(alone, panes=(replace(alone.panes[0], box=Box(x=0, y=0, width=1280, height=580)),))
    stage = SimpleNamespace(composer=SimpleNamespace(layout=alone))
    close = close_up_of("near", stage, layout)  # type: ignore[arg-type]
    below, own = np.zeros((720, 1280, 3), np.uint8), np.full((720, 1280, 3), 200, np.uint8)
    own[580:] = 10
    home = layout.panes[1].box
    assert close.lay(below, own, 0.0).nonzero()[1].min() == home.x
    assert (close.lay(below, own, 1.0) == own).all()
    areas = [(close.lay(below, own, share) > 100).sum() for share in np.linspace(0, 1, 6)]
    assert areas == sorted(areas) and not below.any()
    # the ground below its pane is none of what grows, it comes where it will stand
    half = close.lay(below, own, 0.5)
    assert not (half[:580] == 10).any() and (half[580:] == 5).all()


def test_a_caption_that_moves_with_a_close_up_is_never_seen_twice() -> None:
    """While the film glides a caption goes at one place before it comes at the other."""
    size = (320, 180)
    ground, shown = np.zeros((180, 320, 3), np.uint8), []

    def stage(x: int) -> Any:
        def caption(beat: Beat) -> list[Plate]:
            return [plate(x, 20, np.full((10, 40), 255, np.uint8), (255, 255, 255), beat.strength)]

        layout = arrange(Filming(layout="single", shape="320x180"), {"near": 16 / 9}, words=False)
        own = SimpleNamespace(layout=layout, compose=lambda pictures, plates: ground.copy())
        return SimpleNamespace(
            composer=own, caption=caption, still=(), views={}, moving=lambda facts: [], is_coded=False
        )

    home, near = stage(20), stage(200)
    layout = home.composer.layout
    scene = FilmScene(
        tracks={}, shown={}, facts=(FACTS,), stages=(home,), cards={}, subjects={},
        close_up=close_up_of("near", near, layout),
    )  # fmt: skip
    for share in np.linspace(0.05, 0.95, 10):
        frame = scene.frame(Beat(0, 0, near=float(share), caption=0, strength=1.0))
        assert frame.shape[:2] == size[::-1]
        shown.append([bool(frame[25, 30].any()), bool(frame[25, 210].any())])
    assert all(sum(pair) <= 1 for pair in shown) and any(a for a, _ in shown) and any(b for _, b in shown)


# --- sound


def tone(path: Path, seconds: float) -> Path:
    with wave.open(str(path), "wb") as file:
        file.setnchannels(1)
        file.setsampwidth(2)
        file.setframerate(24000)
        at = np.arange(round(24000 * seconds)) / 24000
        file.writeframes((12000 * np.sin(2 * np.pi * 440 * at)).astype("<i2").tobytes())
    return path


def heard(path: Path) -> tuple[float, np.ndarray]:
    """Return the length of a film's sound in s and its loudness in tenths of a second, by another library."""
    with av.open(str(path)) as film:
        stream = film.streams.audio[0]
        parts = [frame.to_ndarray() for frame in film.decode(stream)]
        rate = stream.rate
    wave_ = np.concatenate([np.atleast_2d(part).mean(axis=0) for part in parts])
    step = rate // 10
    loud = np.sqrt((wave_[: len(wave_) // step * step].reshape(-1, step) ** 2).mean(axis=1))
    return len(wave_) / rate, loud


@pytest.mark.parametrize(("name", "seconds"), [("film.mp4", 0.7), ("film.mp4", 30.0), ("film.webm", 0.7)])
def test_sound_is_as_long_as_the_film_and_faded(tmp_path: Path, name: str, seconds: float) -> None:
    sequence = frames_of(tmp_path / "wide")
    filming = Filming(shape="128x96", overlay=(), last_s=4, sound=str(tone(tmp_path / "tone.wav", seconds)))
    report = render_film({"wide": sequence}, None, FilmOptions(filming=filming), tmp_path / name)
    length, loud = heard(tmp_path / name)
    assert length == pytest.approx(report.seconds, abs=0.06)
    middle = np.median(loud)
    assert middle > 0.1 and loud[0] < 0.4 * middle and loud[-2] < 0.25 * middle
    assert (loud[6:20] > 0.7 * middle).all()  # no hole where it is repeated
    with av.open(str(tmp_path / name)) as film:
        assert sum(1 for _ in film.decode(video=0)) == report.frames


def test_bad_sound_is_said_before_anything_is_measured(tmp_path: Path) -> None:
    sequence = frames_of(tmp_path / "wide")
    for file in sequence.files:
        file.path.write_bytes(b"")
    words = tmp_path / "words.mp3"
    words.write_text("no sound at all")
    picture = tmp_path / "picture.png"
    cv2.imwrite(str(picture), np.zeros((8, 8, 3), np.uint8))

    def fails(sound: Path, out: str, kind: type[Exception], what: str) -> None:
        options = FilmOptions(filming=Filming(sound=str(sound)))
        with pytest.raises(kind, match=what):
            render_film({"wide": sequence}, None, options, tmp_path / out)

    fails(tmp_path / "none.wav", "film.mp4", MissingFileError, "no such sound file")
    fails(words, "film.mp4", RenderError, "no sound can be read")
    fails(picture, "film.mp4", RenderError, "no sound can be read")
    fails(tone(tmp_path / "tone.wav", 1), "film.gif", RenderError, "has no sound")
    assert not [path.name for path in tmp_path.iterdir() if path.suffix in (".mp4", ".gif")]


def test_a_job_tells_its_story(tmp_path: Path) -> None:
    """Captions and close-ups in a whole film, and in what it says of itself."""
    job = tmp_path / "pot"
    for camera in ("wide", "nozzle"):
        frames_of(job / "frames" / camera, count=8)
    write_plan(job / "plan.json", plan_of([0, 0, 1, 2, 3, 4, 5, 6]))
    (job / "firstlayer-1.json").write_text(json.dumps({"layer": 1, "overall": {"sound": True}}))
    out = tmp_path / "film.mp4"
    words = [
        "render",
        str(job),
        "-o",
        str(out),
        "--json",
        "--moments",
        "--shape",
        "192x108",
        "--layout",
        "inset",
    ]
    result = CliRunner().invoke(cli, words)
    assert result.exit_code == 0, result.output
    told = json.loads(result.stdout)
    assert told["captions"] == [{"layer": 1, "words": "Layer 1: no defects found", "start_s": 0.0}]
    assert told["inset"]["corner"] and 0 <= told["inset"]["change_share"] <= 1
    plain = len(schedule(8, Filming()))
    assert told["frame_count"] == plain + round(HOLD_S * 30) + round(ZOOM_S * 30)
    quiet = json.loads(CliRunner().invoke(cli, [*words, "--no-captions"]).stdout)
    assert quiet["captions"] == []
