"""What a pane shows by itself: all of the print at every moment, clear of words and inset.

Three judges: closed cases; the print projected anew by OpenCV; and the pixels of film frames, in
which a print of a colour of its own must stay whole.
"""

from __future__ import annotations

from dataclasses import replace
from itertools import product
from pathlib import Path

import cv2
import numpy as np
import pytest

from twinlapse.film import FilmOptions
from twinlapse.film.composition import (
    CORNERS,
    INSET_SHARES,
    compose_layout,
    free_of_words,
    quiet_place,
)
from twinlapse.film.frame_times import Beat
from twinlapse.film.framing import framed
from twinlapse.film.layout import arrange, safe_area
from twinlapse.film.options import CameraOptions
from twinlapse.film.pane import make_view
from twinlapse.film.print_facts import PrintFacts, projected_print
from twinlapse.film.scene import FilmScene, set_scene
from twinlapse.film.subject import Subject, find_subjects
from twinlapse.frames.grouping import pair
from twinlapse.frames.sequence import FrameFile, FrameSequence, read_sequence
from twinlapse.imaging.transforms import still
from twinlapse.optics.lens import camera_matrix
from twinlapse.optics.pose import pose_in_bed
from twinlapse.optics.upright import upright_camera
from twinlapse.rig import read_rig
from twinlapse.rig.film_settings import SHAPES, CameraFilming, Filming
from twinlapse.shots import Plan, Shot, Stop
from twinlapse.tracking.stabilise import Track, track_camera

SIZE = (1280, 720)
SAMPLE = Path(__file__).parents[2] / "sample_jobs" / "seedling_pot"
TRACK = Track(
    camera="wide",
    files=(FrameFile(path=Path("000001.jpg"), shot=1),),
    size=SIZE,
    faults=("",),
    motions=(still(SIZE),),
    gain=np.ones((1, 3)),
    foot_px=(820.0, 500.0),
)
NEAR = replace(TRACK, camera="nozzle", size=(640, 480), motions=(still((640, 480)),), riding=True)
# the print's box in shares of the upright picture: in the middle, at each edge, small, wide, tall
BOXES = [(0.4, 0.3, 0.2, 0.4), (0.5, 0.7, 0.16, 0.28), (0.02, 0.1, 0.2, 0.2), (0.85, 0.05, 0.13, 0.3),
         (0.05, 0.5, 0.9, 0.3), (0.3, 0.02, 0.1, 0.95), (0.02, 0.02, 0.96, 0.96)]  # fmt: skip


def subject(box: tuple[float, float, float, float]) -> Subject:
    change = np.zeros((36, 64), np.float32)
    x, y, width, height = box
    change[round(y * 36) : round((y + height) * 36), round(x * 64) : round((x + width) * 64)] = 1
    return Subject(box=box, told="plan", change=change / max(1.0, float(change.sum())))


@pytest.mark.parametrize("shape", SHAPES)
@pytest.mark.parametrize("layout", ["single", "inset", "side", "stack"])
@pytest.mark.parametrize("rotate", [0, 90])
def test_the_print_is_never_cut_and_no_words_lie_on_it(shape: str, layout: str, rotate: int) -> None:
    for box in BOXES:
        options = FilmOptions(
            filming=Filming(shape=shape, layout=layout), cameras={"wide": CameraOptions(rotate_deg=rotate)}
        )
        made = compose_layout({"wide": TRACK, "nozzle": NEAR}, {"wide": subject(box)}, options)
        pane = next(pane for pane in made.layout.panes if pane.camera == "wide")
        view = make_view(TRACK, made.cameras["wide"], pane)
        turn, way = view.matrix[:, :2], view.matrix[:, 2]
        edge = np.array([[0, 0], [pane.box.width - 1, 0], [0, pane.box.height - 1]]) @ turn.T + way
        assert (edge >= -1).all() and (edge <= np.array(SIZE)).all()  # nothing from outside the picture
        # where the corners of the print, given upright, lie on the film
        wide, tall = SIZE if rotate == 0 else SIZE[::-1]
        x, y, width, height = box
        upright = [
            ((x + i * width) * wide - 0.5, (y + j * height) * tall - 0.5) for i in (0, 1) for j in (0, 1)
        ]
        raw = [(v, SIZE[1] - 1 - u) for u, v in upright] if rotate else upright
        at = np.linalg.solve(turn, (np.array(raw) - way).T).T + np.array([pane.box.x, pane.box.y])
        low, high = at.min(axis=0), at.max(axis=0)
        assert (low >= np.array([pane.box.x, pane.box.y]) - 1.5).all(), (box, pane)
        assert (high <= np.array([pane.box.right, pane.box.bottom]) + 1.5).all(), (box, pane)
        if made.layout.over_pictures:
            assert high[1] <= made.layout.band.y


def test_a_maker_may_have_it_cut_or_see_the_whole_picture() -> None:
    wide = subject(BOXES[4])
    for fit, whole in (("cut", True), ("fill", False)):
        options = FilmOptions(filming=Filming(shape="9:16", layout="single", fit=fit))
        pane = compose_layout({"wide": TRACK}, {"wide": wide}, options).layout.panes[0]
        assert ((pane.box.width, pane.box.height) == (720, 1280)) is whole


@pytest.mark.parametrize(
    ("layout", "shape", "filled"),
    [
        ("side", "1:1", 0.4),
        ("side", "9:16", 0.7),
        ("stack", "16:9", 0.6),
        ("side", "4:5", 0.7),
        ("stack", "4:3", 0.5),
    ],
)
def test_panes_beside_each_other_are_narrowed_to_fill_the_film(
    layout: str, shape: str, filled: float
) -> None:
    made = arrange(Filming(layout=layout, shape=shape), {"wide": 16 / 9, "nozzle": 4 / 3}, words=True)
    shown = sum(pane.box.width * pane.box.height for pane in made.panes)
    assert shown / (made.size[0] * made.size[1]) > filled
    for pane, aspect in zip(made.panes, (16 / 9, 4 / 3), strict=True):
        assert 0.44 < pane.box.width / pane.box.height / aspect < 1.7


def test_a_row_is_turned_only_where_it_would_leave_half_of_the_film_empty() -> None:
    aspects = {"wide": 16 / 9, "nozzle": 4 / 3}
    for shape, layout, beside in (
        ("16:9", "side", True), ("16:9", "stack", True), ("1:1", "side", True), ("1:1", "stack", False),
        ("9:16", "side", False), ("9:16", "stack", False), ("4:3", "stack", False),
    ):  # fmt: skip
        first, second = arrange(Filming(layout=layout, shape=shape), aspects, words=True).panes
        assert (first.box.y == second.box.y) is beside, (shape, layout)


@pytest.mark.parametrize("shape", SHAPES)
@pytest.mark.parametrize("layout", ["side", "stack", "single", "inset"])
def test_a_nozzles_view_fills_its_pane_and_shows_the_tip(shape: str, layout: str) -> None:
    """The print lies all over such a picture: no reason to make the pane smaller or to leave the tip."""
    options = FilmOptions(filming=Filming(shape=shape, layout=layout, main="nozzle"))
    tracks = {"nozzle": NEAR, "wide": TRACK}
    subjects = {"nozzle": subject((0.3, 0.05, 0.7, 0.95)), "wide": subject(BOXES[0])}
    made = compose_layout(tracks, subjects, options)
    laid = arrange(options.filming, {"nozzle": 4 / 3, "wide": 16 / 9}, words=True)
    pane, planned = made.layout.panes[0], laid.panes[0]
    assert pane.box.width == planned.box.width
    assert pane.box.height >= min(planned.box.height, made.layout.band.y - 34)
    crop = made.cameras["nozzle"].filming.crop
    assert crop != "auto"
    x, _, width, _ = crop
    assert x < 0.45 and x + width > 0.55


@pytest.mark.parametrize("shape", [*SHAPES, "400x1200"])
@pytest.mark.parametrize("layout", ["side", "stack", "single", "inset"])
def test_captions_stay_inside_the_safe_area_whatever_the_pane(shape: str, layout: str) -> None:
    options = FilmOptions(filming=Filming(shape=shape, layout=layout))
    for box in BOXES:
        subjects = {"wide": subject(box)}
        made = compose_layout({"wide": TRACK, "nozzle": NEAR}, subjects, options)
        safe = safe_area(made.layout.size)
        for width in (safe.width // 3, safe.width - round(60 * made.layout.unit)):
            place = quiet_place(made, subjects["wide"], (width, round(50 * made.layout.unit)), words=True)
            assert place.x >= safe.x and place.right <= safe.right, (place, box)
            assert place.y >= safe.y and place.bottom <= made.layout.band.y, (place, box)


def test_an_inset_that_would_hide_the_print_becomes_smaller() -> None:
    for shape in SHAPES:
        filming = Filming(shape=shape, layout="inset")
        hidden = []
        for box in ((0.32, 0.17, 0.38, 0.62), (0.2, 0.2, 0.5, 0.5)):
            made = compose_layout(
                {"wide": TRACK, "nozzle": NEAR}, {"wide": subject(box)}, FilmOptions(filming=filming)
            )
            full = arrange(filming, {"wide": 16 / 9, "nozzle": 4 / 3}, words=True).panes[1].box.width
            inset = next(pane for pane in made.layout.panes if pane.raised).box.width
            assert made.inset is not None and inset >= 0.63 * full
            hidden.append(made.inset.print_share)
            # it is as large as asked for wherever that hides nothing
            assert inset == full or min(INSET_SHARES) * full - 1 <= inset < full
        assert max(hidden) < 0.06, shape


def test_what_the_maker_has_set_stays() -> None:
    made = arrange(Filming(), {"wide": 16 / 9}, words=True)
    pane = made.panes[0]
    for filming in (CameraFilming(crop=(0.1, 0.1, 0.5, 0.5)), CameraFilming(focus=(0.2, 0.5))):
        options = CameraOptions(filming=filming)
        free = (free_of_words(pane, made, words=True),)
        assert framed(TRACK, options, pane, subject(BOXES[0]), free).options is options


@pytest.mark.parametrize(
    ("box", "taken"),
    [((0.05, 0.05, 0.3, 0.3), "left"), ((0.65, 0.05, 0.3, 0.3), "right"), ((0.4, 0.4, 0.2, 0.3), "")],
)
def test_the_inset_lies_where_it_hides_neither_print_nor_change(
    box: tuple[float, float, float, float], taken: str
) -> None:
    options = FilmOptions(filming=Filming(layout="inset", shape="16:9"))
    made = compose_layout({"wide": TRACK, "nozzle": NEAR}, {"wide": subject(box)}, options)
    assert made.inset is not None and made.inset.corner in CORNERS
    assert (made.inset.print_share, made.inset.change_share) == (0, 0)
    if taken:
        assert not (made.inset.corner.endswith(taken) and made.inset.corner.startswith("top"))
    told = FilmOptions(filming=Filming(layout="inset", inset_corner="bottom-left"))
    where = compose_layout({"wide": TRACK, "nozzle": NEAR}, {"wide": subject(box)}, told).inset
    assert where is not None and where.corner == "bottom-left"


def plan_of(stops: list[tuple[float, float, float]]) -> Plan:
    shots = tuple(
        Shot(
            number=n, after_line=n, byte=0, layer=n, z_mm=z, at_s=1.0, cost_s=1.0, retract="none",
            retract_mm=0, retract_mm_s=0, lift_mm=0,
            stops=(Stop(cameras=("wide",), x_mm=x, y_mm=y, z_mm=z + 1, dwell_s=1, stance="clear"),),
        )
        for n, (x, y, z) in enumerate(stops, 1)
    )  # fmt: skip
    return Plan(original_sha256="", rig={}, shots=shots, print_s=9, cost_s=1, film_s=1, layer_count=9)


@pytest.mark.parametrize("kinematics", ["bed-moves-y", "bed-moves-z", "bed-fixed"])
@pytest.mark.parametrize("rotate", [0, 90, 180])
def test_the_projection_holds_all_points_of_the_print_as_opencv_sees_them(
    kinematics: str, rotate: int
) -> None:
    rig = read_rig(SAMPLE / "rig.toml")
    wide = replace(rig.cameras[0], rotate_deg=rotate)
    rig = replace(rig, printer=replace(rig.printer, kinematics=kinematics), cameras=(wide,))
    facts = PrintFacts(low_mm=(80, 70, 0.2), high_mm=(130, 140, 40), filament_mm=1.0)
    stops = [(160.0, 215.0, 0.3), (10.0, 215.0, 20.0), (160.0, 100.0, 40.0)]
    box = projected_print(rig, plan_of(stops), facts)["wide"]
    lens = wide.lens
    upright = rotate in (0, 180)
    size = (lens.width_px, lens.height_px) if upright else (lens.height_px, lens.width_px)
    matrix = camera_matrix(lens)  # a lens whose axis is in the middle: the same turned, but for the axis
    matrix[:2, 2] = (size[0] - 1) / 2, (size[1] - 1) / 2
    for x, y, z in stops:
        pose = pose_in_bed(upright_camera(wide), rig.printer, (x, y, z + 1))
        turn, _ = cv2.Rodrigues(np.asarray(pose.axes))
        grid = np.array(list(product(np.linspace(80, 130, 5), np.linspace(70, 140, 5), np.linspace(0, z, 5))))
        seen, _ = cv2.projectPoints(grid, turn, -pose.axes @ pose.place_mm, matrix, np.zeros(5))
        share = (seen[:, 0] + 0.5) / size
        inside = ((share >= 0) & (share <= 1)).all(axis=1)
        low, high = np.array(box[:2]), np.add(box[:2], box[2:])
        assert (share[inside] >= low - 1e-6).all() and (share[inside] <= high + 1e-6).all()


PRINT = (230, 40, 160)  # a colour of its own
COUNT = 12


def write_frames(
    folder: Path, x: int, y: int, width: int, height: int, colour: tuple[int, int, int] = PRINT
) -> FrameSequence:
    """A textured room; a print of one colour that grows to (x, y, width, height) of 320x180; a hand once."""
    folder.mkdir(parents=True)
    rng = np.random.default_rng(3)
    room = cv2.resize(rng.integers(60, 150, (18, 32, 3)).astype(np.uint8), (320, 180))
    for shot in range(1, COUNT + 1):
        view = room.copy()
        tall = max(2, height * shot // COUNT)
        cv2.rectangle(view, (x, y + height - tall), (x + width - 1, y + height - 1), colour[::-1], -1)
        if "beam" in folder.parent.name:  # climbs behind the print, its toolhead parked on the left
            up = y + height - tall - 30
            cv2.rectangle(view, (0, up), (319, up + 10), (150, 150, 155), -1)
            cv2.rectangle(view, (12, up - 8), (40, up + 24), (30, 34, 40), -1)
        if shot == 6:
            cv2.circle(view, (30, 160), 26, (200, 200, 210), -1)
        cv2.imwrite(str(folder / f"{shot:06d}.png"), view)
    return read_sequence(folder, folder.name)


def of_print(frame: np.ndarray) -> np.ndarray:
    """Return where a film frame shows the print's own colour."""
    return np.abs(frame.astype(int) - PRINT).max(axis=2) < 60


PLACES = {
    "low": (150, 120, 40, 56),
    "left": (6, 60, 50, 70),
    "top right": (250, 8, 60, 60),
    "wide": (70, 90, 170, 50),
    "beam": (200, 80, 50, 80),
}


@pytest.fixture(scope="module")
def seen(
    tmp_path_factory: pytest.TempPathFactory,
) -> dict[str, tuple[dict[str, FrameSequence], dict[str, Track]]]:
    """Frames of a print at several places, measured as the film measures them."""
    made = {}
    for name, place in PLACES.items():
        folder = tmp_path_factory.mktemp(name)
        sources = {"wide": write_frames(folder / "wide", *place)}
        sources["near"] = write_frames(folder / "near", *place, colour=(40, 60, 90))
        tracks = {c: track_camera(c, sources[c].files, CameraFilming(), cache=False) for c in sources}
        made[name] = (sources, tracks)
    return made


def scene_of(sources: dict[str, FrameSequence], tracks: dict[str, Track], filming: Filming) -> FilmScene:
    return set_scene(pair(sources), None, tracks, FilmOptions(filming=filming))[0]


@pytest.mark.parametrize("place", PLACES)
@pytest.mark.parametrize(
    ("layout", "shape"), [("single", "16:9"), ("single", "9:16"), ("inset", "16:9"), ("side", "1:1")]
)
def test_every_pixel_of_the_print_is_on_every_film_frame(
    seen: dict[str, tuple[dict[str, FrameSequence], dict[str, Track]]], place: str, layout: str, shape: str
) -> None:
    sources, tracks = seen[place]
    cameras = ("wide",) if layout == "single" else ("wide", "near")
    filming = Filming(layout=layout, shape=shape, height_px=360)
    scene = scene_of({c: sources[c] for c in cameras}, {c: tracks[c] for c in cameras}, filming)
    pane = scene.stages[0].composer.layout.panes[0].box
    _, _, width, height = PLACES[place]
    for moment in (COUNT // 4, COUNT // 2, COUNT - 1):
        frame = scene.frame(Beat(moment, moment))[pane.y : pane.bottom, pane.x : pane.right]
        down, across = np.nonzero(of_print(frame))
        tall = max(2, height * (moment + 1) // COUNT)
        # whole: its sides are as long on the film as one scale makes them, so nothing is cut or covered
        scale = (across.max() + 1 - across.min()) / width
        assert (down.max() + 1 - down.min()) == pytest.approx(tall * scale, abs=5)
        assert of_print(frame).sum() == pytest.approx(
            width * tall * scale**2, rel=0.04, abs=2.4 * (width + tall) * scale
        )
        assert across.min() > 0 and across.max() < frame.shape[1] - 1 and down.min() > 0


def test_a_hand_in_one_picture_is_no_change_and_a_print_told_wrong_is_not_believed(
    seen: dict[str, tuple[dict[str, FrameSequence], dict[str, Track]]],
) -> None:
    _, tracks = seen["top right"]
    own = {"wide": CameraOptions()}
    wide = {"wide": tracks["wide"]}
    found = find_subjects(wide, own, {})["wide"]
    assert found.box is not None and found.told == "pictures"
    assert found.box[0] > 0.6 and found.box[1] + found.box[3] < 0.5
    right, wrong = (0.77, 0.03, 0.2, 0.36), (0.1, 0.6, 0.2, 0.3)
    assert find_subjects(wide, own, {"wide": right})["wide"].told == "plan"
    assert find_subjects(wide, own, {"wide": wrong})["wide"].told == "pictures"
