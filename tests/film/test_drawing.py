"""What is drawn: colours, legibility over anything below, the title-safe area, letters of any language."""

from __future__ import annotations

import math
from dataclasses import replace
from fractions import Fraction
from pathlib import Path

import av
import cv2
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from PIL import Image, ImageFont, features

from twinlapse.errors import RenderError
from twinlapse.film import FilmOptions, colour, render_film
from twinlapse.film.cards import end_card, title_card
from twinlapse.film.codecs import codec_for
from twinlapse.film.colour import coded, coded_relit, planes_of
from twinlapse.film.compose import composer
from twinlapse.film.encoder import encoding
from twinlapse.film.frame_times import schedule
from twinlapse.film.layout import Box, Layout, Pane, arrange, safe_area
from twinlapse.film.lettering import Lettering, broken, fallback_font
from twinlapse.film.options import CameraOptions
from twinlapse.film.overlay import Overlay
from twinlapse.film.overlay_values import Facts, clock
from twinlapse.film.pane import make_view
from twinlapse.film.stencil import Plate
from twinlapse.frames.sequence import FrameFile, read_sequence
from twinlapse.imaging.light import Relight, to_linear, to_srgb
from twinlapse.imaging.transforms import still
from twinlapse.rig.film_settings import (
    OVERLAYS,
    SHAPES,
    CameraFilming,
    Filming,
    film_size,
    read_overlay,
    read_rate,
)
from twinlapse.tracking.stabilise import Track

ASPECTS = {"wide": 16 / 9, "nozzle": 4 / 3}
LAYOUTS = ("inset", "side", "stack", "single")
FACTS = Facts(
    share=0.62, count=(87, 140), is_layer=True, height_mm=26.1, elapsed_s=8045.0, remaining_s=3905.0
)


def luminance(codes: np.ndarray) -> np.ndarray:
    """Relative luminance as WCAG 2.2 defines it."""
    value = codes / 255
    light = np.where(value <= 0.04045, value / 12.92, ((value + 0.055) / 1.055) ** 2.4)
    return light @ [0.2126, 0.7152, 0.0722]


def overlay_of(layout: Layout, filming: Filming) -> Overlay:
    return Overlay(
        layout=layout, filming=filming, lettering=Lettering(), labels={name: name for name in ASPECTS}
    )


def drawn(layout: Layout, filming: Filming, below: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Return a film frame over a given picture, without and with its words."""
    overlay = overlay_of(layout, filming)
    stage = composer(layout, filming.background)

    def pictures() -> dict[str, np.ndarray]:
        shape = {pane.camera: (pane.box.height, pane.box.width) for pane in layout.panes}
        return {name: np.resize(below, (*size, 3)).copy() for name, size in shape.items()}

    bare = stage.compose(pictures(), [])
    return bare, stage.compose(pictures(), [*overlay.still(), *overlay.moving(FACTS)])


# WCAG 2.2, success criterion 1.4.3: the worked pair white on #767676 is 4.54:1
def test_the_measure_of_contrast_is_wcag_s() -> None:
    white, grey = luminance(np.array([[255.0] * 3, [118.0] * 3]))
    assert (white + 0.05) / (grey + 0.05) == pytest.approx(4.54, abs=0.005)


def lettered(layout: Layout, filming: Filming) -> list[Plate]:
    """Return the plates of an overlay that are words: those as bright as ink or soft ink where they cover."""
    overlay = overlay_of(layout, filming)
    words = []
    for drawing in [*overlay.still(), *overlay.moving(FACTS)]:
        opaque = drawing.keep[..., 0] == 0
        if opaque.any() and drawing.colour[opaque].min() > 200:
            words.append(drawing)
    return words


def clear_of(drawing: Plate, frame: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Return the luminance of a word's letters, and of all that lies between and around them."""
    tall, wide = drawing.keep.shape[:2]
    part = luminance(frame[drawing.y : drawing.y + tall, drawing.x : drawing.x + wide].astype(float))
    keep = drawing.keep[: part.shape[0], : part.shape[1], 0]
    return part[keep == 0], part[keep == 255]


@pytest.mark.parametrize("layout", LAYOUTS)
@pytest.mark.parametrize("below", ["white", "black", "noise"])
def test_words_are_legible_over_anything(layout: str, below: str) -> None:
    filming = Filming(layout=layout, title="Seedling pot", overlay=OVERLAYS)
    made = arrange(filming, ASPECTS, words=True)
    picture = {
        "white": np.full(3, 255, np.uint8),
        "black": np.zeros(3, np.uint8),
        "noise": np.random.default_rng(1).integers(0, 256, 1280 * 720 * 3, dtype=np.uint8),
    }[below]
    _, frame = drawn(made, filming, picture)
    words = lettered(made, filming)
    assert len(words) == 4 * 2 + 1 + (len(made.panes) if len(made.panes) > 1 else 0)
    for drawing in words:
        ink, ground = clear_of(drawing, frame)
        assert len(ink) and len(ground)
        # every pixel of the letters' insides against the brightest one between them
        assert (ink.min() + 0.05) / (ground.max() + 0.05) >= 4.5, (drawing.x, drawing.y)


@pytest.mark.parametrize("background", ["#0e1216", "#ffffff", "#767676", "#b03030"])
def test_words_are_legible_on_any_background(background: str) -> None:
    for layout in ("side", "stack"):
        filming = Filming(layout=layout, title="Seedling pot", background=background, height_px=360)
        made = arrange(filming, ASPECTS, words=True)
        _, frame = drawn(made, filming, np.full(3, 255, np.uint8))
        for drawing in lettered(made, filming):
            ink, ground = clear_of(drawing, frame)
            assert (ink.min() + 0.05) / (ground.max() + 0.05) >= 4.5, (layout, drawing.x, drawing.y)
    filming = Filming(title="Seedling pot", background=background, accent=background)
    for card in (title_card(filming, (FACTS,), Lettering()), end_card(filming, (FACTS,), Lettering(), 9000)):
        light = luminance(card.reshape(-1, 3).astype(float))
        ground = luminance(card[0, 0].astype(float))
        kinds, counts = np.unique(light.round(4), return_counts=True)
        # the insides of letters are the colours that many pixels have
        inks = [
            kind for kind, count in zip(kinds, counts, strict=True) if count > 400 and kind != ground.round(4)
        ]
        assert inks
        for ink in inks:
            assert (max(ink, ground) + 0.05) / (min(ink, ground) + 0.05) >= 4.5


@pytest.mark.parametrize("shape", [*SHAPES, "1000x700"])
@pytest.mark.parametrize("layout", LAYOUTS)
def test_words_stay_in_the_title_safe_area_and_panes_on_the_film(layout: str, shape: str) -> None:
    # SMPTE ST 2046-1: the safe title area is 90 % of width and height
    filming = Filming(layout=layout, shape=shape, overlay=OVERLAYS)
    made = arrange(filming, ASPECTS, words=True)
    width, height = film_size(filming)
    assert width % 2 == 0 and height % 2 == 0 and made.size == (width, height)
    for pane in made.panes:
        assert pane.box.x >= 0 and pane.box.right <= width and pane.box.y >= 0 and pane.box.bottom <= height
        assert pane.box.width > 20 and pane.box.height > 20
    bare, frame = drawn(made, Filming(layout=layout, shape=shape, overlay=OVERLAYS), np.full(3, 90, np.uint8))
    safe = safe_area(made.size)
    inner = np.zeros((height, width), bool)
    inner[safe.y : safe.bottom, safe.x : safe.right] = True
    changed = np.abs(frame.astype(int) - bare).max(axis=2) > 0
    bright = changed & (luminance(frame.astype(float)) > luminance(bare.astype(float)) + 0.1)
    assert bright[inner].any()
    assert not bright[~inner].any()


def test_without_overlay_nothing_is_drawn() -> None:
    filming = Filming(layout="inset", overlay=())
    bare, frame = drawn(arrange(filming, ASPECTS, words=False), filming, np.full(3, 90, np.uint8))
    assert np.array_equal(bare, frame)


def test_fit_shows_the_whole_picture_and_fill_leaves_no_gap() -> None:
    for kind in ("fill", "fit"):
        filming = Filming(layout="single", shape="1:1", fit=kind)
        pane = arrange(filming, {"wide": 16 / 9}, words=True).panes[0]
        if kind == "fill":
            assert (pane.box.width, pane.box.height) == (720, 720)
        else:
            assert pane.box.width / pane.box.height == pytest.approx(16 / 9, abs=0.01)


def test_digits_do_not_move_when_they_change() -> None:
    widths = {Lettering().mask(text, 32, figures=True).shape[1] for text in ("11:11", "08:47", "29:30")}
    assert len(widths) == 1


def test_letters_of_many_languages_or_a_clear_error() -> None:
    lettering = Lettering()
    for text in ("Blumentöpfe", "Żółty", "Кашпо", "Γλάστρα"):
        assert lettering.mask(text, 24).max() == 255
    with pytest.raises(RenderError, match=r"no letter for \"鉢\" \(U\+9262\)"):
        lettering.mask("鉢", 24)
    with pytest.raises(RenderError, match="cannot be read"):
        Lettering("/no/such/font.ttf").mask("a", 24)


@pytest.mark.skipif(not features.check("raqm"), reason="needs a Pillow with raqm, as its wheels have it")
def test_letters_that_join_are_set_whole(monkeypatch: pytest.MonkeyPatch) -> None:
    assert np.array_equal(
        Lettering().mask("u\u0308", 40), Lettering().mask("\u00fc", 40)
    )  # one letter, two ways
    word = "أصيص"  # a pot: its letters join, so spreading them out would tear it
    assert np.array_equal(Lettering().mask(word, 40, track_px=3), Lettering().mask(word, 40))
    face = ImageFont.truetype(str(fallback_font()), 40)
    assert face.getlength(word) < sum(
        map(face.getlength, word)
    )  # what joining does, by the font's own tables
    monkeypatch.setattr("PIL.features.check", lambda name: False)
    with pytest.raises(RenderError, match="without what sets"):
        Lettering().mask(word, 41)


def test_clock() -> None:
    assert (clock(0), clock(65.9), clock(3600), clock(8045)) == ("0:00", "1:05", "1:00:00", "2:14:05")


PATCHES = [(255, 255, 255), (0, 0, 0), (128, 128, 128), (255, 0, 0), (0, 255, 0), (0, 0, 255), (200, 100, 60),
           (20, 160, 90)]  # fmt: skip


def test_planes_are_those_of_bt709() -> None:
    # ITU-R BT.709-6 items 3.2 to 3.4, 8 bit: Y = 16 + 219 Y', C = 128 + 224 (B' - Y') / 1.8556 and so on
    for patch in PATCHES:
        red, green, blue = np.array(patch) / 255
        luma = 0.2126 * red + 0.7152 * green + 0.0722 * blue
        wanted = (
            16 + 219 * luma,
            128 + 224 * (blue - luma) / 1.8556,
            128 + 224 * (red - luma) / 1.5748,
        )
        planes = planes_of(coded(np.full((4, 4, 3), patch, np.uint8)))
        assert np.abs(planes[[0, 16, 20]] - np.array(wanted)).max() <= 1, patch


def patches() -> np.ndarray:
    """Eight flat colours, 64 px wide each."""
    picture = np.zeros((128, 256, 3), np.uint8)
    for place, patch in enumerate(PATCHES):
        picture[64 * (place // 4) : 64 * (place // 4) + 64, 64 * (place % 4) : 64 * (place % 4) + 64] = patch
    return picture


def decoded_patches(path: Path) -> np.ndarray:
    """Return the colours (8, 3) of a film's first frame, decoded by the rows of ITU-R BT.709-6."""
    with av.open(str(path)) as film:
        frame = next(film.decode(video=0))
        assert (int(frame.colorspace), int(frame.color_range)) == (1, 1)
        y, u, v = (np.asarray(plane)[: plane.height * plane.line_size] for plane in frame.planes)
        y = y.reshape(-1, frame.planes[0].line_size)
        u, v = u.reshape(-1, frame.planes[1].line_size), v.reshape(-1, frame.planes[2].line_size)
    colours = []
    for place in range(len(PATCHES)):
        row, column = 64 * (place // 4) + 32, 64 * (place % 4) + 32
        luma = (float(y[row, column]) - 16) / 219
        blue = luma + (float(u[row // 2, column // 2]) - 128) / 224 * 1.8556
        red = luma + (float(v[row // 2, column // 2]) - 128) / 224 * 1.5748
        colours.append([red, (luma - 0.2126 * red - 0.0722 * blue) / 0.7152, blue])
    return np.array(colours) * 255


CODECS = [("film.mp4", "h264"), ("film.mp4", "h265"), ("film.webm", "vp9"), ("film.webm", "av1")]


@pytest.mark.parametrize(("name", "codec"), CODECS)
def test_colours_survive_the_film(tmp_path: Path, name: str, codec: str) -> None:
    out, filming = tmp_path / name, Filming(codec=codec)
    with encoding(out, (256, 128), Fraction(30), codec_for(out, filming)) as pipe:
        for _ in range(4):
            pipe.write(planes_of(coded(patches())))
    assert np.abs(decoded_patches(out) - PATCHES).max() <= 4
    with av.open(str(out)) as film:
        stream = film.streams.video[0]
        context = stream.codec_context
        assert (
            context.name
            in {"h264": ["h264"], "h265": ["hevc"], "vp9": ["vp9"], "av1": ["av1", "libdav1d"]}[codec]
        )
        assert context.pix_fmt == "yuv420p" and stream.average_rate == 30
        # ITU-T H.273: 1 is BT.709 for primaries, transfer and matrix; range 1 is limited
        tags = (context.color_primaries, context.color_trc, context.colorspace, context.color_range)
        assert [int(tag) for tag in tags] == [1, 1, 1, 1]
        assert film.duration == pytest.approx(4 / 30 * 1e6, abs=2000)
        assert sum(1 for _ in film.decode(stream)) == 4


def test_colours_survive_from_the_frames_on(tmp_path: Path) -> None:
    folder = tmp_path / "wide"
    folder.mkdir()
    for shot in range(1, 5):
        Image.fromarray(patches()).save(folder / f"{shot:06d}.png")
    filming = Filming(layout="single", shape="256x128", overlay=(), last_s=0)
    out = tmp_path / "film.mp4"
    render_film({"wide": read_sequence(folder, "wide")}, None, FilmOptions(filming=filming), out)
    assert np.abs(decoded_patches(out) - PATCHES).max() <= 4


def test_a_failing_encoder_says_why(tmp_path: Path) -> None:
    out = tmp_path / "film.mp4"
    codec = codec_for(out, Filming())
    broken = type(codec)(name=codec.name, container=codec.container, options={"preset": "none-such"})
    with (
        pytest.raises(RenderError, match="encoder failed"),
        encoding(out, (64, 64), Fraction(30), broken) as pipe,
    ):
        for _ in range(300):
            pipe.write(np.zeros(64 * 96, np.uint8))
    assert not list(tmp_path.iterdir())
    with pytest.raises(RenderError, match="does not go into"):
        codec_for(Path("film.webm"), Filming(codec="h265"))


def test_rates_are_exact() -> None:
    assert read_rate(29.97) == Fraction(30000, 1001)
    assert read_rate("24000/1001") == Fraction(24000, 1001)
    assert read_rate(25) == 25
    for wrong in ("fast", 0, -5, True, "1/0", 1000):
        with pytest.raises(ValueError):
            read_rate(wrong)
    assert read_overlay("none") == ()
    assert read_overlay("layer,height") == ("layer", "height")


@given(
    count=st.integers(1, 60),
    length_s=st.sampled_from([0.0, 0.5, 2.0, 7.3]),
    ease=st.sampled_from([0.0, 0.4, 0.9]),
    loop=st.booleans(),
    between=st.sampled_from(["cut", "fade"]),
)
@settings(derandomize=True, max_examples=80, deadline=None)
def test_schedules_begin_at_the_first_and_reach_the_last(
    count: int, length_s: float, ease: float, loop: bool, between: str
) -> None:
    filming = Filming(length_s=length_s, ease=ease, loop=loop, between=between, first_s=0.5, last_s=1.0)
    beats = schedule(count, filming)
    assert beats[0].slot == 0
    assert all(0 <= beat.slot <= beat.into < count and 0 <= beat.mix < 1 for beat in beats)
    frames = (
        round(length_s * 30) if length_s else count if ease == 0 else math.ceil((count - 1) * (1 + ease)) + 1
    )
    if frames > 1:
        assert max(beat.slot for beat in beats) == count - 1
    if loop and length_s:
        assert 0 <= 15 + frames - len(beats) <= 1  # there and back, the ends once
    if not loop:
        assert len(beats) == 15 + frames + 30
        assert [beat.slot for beat in beats] == sorted(beat.slot for beat in beats)


def test_ease_goes_slowly_at_first() -> None:
    slots = [beat.slot for beat in schedule(100, Filming(ease=0.8, length_s=10.0, last_s=0.0))]
    assert slots[75] < 15 and slots[-76] < 70


def test_drawing_in_the_films_codes_shows_what_drawing_in_rgb_shows() -> None:
    layout = arrange(Filming(layout="inset", shape="320x180"), ASPECTS, words=True)
    overlay = Overlay(
        layout=layout, filming=Filming(), lettering=Lettering(), labels={"wide": "wide", "nozzle": "nozzle"}
    )
    plates = [*overlay.still(), *overlay.moving(FACTS)]
    stage = composer(layout, "#0e1216")
    rng = np.random.default_rng(4)
    panes = {
        pane.camera: rng.integers(0, 255, (pane.box.height, pane.box.width, 3)).astype(np.uint8)
        for pane in layout.panes
    }
    usual = coded(stage.compose({name: part.copy() for name, part in panes.items()}, plates))
    direct = stage.coded().compose(
        {name: coded(part) for name, part in panes.items()}, [drawing.coded() for drawing in plates]
    )
    off = np.abs(usual.astype(int) - direct)
    assert off.max() <= 4 and off.mean() < 0.4  # each of a few plates rounds once


@pytest.mark.parametrize("gain", [(1.01, 0.995, 1.02), (0.87, 0.9, 0.88), (1.14, 1.12, 1.1), (1.6, 1.5, 1.7)])
def test_a_gain_within_the_coding_is_the_gain_in_light(gain: tuple[float, float, float]) -> None:
    picture = np.random.default_rng(5).integers(0, 200, (90, 160, 3)).astype(np.uint8)
    light = to_linear(picture) * gain
    exact = to_srgb(light) @ [0.2126, 0.7152, 0.0722] * 219 / 255 + 16  # ITU-R BT.709-6
    luma = coded_relit(picture, Relight(gain=np.array(gain)))[..., 0]
    assert np.abs(luma - exact).max() < 1.1
    assert abs((luma - exact).mean()) < 0.02


def test_plain_dark_parts_have_fractions_of_a_code() -> None:
    for code in (17, 23, 38):
        picture = np.full((40, 60, 3), code, np.uint8)
        for gain in (0.93, 0.99, 1.004, 1.06):
            exact = to_srgb(to_linear(picture) * gain)[0, 0] @ [0.2126, 0.7152, 0.0722] * 219 / 255 + 16
            shown = coded_relit(picture, Relight(gain=np.full(3, gain)))[..., 0]
            assert abs(shown.mean() - exact) < 0.04
            assert shown.max() - shown.min() <= 1


def test_fractions_of_a_code_are_taken_off_blocks() -> None:
    picture = np.full((48, 64, 3), 40, np.uint8)
    left = np.zeros((6, 8, 3), np.float32)
    left[2, 3] = 0.3, -0.2, 0.6
    how = Relight(gain=np.ones(3))
    shown, plain = coded_relit(picture, how, left).astype(float), coded_relit(picture, how).astype(float)
    own = (shown - plain)[16:24, 24:32].mean(axis=(0, 1))
    luma = -np.array([0.2126, 0.7152, 0.0722]) @ left[2, 3]  # ITU-R BT.709-6, items 3.2 to 3.4
    blue, red = (-0.6 - luma) / 1.8556, (-0.3 - luma) / 1.5748
    assert own == pytest.approx([luma * 219 / 255, blue * 224 / 255, red * 224 / 255], abs=0.035)
    shown[16:24, 24:32] = plain[16:24, 24:32]
    assert np.array_equal(shown, plain)


@pytest.mark.parametrize("rotate_deg", [0, 90, 180])
def test_what_is_taken_off_lies_where_the_camera_saw_it(tmp_path: Path, rotate_deg: int) -> None:
    size = (320, 240)
    file = FrameFile(shot=1, path=tmp_path / "1.jpg")
    track = Track(
        camera="wide",
        files=(file,),
        size=size,
        faults=("",),
        motions=(still(size),),
        gain=np.ones((1, 3)),
        foot_px=(160, 120),
        plain=np.array([3 * 40 + 5]),  # from (40, 24) to (48, 32), and its neighbours
        left=np.full((1, 1, 3), -127, np.int8),
    )
    options = CameraOptions(filming=CameraFilming(crop=(0, 0, 1, 1)), rotate_deg=rotate_deg)
    upright = size if rotate_deg != 90 else size[::-1]
    pane = Pane(camera="wide", box=Box(x=0, y=0, width=2 * upright[0], height=2 * upright[1]))
    view = replace(make_view(track, options, pane), coded=True)
    grey = np.full((240, 320, 3), 90, np.uint8)
    shown = view.show(grey, track.motions[0], track.light(0))[..., 0].astype(float)
    brighter = np.argwhere(cv2.blur(shown, (16, 16)) > shown.min() + 0.9)
    # the middle of the block in the upright picture, twice as large; turned clockwise
    at = {0: (28, 44), 90: (44, 240 - 28), 180: (240 - 28, 320 - 44)}[rotate_deg]
    assert brighter.mean(axis=0) == pytest.approx(np.array(at) * 2, abs=9)
    assert np.ptp(brighter, axis=0).max() < 70


def test_the_loop_over_pixels_and_arrays_code_alike(monkeypatch: pytest.MonkeyPatch) -> None:
    picture = np.random.default_rng(6).integers(0, 256, (33, 50, 3)).astype(np.uint8)
    how = Relight(gain=np.array([1.4, 0.8, 1.02]), top_code=255)
    left = np.random.default_rng(7).normal(0, 0.5, (5, 7, 3)).astype(np.float32)
    compiled = coded_relit(picture, how, left)
    monkeypatch.setattr(colour, "code_pixels", None)
    assert np.array_equal(coded_relit(picture, how, left), compiled)
    white, black = (
        coded_relit(np.full((4, 4, 3), code, np.uint8), Relight(gain=np.ones(3))) for code in (255, 0)
    )
    # ITU-R BT.709-6, item 4.5: white is 235, black is 16
    assert set(white[..., 0].ravel()) <= {234, 235} and set(black[..., 0].ravel()) <= {16, 17}


def test_a_long_title_breaks_into_lines_inside_the_safe_area() -> None:
    words = "A seedling pot and forty plant labels printed by the school garden club"
    lines = broken(words, Lettering(), 52, 900)
    assert len(lines) > 1 and " ".join(lines) == words
    assert all(Lettering().mask(line, 52).shape[1] <= 900 for line in lines)
    for shape in ("1280x720", "720x1280"):
        filming = Filming(shape=shape, title=words)
        card = title_card(filming, (Facts(share=1.0, count=(9, 9), is_layer=True),), Lettering())
        drawn = np.abs(card.astype(int) - card[0, 0]).max(axis=2) > 40
        safe = safe_area(film_size(filming))
        columns, rows = np.flatnonzero(drawn.any(axis=0)), np.flatnonzero(drawn.any(axis=1))
        assert columns[0] >= safe.x and columns[-1] < safe.right
        assert rows[0] >= safe.y and rows[-1] < safe.bottom
