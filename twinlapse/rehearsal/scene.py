"""The print, its bed and its room before a camera: a frame for a place of the machine."""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cached_property

import cv2
import numpy as np
from numpy.typing import NDArray

from twinlapse.arrays import Float, Float32
from twinlapse.errors import GcodeError
from twinlapse.gcode import Toolpath, find_layers
from twinlapse.optics.pose import Pose, pose_in_bed, pose_on_mount
from twinlapse.optics.upright import delivered_picture, upright_camera
from twinlapse.rehearsal import render_kernels
from twinlapse.rehearsal.backdrop import Backdrop, backdrop_of
from twinlapse.rehearsal.beads import PRESSED, Beads, with_strings
from twinlapse.rehearsal.faults import Mishap
from twinlapse.rehearsal.machine_meshes import (
    OLD_BRASS,
    bed_plate,
    clump_mesh,
    gantry_mesh,
    grain_tile,
    head_mesh,
    speckle,
)
from twinlapse.rehearsal.mesh import joined
from twinlapse.rehearsal.nuisances import NO_NUISANCES, Nuisances, spoilt, true_camera
from twinlapse.rehearsal.truth import Shift, shift_between
from twinlapse.rehearsal.virtual_camera import Materials, Studio
from twinlapse.rehearsal.virtual_machine import Place
from twinlapse.rig import Camera, Printer

__all__ = [
    "ARM_MM",
    "BRIGHT",
    "CURVE",
    "FURTHEST",
    "LAMP",
    "LAMP_ROOM",
    "MEAN",
    "TERRACOTTA",
    "TIP_ARM_MM",
    "Scene",
    "VirtualCamera",
    "metered_gain",
    "tone_curve",
]

TERRACOTTA = (0.47, 0.155, 0.072)
ARM_MM = 15.0  # from the foot's middle to the points that tell its turn
TIP_ARM_MM = 4.0  # the same for the place under the tip
LAMP, LAMP_ROOM = 1500.0, 0.34  # of an inspection camera's LEDs, and what the room's light is beside them
_DARK = (0.012, 0.012, 0.014)
_SMOOTH, _PEBBLED = 36.0, 74.0  # brightness of the sheet, of 255
CURVE = 4096
MEAN, BRIGHT, FURTHEST = 110.0, 225.0, 8.0  # steps of 255; times the fixed exposure


@dataclass(frozen=True, slots=True, kw_only=True)
class Scene:
    """What all cameras see."""

    beads: Beads
    printer: Printer
    rest_mm: Place  # where the nozzle is while the bed is where the rig's places of frame cameras say
    foot_mm: Float  # (3,) middle of the print on the bed
    looks: Materials

    @classmethod
    def of(
        cls,
        beads: Beads,
        path: Toolpath,
        printer: Printer,
        rest_mm: Place,
        hue: Place = TERRACOTTA,
        *,
        textured: bool = True,
        bed_gloss: float = 0.35,
        nuisances: Nuisances = NO_NUISANCES,
    ) -> Scene:
        """Return the scene of a toolpath in a colour; of the nuisances those of the machine."""
        if nuisances.strings:
            beads = with_strings(beads, nuisances.strings, np.random.default_rng(42))
        dice = np.random.default_rng(41)
        tones = 1 + 0.035 * dice.standard_normal((len(beads), 1))
        looks = Materials(
            hue=(np.array(hue) * tones).astype(np.float32),
            plate=bed_plate(printer, lines=textured, level=_PEBBLED if nuisances.pebbled else _SMOOTH),
            grain=grain_tile(textured=textured, pebbled=nuisances.pebbled),
            bed_gloss=bed_gloss,
        )
        return cls(beads=beads, printer=printer, rest_mm=rest_mm, foot_mm=_foot(beads, path), looks=looks)


def _foot(beads: Beads, path: Toolpath) -> Float:
    """Return the middle of the print's outline on the bed, prime lines left out."""
    try:
        body = beads.row >= find_layers(path).first_row[0]
    except GcodeError:
        body = np.ones(len(beads), bool)
    places = beads.last_mm[body] if body.any() else beads.last_mm
    middle = (places.min(axis=0) + places.max(axis=0)) / 2
    return np.array([middle[0], middle[1], 0.0])


class VirtualCamera:
    """One camera of the rig before a scene; the print may only grow from frame to frame."""

    def __init__(
        self, scene: Scene, camera: Camera, nuisances: Nuisances = NO_NUISANCES, seed: int = 1
    ) -> None:
        self._as_mounted, self._nuisances = camera, nuisances
        camera = true_camera(upright_camera(camera), scene.printer, nuisances, seed)
        self.scene, self.camera, self.lens = scene, camera, camera.lens
        self._looked_at_mm = float(np.linalg.norm(pose_on_mount(camera, scene.printer).place_mm))
        close = camera.mount in ("toolhead", "gantry")
        self.studio = Studio(
            camera.lens,
            scene.printer,
            scene.beads,
            scene.looks,
            lamp=LAMP if close else 0.0,
            room=LAMP_ROOM if close else 1.0,
            fat=(PRESSED, 1.22) if close else (1.25, 2.0),
        )
        self._noise = speckle(np.random.default_rng(51), (512, 512), (0.0, 0.6))
        self._head, self._gantry = head_mesh(), gantry_mesh(scene.printer)
        if nuisances.dirty_nozzle and len(scene.looks.hue):
            r, g, b = (float(v) for v in np.median(scene.looks.hue, axis=0))
            self._head = joined(head_mesh(OLD_BRASS), clump_mesh((r, g, b)))
        own = pose_on_mount(camera, scene.printer)
        self._head_lit, self._gantry_lit = (
            self.studio.lit(self._head, own),
            self.studio.lit(self._gantry, own),
        )

    @cached_property
    def backdrop(self) -> Backdrop:
        """The room, painted once."""
        rest = self.scene.rest_mm
        return backdrop_of(self.studio, self.pose(rest), self.scene.printer, rest[1])

    def pose(self, nozzle_mm: Place) -> Pose:
        """Return the ideal pose, in G-code coordinates, while the nozzle stands at a place."""
        return pose_in_bed(self.camera, self.scene.printer, nozzle_mm, self.scene.rest_mm)

    def take(
        self,
        nozzle_mm: Place,
        error_mm: Place,
        count: int,
        mishap: Mishap,
        noise: float = 0.0,
        *,
        metered: bool = False,
    ) -> NDArray[np.uint8]:
        """Return the frame, (height, width, 3) RGB.

        Parameters
        ----------
        nozzle_mm : where the file sent the nozzle, in G-code coordinates
        error_mm : by how much it misses that place
        count : int
            Beads laid so far.
        mishap : Mishap
        noise : float
            Steps of 255.
        metered : bool
            The camera chooses its exposure by what it sees (`metered_gain`); else it is fixed.
        """
        picture = self.expose(nozzle_mm, error_mm, count, mishap.shake_rad)
        if metered:
            picture = picture * np.float32(metered_gain(picture))
        picture = spoilt(picture, self.studio.depth, self.lens, self._looked_at_mm, self._nuisances)
        return delivered_picture(self.develop(picture, mishap, noise), self._as_mounted)

    def expose(
        self, nozzle_mm: Place, error_mm: Place, count: int, shake_rad: tuple[float, float, float]
    ) -> Float32:
        """Return the picture in linear light."""
        there = _sum(nozzle_mm, error_mm)
        pose = self.pose(there).turned(shake_rad)
        studio = self.studio
        studio.shade.lay(self.scene.beads, count)
        if self.camera.mount == "frame":
            studio.begin(self.backdrop.shaken(shake_rad), self.backdrop.depth)
        else:
            studio.begin(_DARK)
        studio.paint_bed(pose)
        studio.paint_print(pose, count)
        studio.paint_mesh(self._head.moved(there), pose, self._head_lit)
        if self.camera.mount != "toolhead" and self.scene.printer.kinematics != "bed-fixed":
            studio.paint_mesh(self._gantry.moved((0.0, there[1], there[2])), pose, self._gantry_lit)
        return studio.picture

    def develop(self, picture: Float32, mishap: Mishap, noise: float = 0.0) -> NDArray[np.uint8]:
        """Return a picture in linear light as the camera's chip and software give it."""
        soft = cv2.GaussianBlur(picture, (3, 3), 0.55)
        out = np.empty(picture.shape, np.uint8)
        offset = np.random.default_rng([mishap.seed, 61]).integers(0, 512, 2)
        render_kernels.develop(soft, mishap.gain, self._noise, offset, float(noise), tone_curve(), 0.16, out)
        return out

    def shifts(
        self, nozzle_mm: Place, error_mm: Place, shake_rad: tuple[float, float, float]
    ) -> tuple[Shift, Shift]:
        """Return how print and surroundings shift against the ideal picture."""
        ideal = self.pose(nozzle_mm)
        actual = self.pose(_sum(nozzle_mm, error_mm)).turned(shake_rad)
        if self.camera.mount in (
            "toolhead",
            "gantry",
        ):  # the foot is seldom seen there: what lies under the tip
            points = np.array(nozzle_mm) + _cross(TIP_ARM_MM)
        else:
            points = self.scene.foot_mm + _cross(ARM_MM)
        print_shift = shift_between(points, ideal, actual, self.lens)
        own = pose_on_mount(self.camera, self.scene.printer)
        seen = self.studio.rays[20::40, 20::40].reshape(-1, 2)
        seen = seen[np.isfinite(seen).all(axis=1)]
        rigid = own.place_mm + 100 * np.column_stack([seen, np.ones(len(seen))]) @ own.axes
        return print_shift, shift_between(rigid, own, own.turned(shake_rad), self.lens)


def metered_gain(picture: Float32) -> float:
    """Return the exposure that a camera's automatic would choose for a picture in linear light.

    The mean of the developed picture is held at `MEAN`, but no more than one pixel in a hundred may pass
    `BRIGHT`, within `FURTHEST` times either way; common practice of small cameras, no source.
    """
    grey = picture[::6, ::6] @ np.array([0.2126, 0.7152, 0.0722], np.float32)  # IEC 61966-2-1
    curve = tone_curve()
    low, high = 1 / FURTHEST, FURTHEST
    for _ in range(12):
        gain = math.sqrt(low * high)
        shown = curve[np.clip(grey * (gain * CURVE), 0, CURVE).astype(np.int64)]
        dark = shown.mean() < MEAN and np.percentile(shown, 99) < BRIGHT
        low, high = (gain, high) if dark else (low, gain)
    return math.sqrt(low * high)


def tone_curve() -> Float32:
    """Return 8-bit sRGB (IEC 61966-2-1) for evenly spaced linear light from 0 to 1."""
    light = np.linspace(0, 1, CURVE + 1)
    return (255 * np.where(light <= 0.0031308, 12.92 * light, 1.055 * light ** (1 / 2.4) - 0.055)).astype(
        np.float32
    )


def _cross(arm_mm: float) -> Float:
    return arm_mm * np.array([[0.0, 0, 0], [1, 0, 0], [-1, 0, 0], [0, 1, 0], [0, -1, 0]])


def _sum(a: Place, b: Place) -> Place:
    return (a[0] + b[0], a[1] + b[1], a[2] + b[2])
