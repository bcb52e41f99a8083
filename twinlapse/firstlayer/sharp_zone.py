"""Where a survey's pictures show the layer sharp: within the depth of field of one stop at least."""

from __future__ import annotations

import numpy as np

from twinlapse.arrays import Bool
from twinlapse.firstlayer.mosaic import LayerPictures, Mosaic
from twinlapse.optics.pose import in_picture, pose_on_mount, see
from twinlapse.optics.window import defocus_px

__all__ = ["CIRCLE_PX", "sharp_zone"]

CIRCLE_PX = 1.0  # blur of depth up to this diameter counts as sharp, as `rig check` has it
_STEP_MM = 0.5  # cells in which it is worked out: the blur changes slowly


def sharp_zone(survey: LayerPictures, mosaic: Mosaic) -> Bool:
    """Return where on the map, (height, width), a stop shows the layer sharp by its depth of field.

    Parameters
    ----------
    survey : LayerPictures
        With the camera by which the map was made.
    mosaic : Mosaic
    """
    canvas = mosaic.canvas
    every = max(1, round(_STEP_MM / canvas.step_mm))
    places = canvas.grid_mm()[::every, ::every]
    pose, lens = pose_on_mount(survey.camera, survey.printer), survey.camera.lens
    sharp = np.zeros(places.shape[:2], np.bool_)
    for frame, shift in zip(survey.frames, mosaic.shifts_mm, strict=True):
        off = places - np.array(frame.nozzle_mm[:2]) - shift
        depth = np.full((*off.shape[:2], 1), survey.top_mm - frame.nozzle_mm[2])
        points = np.concatenate([off, depth], axis=-1).reshape(-1, 3)
        good = in_picture(see(points, pose, lens), lens, 1.0)
        good &= defocus_px(points, pose, survey.camera) <= CIRCLE_PX
        sharp |= good.reshape(sharp.shape)
    whole = np.repeat(np.repeat(sharp, every, axis=0), every, axis=1)
    return whole[: canvas.height, : canvas.width]
