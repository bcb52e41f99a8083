"""The printer and its cameras as frozen records; every field has its unit in its name."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any, Literal

from twinlapse.rig.capture_settings import Capture, Light, Power
from twinlapse.rig.film_settings import CameraFilming, Filming

Kinematics = Literal["bed-moves-y", "bed-moves-z", "bed-fixed"]
Firmware = Literal["marlin", "klipper", "reprapfirmware"]
Mount = Literal["frame", "head", "gantry", "bed"]
Stance = Literal["clear", "over", "tour", "last", "still"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Corner:
    """How fast the machine takes a corner; exactly one of the three is not None."""

    junction_deviation_mm: float | None = None
    square_corner_mm_s: float | None = None
    jerk_mm_s: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Head:
    """The print head as two discs above the nozzle tip, for clearance."""

    radius_mm: float = 35.0  # widest reach of anything on the head, seen from above
    height_mm: float = 40.0  # from the nozzle tip to the top of the head
    gantry_mm: float = 60.0  # from the nozzle tip to the underside of the gantry
    nozzle_radius_mm: float = 4.0  # of the cone that reaches below the heater block
    nozzle_length_mm: float = 4.0  # how far the tip stands below the block


@dataclass(frozen=True, slots=True, kw_only=True)
class KeepOut:
    """A box above the bed where the nozzle must not go: a clip, a wiper."""

    x_mm: tuple[float, float]
    y_mm: tuple[float, float]
    z_mm: float  # the box reaches from the bed to this height


@dataclass(frozen=True, slots=True, kw_only=True)
class Printer:
    """What the machine is and how it moves."""

    bed_mm: tuple[float, float]
    height_mm: float
    kinematics: Kinematics = "bed-moves-y"
    firmware: Firmware = "marlin"
    travel_mm_s: float = 150.0
    lift_mm_s: float = 10.0
    accel_mm_s2: float = 1500.0
    accel_z_mm_s2: float = 100.0
    corner: Corner = Corner(junction_deviation_mm=0.02)
    head: Head = Head()
    keep_out: tuple[KeepOut, ...] = ()
    bed_shape: Literal["rectangle", "round"] = "rectangle"
    origin: Literal["corner", "center"] = "corner"  # where X0 Y0 is
    nozzle_mm: float = 0.4
    filament_mm: float = 1.75
    retract_mm: float = 1.0  # used where the file shows no habit of its own
    retract_mm_s: float = 35.0
    prime_extra_mm: float = 0.0  # fed behind every prime of a shot, for what has oozed out
    wipe_mm: float = 0.0  # a shot comes back this far before where it left, and wipes on what it laid

    @property
    def x_range_mm(self) -> tuple[float, float]:
        """Lowest and highest X on the bed."""
        return _range(self.bed_mm[0], self.origin)

    @property
    def y_range_mm(self) -> tuple[float, float]:
        """Lowest and highest Y on the bed."""
        return _range(self.bed_mm[1], self.origin)


@dataclass(frozen=True, slots=True, kw_only=True)
class Lens:
    """What the camera sees: a picture size and the angle across its width."""

    width_px: int = 640
    height_px: int = 480
    across_deg: float = 60.0
    kind: Literal["pinhole", "fisheye"] = "pinhole"
    distortion: tuple[float, ...] = ()  # k1 k2 p1 p2 k3 of a pinhole, k1 k2 k3 k4 of a fisheye
    centre_px: tuple[float, float] | None = None  # where the axis meets the picture; None: its middle
    focus_mm: float = 0.0  # distance at which it is sharp; 0: set by hand to what it looks at
    f_number: float = 2.8
    pixel_um: float = 2.2  # of the sensor, for depth of field


@dataclass(frozen=True, slots=True, kw_only=True)
class Camera:
    """One camera: where it is bolted, what it looks at, how it stands, when it shoots.

    ``place_mm`` (its entrance pupil) and ``look_mm`` (a point in the middle of its picture) are in the frame
    of what carries the camera: for ``frame`` and ``bed`` in G-code coordinates with the bed at its place (the
    nozzle at ``park_mm``), for ``head`` and ``gantry`` relative to the nozzle tip.
    """

    name: str
    mount: Mount
    source: str = ""
    stance: Stance = "clear"
    every: str | Mapping[str, Any] = "layer"
    dwell_s: float = 1.0
    settle_s: float = 0.3
    place_mm: tuple[float, float, float] | None = None
    look_mm: tuple[float, float, float] | None = None
    roll_deg: float = 0.0
    lens: Lens = Lens()
    park_mm: tuple[float, float] | None = None  # stance "clear": where the nozzle goes; None: chosen
    height_mm: float = 0.0  # of the nozzle above the layer just printed, during the shot
    over_mm: tuple[float, float] | None = None  # stance "over": the point to look at; None: chosen
    rotate_deg: Literal[0, 90, 180, 270] = 0  # of the picture, clockwise
    mirror: bool = False
    first_layers: Mapping[str, Any] | None = None
    film: CameraFilming = field(default_factory=CameraFilming)  # how its frames are treated
    light: Light | None = None  # commands around its shots
    power: Power | None = None  # commands around the whole print
    body_mm: tuple[float, float] = (8.0, 40.0)  # diameter and length of the housing, for clearance
    place_error_mm: float = 0.0  # standard deviation of place_mm as `rig aim` found it; 0: not measured
    turn_error_deg: float = 0.0  # of the direction
    age_s: float = 0.25  # oldest picture that its pipeline delivers, and one period; measured by rig check


@dataclass(frozen=True, slots=True, kw_only=True)
class Cue:
    """How the written file speaks to the capture service."""

    kind: Literal["host", "display", "pin", "macro", "comment", "none"] = "host"
    text: str = ""  # template with {shot} {stop} {layer} {cameras}; empty: the standard words
    arm_s: float = 0.0  # a line says this long ahead that a shot comes, for lights that need time; 0: none


@dataclass(frozen=True, slots=True, kw_only=True)
class Rig:
    """A printer and its cameras, and where the file that describes them is."""

    printer: Printer
    cameras: tuple[Camera, ...]
    cue: Cue = Cue()
    min_gap_s: float = 0.0  # no two shots nearer than this
    max_added: str = ""  # "5%" or "12min": the most that the shots may add
    survey_layers: tuple[int, ...] = ()  # from 0, looked over whole by the camera on the head
    corner_layers: tuple[int, ...] = ()  # from 0, whose outermost corners it visits
    hold: bool = False  # after a survey the machine waits for a person
    film: Filming = field(default_factory=Filming)
    capture: Capture = field(default_factory=Capture)
    raw: Mapping[str, Any] = field(default_factory=dict)  # the file as read, for plan.json

    def camera(self, name: str) -> Camera | None:
        """Return the camera of that name, if there is one."""
        return next((camera for camera in self.cameras if camera.name == name), None)


def _range(length_mm: float, origin: str) -> tuple[float, float]:
    return (-length_mm / 2, length_mm / 2) if origin == "center" else (0.0, length_mm)
