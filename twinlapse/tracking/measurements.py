"""What the first pass saw in the frames of a camera, as columns; kept beside the frames.

Another layout, another length or another way to hold the picture needs no second look.
"""

from __future__ import annotations

import contextlib
import hashlib
import zipfile
from collections.abc import Sequence
from dataclasses import dataclass, fields
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from twinlapse.arrays import Float
from twinlapse.errors import FileProblemError
from twinlapse.files import replacing
from twinlapse.frames.sequence import FrameFile
from twinlapse.rig.film_settings import CameraFilming

__all__ = ["VERSION", "Column", "Looks", "keep", "key_of", "read_kept"]

VERSION = "looks/26"

Column = NDArray[np.float32]  # half the memory, and a ten-thousandth of a pixel


@dataclass(frozen=True, slots=True, kw_only=True)
class Looks:
    """What was seen in n frames with k tiles; rows of unusable frames hold what does nothing."""

    size: NDArray[np.int64]  # (2,) width, height
    foot: Float  # (2,) px: where the print stands in the picture
    centres: Float  # (k, 2) px in the reference
    part: NDArray[np.int64]  # (k,) to which reference a tile belongs
    coarse: NDArray[np.bool_]  # (k,) a large tile anywhere, else a small one near the print
    shifts: Column  # (n, k, 2) px
    weights: Column  # (n, k)
    tone: Float  # (n, 4) luma's mean, spread, share at white; code of a channel that a thousandth passes
    curve: Float  # (18,) the camera's tone curve, see ToneCurve
    alike: Float  # (n,) share of the steady blocks that look like themselves
    blur: Float  # (n,) px: how far the picture moved while it was exposed
    body: Float  # (n, 2, 3) where a rigid body in the picture, the nozzle, lies against the reference
    body_sure: Float  # (n,) 0 to 1; zeros where there is no such body
    scene: NDArray[np.bool_]  # () what is behind that body can be held
    lit: Float  # (DOWN, ACROSS) where the light may be read off, 0 to 1
    ratio: Float  # (n, 3) linear light of each channel over the film's common level
    white: Float  # (n, 3) code that what is clipped in a frame has in the others
    ratio_sure: Float  # (n,) 0 to 1
    plain: NDArray[np.int64]  # (b,) blocks that are plain and stay the same
    left: NDArray[np.int8]  # (n, b, 3) by how much they are too high once evened, see PlainParts
    faults: NDArray[np.str_]  # (n,) "" where the frame is good


def key_of(files: Sequence[FrameFile], filming: CameraFilming) -> str:
    """Name all that the measurement depends on: the frames as they lie there, and what is asked of them."""
    said = [VERSION, filming.model, str(filming.hold == "off"), str(filming.region), str(filming.ignore)]
    for file in files:
        with contextlib.suppress(OSError):
            state = file.path.stat()
            said.append(f"{file.path.name} {state.st_size} {state.st_mtime_ns}")
    return hashlib.sha256("\n".join(said).encode()).hexdigest()


def keep(path: Path, key: str, looks: Looks) -> None:
    """Write what was seen to a file; a folder that cannot be written is no fault."""
    columns: dict[str, Any] = {name.name: getattr(looks, name.name) for name in fields(Looks)}
    with contextlib.suppress(FileProblemError), replacing(path) as file:
        np.savez(file, key=np.array(key), **columns)


def read_kept(path: Path, key: str) -> Looks | None:
    """Return what was kept under this key; None where there is nothing, or something else."""
    if not path.is_file():
        return None
    try:
        with np.load(path, allow_pickle=False) as kept:
            if str(kept["key"]) != key:
                return None
            return Looks(**{name.name: kept[name.name] for name in fields(Looks)})
    except (OSError, ValueError, KeyError, EOFError, zipfile.BadZipFile):
        return None  # damaged: it is only a copy of what can be measured again
