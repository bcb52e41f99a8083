"""Checks of a rig: does each camera see what it should, how sharply, and is anything in the way."""

from __future__ import annotations

from twinlapse.optics.pose import pose_on_mount
from twinlapse.optics.upright import upright_camera
from twinlapse.rig.camera import Camera
from twinlapse.rig.finding import Finding, finding
from twinlapse.rig.housing_check import check_housing
from twinlapse.rig.model import Rig
from twinlapse.rig.printer import Printer
from twinlapse.rig.standing_check import check_standing_camera
from twinlapse.rig.tip_check import check_sight, check_tip

__all__ = ["RAW_BYTES", "RAW_FPS", "USB2_BYTES_S", "check_rig"]

USB2_BYTES_S = (
    24_576_000  # 3 x 1024 bytes in each of 8000 microframes a second (USB 2.0 specification, 5.6.4)
)
RAW_BYTES = 2  # of a pixel in the uncompressed 4:2:2 form
RAW_FPS = 30


def check_rig(rig: Rig, *, circle_px: float = 1.0) -> list[Finding]:
    """Return every finding on the cameras of a rig, in the order of the file.

    Parameters
    ----------
    rig : Rig
    circle_px : float
        Circle of confusion: blur up to this diameter counts as sharp.
    """
    findings = []
    for camera in map(upright_camera, rig.cameras):
        if camera.mount == "toolhead":
            findings += _check_toolhead_camera(camera, rig.printer, circle_px)
        else:
            findings += check_standing_camera(camera, rig.printer, circle_px)
    return findings + _check_bus(rig)


def _check_toolhead_camera(camera: Camera, printer: Printer, circle_px: float) -> list[Finding]:
    own = pose_on_mount(camera, printer)
    return [
        *check_tip(camera, printer, own, circle_px),
        check_sight(camera, printer, own),
        *check_housing(camera, printer, own),
    ]


def _check_bus(rig: Rig) -> list[Finding]:
    plugged = [camera for camera in rig.cameras if camera.source.startswith("v4l2:")]
    load = {c.name: c.lens.width_px * c.lens.height_px * RAW_BYTES * RAW_FPS for c in plugged}
    if not load:
        return []
    total, holds = sum(load.values()), sum(load.values()) <= USB2_BYTES_S
    return [
        finding(
            "+".join(load),
            "bandwidth",
            holds=None if holds else False,
            text=f"uncompressed at {RAW_FPS} frames per second: {total / 1e6:.1f} MB/s of the "
            f"{USB2_BYTES_S / 1e6:.1f} MB/s that a USB 2.0 bus gives one stream",
            hint="let the camera send JPEG, or plug the cameras into different controllers",
            values={"bytes_s": total, "limit_bytes_s": USB2_BYTES_S},
        )
    ]
