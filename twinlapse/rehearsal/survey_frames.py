"""A survey of the first layer by the virtual nozzle camera, with faults put in and the truth beside."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

import numpy as np

from twinlapse.arrays import Float
from twinlapse.files import write_bytes, write_json
from twinlapse.gcode import find_layers, read_toolpath
from twinlapse.optics.pose import on_plane, pose_in_bed
from twinlapse.rehearsal.beads import beads_of
from twinlapse.rehearsal.defects import Kind, layer_beads, put_in
from twinlapse.rehearsal.execution import encode, rest_place
from twinlapse.rehearsal.faults import Faults, mishaps, parking_error
from twinlapse.rehearsal.nuisances import NO_NUISANCES, Nuisances
from twinlapse.rehearsal.scene import TERRACOTTA, Scene, VirtualCamera
from twinlapse.rehearsal.virtual_machine import Place
from twinlapse.rig import Camera, Printer, Rig

__all__ = ["FILAMENTS", "USED", "Conditions", "survey", "survey_places"]

_FILE = "survey.json"
FILAMENTS: dict[str, Place] = {
    "terracotta": TERRACOTTA,
    "dark": (0.03, 0.032, 0.036),
    "light": (0.62, 0.60, 0.55),
}
USED = (0.12, 0.52, 0.88, 0.97)  # left, top, right, bottom share of the picture that shows the layer unhidden


@dataclass(frozen=True, slots=True, kw_only=True)
class Conditions:
    """What the survey looks at, and in what light."""

    filament: str = "terracotta"  # one of FILAMENTS
    textured: bool = True  # the bed has grain and lines; else it is bare
    glare: float = 0.35  # how much of the lamp the bed throws back like a mirror; 2 and more blinds
    metered: bool = True  # the camera exposes by what it sees, as cameras do; else as for terracotta
    overlap: float = 0.35  # of neighbouring pictures
    height_mm: float = 0.5  # of the nozzle above the layer
    nuisances: Nuisances = NO_NUISANCES  # of the camera
    jpeg_quality: int = 93


def survey(
    gcode: Path,
    rig: Rig,
    folder: Path,
    *,
    camera: str = "nozzle",
    layer: int = 0,
    defects: Sequence[tuple[Kind, float]] = (),
    conditions: Conditions | None = None,
    faults: Faults | None = None,
    seed: int = 1,
    progress: Callable[[float], None] | None = None,
) -> dict[str, Any]:
    """Photograph a grid over one layer of a sliced file.

    Parameters
    ----------
    gcode : Path
    rig : Rig
    folder : Path
        Gets ``000001.jpg`` ... and ``survey.json``, the truth.
    camera : str
    layer : int
        From 0; only this layer lies on the bed.
    defects : sequence of (kind, size_mm)
        See `twinlapse.rehearsal.defects.put_in`.
    conditions : Conditions, optional
    faults : Faults, optional
        Missing and damaged frames are left out here.
    seed : int
    progress : callable, optional

    Returns
    -------
    dict
        What ``survey.json`` holds: ``z_mm`` of the layer's top, ``frames`` with ``file``, ``nozzle_mm`` as
        commanded, ``error_mm`` and ``gain``, ``defects`` with kind, place and size, the conditions.
    """
    conditions, faults = conditions or Conditions(), faults or Faults()
    path = read_toolpath(gcode, firmware=rig.printer.firmware)
    z_mm = float(find_layers(path).z_mm[layer])
    beads = layer_beads(beads_of(path, rig.printer.filament_mm, rig.printer.nozzle_mm), path, layer)
    spoilt, put = put_in(beads, defects, np.random.default_rng([seed, 4]))
    scene = Scene.of(
        spoilt,
        path,
        rig.printer,
        rest_place(rig),
        FILAMENTS[conditions.filament],
        textured=conditions.textured,
        bed_gloss=conditions.glare,
        nuisances=conditions.nuisances,
    )
    eye = next(some for some in rig.cameras if some.name == camera)
    ends = np.concatenate([beads.first_mm, beads.last_mm])[:, :2]
    box = (ends.min(axis=0).astype(np.float64), ends.max(axis=0).astype(np.float64))
    places = survey_places(eye, rig.printer, box, z_mm, conditions)
    virtual = VirtualCamera(scene, eye, conditions.nuisances, seed)
    folder.mkdir(parents=True, exist_ok=True)
    frames = []
    for k, (place, mishap) in enumerate(zip(places, mishaps(seed, 9, len(places), faults), strict=True), 1):
        error = parking_error(seed, k, 9, faults)
        name = f"{k:06d}.jpg"
        picture = virtual.take(
            place, error, len(scene.beads), mishap, faults.noise, metered=conditions.metered
        )
        write_bytes(folder / name, encode(picture, conditions.jpeg_quality))
        frames.append({"file": name, "nozzle_mm": place, "error_mm": error, "gain": mishap.gain})
        if progress is not None:
            progress(k / len(places))
    truth = {
        "gcode": str(gcode.name),
        "camera": camera,
        "layer": layer,
        "z_mm": z_mm,
        "frames": frames,
        "defects": [asdict(defect) for defect in put],
        "conditions": asdict(conditions),
    }
    write_json(folder / _FILE, truth)
    return truth


def survey_places(
    camera: Camera, printer: Printer, box: tuple[Float, Float], z_mm: float, conditions: Conditions
) -> list[Place]:
    """Return where the nozzle goes so that the unhidden parts of the pictures cover a box with overlap."""
    nozzle = (0.0, 0.0, z_mm + conditions.height_mm)
    size = np.array([camera.lens.width_px, camera.lens.height_px])
    corners = np.array([[USED[i], USED[j]] for j in (1, 3) for i in (0, 2)]) * size
    seen = on_plane(corners, pose_in_bed(camera, printer, nozzle), camera.lens, z_mm)[:, :2]
    low, high = _inner_box(seen)
    step = (high - low) * (1 - conditions.overlap)
    counts = np.maximum(1, np.ceil((box[1] - box[0] + 2 - (high - low)) / step).astype(int) + 1)
    middle, aim = (box[0] + box[1]) / 2, (low + high) / 2
    places: list[Place] = []
    for j in range(int(counts[1])):
        row = [middle + (np.array([i, j]) - (counts - 1) / 2) * step - aim for i in range(int(counts[0]))]
        for x, y in row if j % 2 == 0 else reversed(row):  # there and back: a short way
            places.append((round(float(x), 3), round(float(y), 3), nozzle[2]))
    return places


def _inner_box(corners: Float) -> tuple[Float, Float]:
    """Return a box along the axes that lies within a four-cornered outline, about its middle."""
    middle = corners.mean(axis=0)
    outline = corners[[0, 1, 3, 2]]
    half = (corners.max(axis=0) - corners.min(axis=0)) / 2
    low, high = 0.0, 1.0
    for _ in range(25):
        share = (low + high) / 2
        box = middle + share * half * np.array([[-1, -1], [1, -1], [1, 1], [-1, 1]])
        low, high = (share, high) if all(_within(point, outline) for point in box) else (low, share)
    return middle - low * half, middle + low * half


def _within(point: Float, outline: Float) -> bool:
    way, arm = np.roll(outline, -1, axis=0) - outline, point - outline
    turns = way[:, 0] * arm[:, 1] - way[:, 1] * arm[:, 0]
    return bool((turns >= 0).all() or (turns <= 0).all())
