"""What a film is made with: the rig's settings for the film and for each camera."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path

from twinlapse.film.events import Event
from twinlapse.film.print_facts import PrintFacts
from twinlapse.rig.camera import Camera, Lens
from twinlapse.rig.film_settings import Box, CameraFilming, Filming
from twinlapse.rig.model import Rig

__all__ = ["PREVIEW_PX", "CameraOptions", "FilmOptions", "options_from_rig"]

PREVIEW_PX = 360  # short side of a preview at most


@dataclass(frozen=True, slots=True, kw_only=True)
class CameraOptions:
    """How one camera's frames come onto the film."""

    filming: CameraFilming = field(default_factory=CameraFilming)
    rotate_deg: int = 0
    mirror: bool = False
    riding: bool = False  # it is bolted to the toolhead
    lens: Lens | None = None  # None: nothing to straighten


@dataclass(frozen=True, slots=True, kw_only=True)
class FilmOptions:
    """Everything about a film but the frames themselves."""

    filming: Filming = field(default_factory=Filming)
    cameras: Mapping[str, CameraOptions] = field(default_factory=dict)
    print_facts: PrintFacts | None = None  # what the sliced file says
    projected: Mapping[str, Box] = field(default_factory=dict)  # camera -> where plan and rig put the print
    events: tuple[Event, ...] = ()  # what happened, for captions and close-ups
    preview: bool = False  # small, every third moment, as long as the film
    poster: Path | None = None  # the last film frame as a picture
    contact: Path | None = None  # film frames in rows as a picture
    aligned: Path | None = None  # folder for every frame, aligned and evenly lit
    sidecar: bool = True  # every shift and gain as FILM.json
    # shots shown or hidden by the maker's own choice; by camera, "" for all
    keep: Mapping[str, frozenset[int]] = field(default_factory=dict)
    drop: Mapping[str, frozenset[int]] = field(default_factory=dict)
    workers: int = 0  # processes that make the film in pieces; 0: threads of this one
    cluster: str = ""  # address of a dask.distributed scheduler to make the pieces instead
    cache: bool = True  # what was measured is kept beside the frames

    def camera(self, name: str) -> CameraOptions:
        """Return the settings of a camera, standard ones where nothing is said."""
        return self.cameras.get(name, CameraOptions())


def options_from_rig(rig: Rig) -> FilmOptions:
    """Return the film settings of a rig."""
    return FilmOptions(
        filming=rig.film, cameras={camera.name: _camera_options(camera) for camera in rig.cameras}
    )


def _camera_options(camera: Camera) -> CameraOptions:
    lens = camera.lens
    bent = any(lens.distortion) or lens.kind == "fisheye"
    return CameraOptions(
        filming=camera.film,
        rotate_deg=camera.rotate_deg,
        mirror=camera.mirror,
        riding=camera.mount == "toolhead",
        lens=lens if bent and camera.film.straighten else None,
    )
