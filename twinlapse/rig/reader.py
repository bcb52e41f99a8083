"""``rig.toml`` to records; every fault is named with its key, its line and its mend."""

from __future__ import annotations

import math
import tomllib
from collections.abc import Mapping
from pathlib import Path
from typing import Any, cast

from twinlapse.errors import RigError
from twinlapse.files import read_text
from twinlapse.names import CAMERA_NAME
from twinlapse.rig.capture_settings import Capture, read_capture, read_light, read_power
from twinlapse.rig.film_settings import read_camera_filming, read_filming
from twinlapse.rig.key_positions import key_lines
from twinlapse.rig.kinematics import SHIFT_AXES
from twinlapse.rig.model import Camera, Corner, Cue, Head, KeepOut, Lens, Printer, Rig
from twinlapse.rig.notations import read_amount, read_every, read_layers
from twinlapse.rig.toml_fields import Required, Table


def read_rig(path: Path) -> Rig:
    """Read a rig file.

    Raises
    ------
    RigError
        with file, line, key and mend.
    """
    text = read_text(path, "rig file")
    try:
        values = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        what, line = _toml_fault(str(error), text)
        raise RigError(f"this is not TOML: {what}", "see docs/rig.md", path=path, line=line) from None
    return rig_from_mapping(values, path=path, text=text)


def rig_from_mapping(values: Mapping[str, Any], *, path: Path | None = None, text: str = "") -> Rig:
    """Return the rig that a TOML document, or the ``rig`` field of a plan, describes."""
    top = Table(values, (), path, key_lines(text))
    printer = top.table("printer")
    if printer is None:
        raise RigError(
            "there is no [printer] section", "add one with at least bed_mm and height_mm", path=path
        )
    read_printer = _printer(printer)
    cameras = tuple(_camera(table, read_printer) for table in top.tables("camera"))
    if not cameras:
        raise RigError("there is no camera", "add a [[camera]] section with name and mount", path=path)
    for index, camera in enumerate(cameras):
        if any(camera.name == other.name for other in cameras[:index]):
            Table(values, ("camera", str(index)), path, top.lines).fail(
                "name", f'"{camera.name}" is taken by another camera', "give each camera a name of its own"
            )
    cue = top.table("cue")
    plan = top.table("plan")
    film = top.table("film")
    capture = top.table("capture")
    top.close()
    return Rig(
        printer=read_printer,
        cameras=cameras,
        cue=Cue() if cue is None else _cue(cue),
        **_planning(plan),
        film=read_filming(film),
        capture=Capture() if capture is None else read_capture(capture),
        raw=values,
    )


def _printer(table: Table) -> Printer:
    bed = table.point("bed_mm", Required("[220, 220]"), 2)
    assert bed is not None
    if min(bed) <= 0:
        table.fail("bed_mm", "a bed has a size", "write width and depth above 0")
    head_table = table.table("head")
    corner_table = table.table("corner")
    printer = Printer(
        bed_mm=(bed[0], bed[1]),
        height_mm=table.number("height_mm", Required("250"), above=0),
        kinematics=table.choice("kinematics", "bed-moves-y", ("bed-moves-y", "bed-moves-z", "bed-fixed")),
        firmware=table.choice("firmware", "marlin", ("marlin", "klipper", "reprapfirmware")),
        travel_mm_s=table.number("travel_mm_s", 150.0, above=0, high=2000),
        lift_mm_s=table.number("lift_mm_s", 10.0, above=0, high=500),
        accel_mm_s2=table.number("accel_mm_s2", 1500.0, above=0, high=100_000),
        accel_z_mm_s2=table.number("accel_z_mm_s2", 100.0, above=0, high=100_000),
        corner=Corner(junction_deviation_mm=0.02) if corner_table is None else _corner(corner_table),
        head=Head() if head_table is None else _head(head_table),
        keep_out=tuple(_keep_out(box) for box in table.tables("keep_out")),
        bed_shape=table.choice("bed_shape", "rectangle", ("rectangle", "round")),
        origin=table.choice("origin", "corner", ("corner", "center")),
        nozzle_mm=table.number("nozzle_mm", 0.4, above=0, high=5),
        filament_mm=table.number("filament_mm", 1.75, above=0, high=10),
        retract_mm=table.number("retract_mm", 1.0, low=0, high=20),
        retract_mm_s=table.number("retract_mm_s", 35.0, above=0, high=200),
        prime_extra_mm=table.number("prime_extra_mm", 0.0, low=0, high=2),
        wipe_mm=table.number("wipe_mm", 0.0, low=0, high=10),
    )
    table.close()
    return printer


def _head(table: Table) -> Head:
    standard = Head()
    head = Head(
        **{
            name: table.number(name, getattr(standard, name), low=0, high=500)
            for name in Head.__dataclass_fields__
        }
    )
    if head.nozzle_radius_mm > head.radius_mm:
        table.fail("nozzle_radius_mm", "the nozzle is wider than the head", "write less than radius_mm")
    table.close()
    return head


def _corner(table: Table) -> Corner:
    names = tuple(Corner.__dataclass_fields__)
    given = [name for name in names if name in table.values]
    if len(given) > 1:
        table.fail(given[1], "two corner rules exclude each other", f"keep one of {', '.join(names)}")
    values = {name: table.number(name, 0.0, above=0, high=1000) for name in given}
    table.known.extend(names)
    table.close()
    if not given:
        table.fail("", "it is empty", f"write one of {', '.join(names)}")
    return Corner(**values)


def _keep_out(table: Table) -> KeepOut:
    pairs = {key: table.point(key, Required("[0, 20]"), 2) for key in ("x_mm", "y_mm")}
    for key, pair in pairs.items():
        if pair is not None and pair[0] >= pair[1]:
            table.fail(key, f"[{pair[0]:g}, {pair[1]:g}] is empty", "write the smaller number first")
    x_mm, y_mm = _pair(pairs["x_mm"]), _pair(pairs["y_mm"])
    assert x_mm is not None and y_mm is not None
    box = KeepOut(x_mm=x_mm, y_mm=y_mm, z_mm=table.number("z_mm", math.inf, above=0))
    table.close()
    return box


def _camera(table: Table, printer: Printer) -> Camera:
    name = table.text("name", Required('"wide"'))
    if not CAMERA_NAME.fullmatch(name):
        table.fail("name", f"{name!r} cannot be a name", "use letters, digits, '-' and '_', 32 at most")
    mount = table.choice("mount", Required('"frame"'), ("frame", "head", "gantry", "bed"))
    if SHIFT_AXES[mount, printer.kinematics] is None:
        table.fail("mount", "a machine with a fixed bed has no X gantry", 'write "frame", "head" or "bed"')
    stances = ("clear", "over", "tour", "last", "still")
    lens = table.table("lens")
    first_layers = table.table("first_layers")
    film, light, power = table.table("film"), table.table("light"), table.table("power")
    body = _pair(table.point("body_mm", (8.0, 40.0), 2))
    if body is None or min(body) <= 0:
        table.fail("body_mm", "a housing has a size", "write diameter and length above 0")
    camera = Camera(
        name=name,
        mount=mount,
        source=table.text("source", ""),
        stance=table.choice("stance", "over" if mount == "head" else "clear", stances),
        every=table.parsed("every", "layer", read_every),
        dwell_s=table.number("dwell_s", 1.0, low=0, high=120),
        settle_s=table.number("settle_s", 0.3, low=0, high=60),
        place_mm=_triple(table.point("place_mm", None, 3)),
        look_mm=_triple(table.point("look_mm", None, 3)),
        roll_deg=table.number("roll_deg", 0.0, low=-360, high=360),
        lens=Lens() if lens is None else _lens(lens),
        park_mm=_pair(table.point("park_mm", None, 2)),
        height_mm=table.number("height_mm", 0.0, low=0, high=500),
        over_mm=_pair(table.point("over_mm", None, 2)),
        rotate_deg=table.choice("rotate_deg", 0, (0, 90, 180, 270)),
        mirror=table.flag("mirror", False),
        first_layers=None if first_layers is None else first_layers.values,
        film=read_camera_filming(film),
        light=None if light is None else read_light(light),
        power=None if power is None else read_power(power),
        body_mm=body,
        place_error_mm=table.number("place_error_mm", 0.0, low=0),
        turn_error_deg=table.number("turn_error_deg", 0.0, low=0, high=180),
        age_s=table.number("age_s", 0.25, low=0, high=60),
    )
    if camera.look_mm is not None and camera.look_mm == camera.place_mm:
        table.fail(
            "look_mm", "the camera looks at its own place", "name a point in the middle of its picture"
        )
    table.close()
    return camera


def _lens(table: Table) -> Lens:
    lens = Lens(
        width_px=table.whole("width_px", 640, low=16, high=20_000),
        height_px=table.whole("height_px", 480, low=16, high=20_000),
        across_deg=table.number("across_deg", 60.0, above=0, high=220),
        kind=table.choice("kind", "pinhole", ("pinhole", "fisheye")),
        distortion=table.numbers("distortion", ()),
        centre_px=_pair(table.point("centre_px", None, 2)),
        focus_mm=table.number("focus_mm", 0.0, low=0),
        f_number=table.number("f_number", 2.8, above=0, high=100),
        pixel_um=table.number("pixel_um", 2.2, above=0, high=50),
    )
    if lens.kind == "pinhole" and lens.across_deg >= 180:
        table.fail("across_deg", "a pinhole sees less than 180 degrees", 'write less, or kind = "fisheye"')
    most, terms = (4, "k1 k2 k3 k4") if lens.kind == "fisheye" else (5, "k1 k2 p1 p2 k3")
    if len(lens.distortion) > most:
        table.fail("distortion", f"a {lens.kind} has {most} terms at most", f"write {terms}")
    table.close()
    return lens


def _cue(table: Table) -> Cue:
    cue = Cue(
        kind=table.choice("kind", "host", ("host", "display", "pin", "macro", "comment", "none")),
        text=table.text("text", ""),
        arm_s=table.number("arm_s", 0.0, low=0, high=600),
    )
    table.close()
    return cue


def _planning(table: Table | None) -> dict[str, Any]:
    if table is None:
        return {}
    values: dict[str, Any] = {
        "min_gap_s": table.number("min_gap_s", 0.0, low=0),
        "max_added": cast(str, table.parsed("max_added", "", read_amount)),
        "survey_layers": table.parsed("survey", (), read_layers),
        "corner_layers": table.parsed("corners", (), read_layers),
        "hold": table.flag("hold", False),
    }
    if values["hold"] and not values["survey_layers"]:
        table.fail("hold", "the machine waits after a survey, and there is none", "add survey = [1]")
    table.close()
    return values


def _triple(values: tuple[float, ...] | None) -> tuple[float, float, float] | None:
    return None if values is None else (values[0], values[1], values[2])


def _pair(values: tuple[float, ...] | None) -> tuple[float, float] | None:
    return None if values is None else (values[0], values[1])


def _toml_fault(message: str, text: str) -> tuple[str, int]:
    """Split tomllib's "what (at line n, column m)"."""
    what, _, place = message.partition(" (at ")
    digits = "".join(c if c.isdigit() else " " for c in place).split()
    return what, int(digits[0]) if digits else max(1, len(text.splitlines()))
