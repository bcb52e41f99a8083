"""A printable camera mount: a wedge that points a round camera at the nozzle tip from a flat mounting face.

The wedge is printed as it is described here: the mounting face lies on the bed (z = 0), x runs along it from
the thin to the thick end, y across. Its slope carries the camera in a groove; straps run through tunnels
below it, whose roofs are gables of 45 degrees, so that nothing needs support. A strap near the thick end
holds the cable in a groove of its own. Ears with screw holes fix the mount.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from twinlapse.arrays import Float
from twinlapse.errors import RigError, TwinlapseError
from twinlapse.optics.pose import pose_on_mount
from twinlapse.rig.camera import Camera
from twinlapse.rig.printer import Printer

if TYPE_CHECKING:
    from pathlib import Path

__all__ = [
    "DEPTH",
    "OVERHANG_DEG",
    "PLAY_MM",
    "ROUND",
    "SLOT_SIDE_MM",
    "Soundness",
    "WedgeMount",
    "build",
    "checked",
    "inspect",
    "mount_for",
    "tunnel_outline",
    "write_solid",
]

OVERHANG_DEG = 50.0  # steepest overhang that prints without support; common practice, no source
PLAY_MM = 0.15  # between groove and housing, all round; common practice, no source
# depth of the groove over its radius: less than half, so that the housing goes in; common practice, no source
DEPTH = 0.7
SLOT_SIDE_MM = 1.6  # upright side of a strap tunnel; a strap is 1.2 mm thick; common practice, no source
ROUND = 160  # sides of a circle: on a radius of 20 mm they are 0.004 mm off, r (1 - cos(pi / n))


@dataclass(frozen=True, slots=True, kw_only=True)
class WedgeMount:
    """The measures of a mount."""

    angle_deg: float  # between the mounting face and the camera's axis
    body_mm: float  # diameter of the housing
    length_mm: float = 30.0  # of the groove that holds it
    cable_mm: float = 4.0
    relief_mm: float = 12.0  # length of the groove that holds the cable
    strap_mm: float = 4.0  # width of a strap
    wall_mm: float = 2.4  # least thickness
    screw_mm: float = 3.4  # hole for a screw; 0: no ears

    @property
    def tilt(self) -> float:
        """The angle in radians."""
        return math.radians(self.angle_deg)

    @property
    def radius_mm(self) -> float:
        """Radius of the groove."""
        return self.body_mm / 2 + PLAY_MM

    @property
    def width_mm(self) -> float:
        """Width across the groove."""
        return 2 * (self.radius_mm + self.wall_mm)

    @property
    def slope_mm(self) -> float:
        """Length of the slope."""
        return self.length_mm + self.relief_mm

    @property
    def run_mm(self) -> float:
        """Length along the mounting face."""
        return self.slope_mm * math.cos(self.tilt)

    @property
    def straps_mm(self) -> tuple[float, ...]:
        """Places of the tunnels along the slope: two for the camera, one for the cable."""
        return 0.25 * self.length_mm, 0.8 * self.length_mm, self.length_mm + self.relief_mm / 2

    @property
    def thin_mm(self) -> float:
        """Height of the thin end: what the first tunnel needs above and below it."""
        below = self.wall_mm + SLOT_SIDE_MM + self.strap_mm / 2 + self.wall_mm / math.cos(self.tilt)
        return below + self._sink_mm - self._rise_mm(self.straps_mm[0])

    @property
    def thick_mm(self) -> float:
        """Height of the thick end."""
        return self.thin_mm + self.slope_mm * math.sin(self.tilt)

    @property
    def ear_mm(self) -> float:
        """How far an ear extends at each side."""
        return self.screw_mm + 2 * self.wall_mm if self.screw_mm else 0.0

    def apex_mm(self, strap: float) -> tuple[float, float]:
        """Return x and z of the ridge of the tunnel at `strap` along the slope."""
        z = self.thin_mm + self._rise_mm(strap) - self._sink_mm - self.wall_mm / math.cos(self.tilt)
        return strap * math.cos(self.tilt), z

    @property
    def _sink_mm(self) -> float:
        return DEPTH * self.radius_mm / math.cos(self.tilt)

    def _rise_mm(self, strap: float) -> float:
        # of the slope above its foot, at the side of the tunnel that is nearer to the thin end
        return strap * math.sin(self.tilt) - self.strap_mm / 2 * math.tan(self.tilt)


@dataclass(frozen=True, slots=True, kw_only=True)
class Soundness:
    """What was measured on the finished solid."""

    watertight: bool
    volume_mm3: float
    overhang_deg: float  # steepest face that looks down, the one on the bed apart
    wall_mm: float  # thinnest place found

    def faults(self, mount: WedgeMount) -> list[str]:
        """Return the reasons why it cannot be printed well."""
        found = [] if self.watertight else ["the solid is not closed"]
        if self.overhang_deg > OVERHANG_DEG:
            found.append(f"a face overhangs by {self.overhang_deg:.0f} degrees")
        if self.wall_mm < 0.95 * mount.wall_mm:
            found.append(f"a wall is {self.wall_mm:.2f} mm thin")
        return found


def mount_for(camera: Camera, printer: Printer, *, face: str = "side", **measures: Any) -> WedgeMount:
    """Return the wedge that holds a camera as the rig file describes it.

    Parameters
    ----------
    camera : Camera
    printer : Printer
    face : {"side", "level"}
        The mounting face: an upright side of the toolhead that faces the camera, or a level one.
    **measures
        Fields of `WedgeMount` to set by hand.
    """
    ahead = pose_on_mount(camera, printer).axes[2]
    down = math.degrees(math.asin(max(-1.0, min(1.0, -float(ahead[2])))))
    angle = 90 - down if face == "side" else down
    mount = WedgeMount(**{"angle_deg": angle, "body_mm": camera.body_mm[0], **measures})
    length, relief = _room_for_straps(mount)
    grown = {"length_mm": max(mount.length_mm, length), "relief_mm": max(mount.relief_mm, relief)}
    return checked(replace(mount, **{**grown, **measures}))


def _room_for_straps(mount: WedgeMount) -> tuple[float, float]:
    """Return the least length of both grooves that leaves a wall beyond the first and the last tunnel."""
    room = (mount.wall_mm + mount.strap_mm / 2) / math.cos(mount.tilt)
    return math.ceil(room / 0.25), math.ceil(2 * room)


def checked(mount: WedgeMount) -> WedgeMount:
    """Return the wedge if it can be built.

    Raises
    ------
    RigError
        when an angle or a measure is out of range.
    """
    if not 5 <= mount.angle_deg <= 60:
        raise RigError(
            f"a wedge of {mount.angle_deg:.0f} degrees cannot be built",
            "choose the other face: 5 to 60 degrees",
        )
    if not 3 <= mount.body_mm <= 60 or not 1 <= mount.cable_mm < mount.body_mm:
        raise RigError("the housing or the cable has no usual size", "housing 3 to 60 mm, the cable thinner")
    if mount.wall_mm < 0.8 or mount.strap_mm < 1 or mount.screw_mm < 0:
        raise RigError("a wall, a strap or a screw is too thin", "walls 0.8 mm, straps 1 mm and more")
    length, relief = _room_for_straps(mount)
    if mount.length_mm < length or mount.relief_mm < relief:
        raise RigError(
            "the grooves leave no room for the straps",
            f"make them {length:g} mm (camera) and {relief:g} mm (cable) long, or the straps narrower",
        )
    return mount


def build(mount: WedgeMount) -> Any:
    """Return the wedge as a ``trimesh.Trimesh`` in its printing position.

    Raises
    ------
    TwinlapseError
        when the geometry library is not installed.
    """
    try:
        import manifold3d as solid
        import trimesh
    except ImportError:
        raise TwinlapseError(
            "the geometry library for wedges is not installed",
            "run: pip install lxml manifold3d networkx trimesh",
        ) from None
    body = _prism(
        [(0, 0), (mount.run_mm, 0), (mount.run_mm, mount.thick_mm), (0, mount.thin_mm)], mount.width_mm
    )
    if mount.screw_mm:
        body += _ears(mount)
    body -= _groove(mount, mount.radius_mm, DEPTH * mount.radius_mm, -1.0, mount.length_mm)
    cable = mount.cable_mm / 2 + PLAY_MM
    body -= _groove(mount, cable, DEPTH * cable, mount.length_mm - 0.5, mount.slope_mm + 1.0)
    for strap in mount.straps_mm:
        body -= _prism(tunnel_outline(mount, strap), mount.width_mm + 2 * mount.ear_mm + 2)
    if body.status() != solid.Error.NoError:
        raise TwinlapseError("the solid could not be built", "change the measures a little")
    # slivers would close up when a file of 32-bit numbers is read back: take them out here
    mesh = body.simplify(0.005).to_mesh64()
    corners = np.asarray(mesh.vert_properties, dtype=np.float32)[:, :3]
    return trimesh.Trimesh(vertices=corners, faces=np.asarray(mesh.tri_verts), process=True)


def tunnel_outline(mount: WedgeMount, strap: float) -> list[tuple[float, float]]:
    """Return the outline (x, z) of a strap tunnel: a gable of 45 degrees on upright sides."""
    x, top = mount.apex_mm(strap)
    half, eaves = mount.strap_mm / 2, top - mount.strap_mm / 2
    floor = eaves - SLOT_SIDE_MM
    return [(x - half, floor), (x + half, floor), (x + half, eaves), (x, top), (x - half, eaves)]


def inspect(mesh: Any) -> Soundness:
    """Measure a finished solid."""
    down = np.degrees(np.arcsin(np.clip(-mesh.face_normals[:, 2], -1, 1)))
    on_bed = mesh.triangles[:, :, 2].max(axis=1) < 1e-6
    return Soundness(
        watertight=bool(mesh.is_watertight and mesh.is_winding_consistent),
        volume_mm3=float(mesh.volume),
        overhang_deg=float(down[~on_bed].max(initial=0.0)),
        wall_mm=_thinnest(mesh),
    )


def write_solid(mesh: Any, path: Path) -> None:
    """Write ``.stl`` or ``.3mf``, whole or not at all."""
    from twinlapse.files import write_bytes

    kind = path.suffix.lower().lstrip(".")
    if kind not in ("stl", "3mf"):
        raise RigError(f"{path.suffix!r} is no kind of solid", "name a .stl or a .3mf file", path=path)
    write_bytes(path, mesh.export(file_type=kind))


def _prism(outline: list[tuple[float, float]], width_mm: float) -> Any:
    """Return an outline (x, z) as a solid of a width across y, its middle at y = 0."""
    import manifold3d as solid

    shape = solid.CrossSection([np.array(outline, dtype=np.float64)])
    upright = solid.Manifold.extrude(shape, width_mm).rotate([90.0, 0.0, 0.0])  # z becomes -y, y becomes z
    return upright.translate([0.0, width_mm / 2, 0.0])


def _groove(mount: WedgeMount, radius_mm: float, depth_mm: float, start_mm: float, end_mm: float) -> Any:
    """Return a cylinder along the slope from `start_mm` to `end_mm`, sunk into it by `depth_mm`.

    It ends at planes square to the mounting face, as the wedge does.
    """
    import manifold3d as solid

    tilt = mount.tilt
    extra = 4 * radius_mm * math.tan(tilt) + 2
    rod = solid.Manifold.cylinder(end_mm - start_mm + 2 * extra, radius_mm, radius_mm, ROUND)
    # in the rod's own frame its axis is z, and -x will be the way off the slope
    lifted = rod.translate([depth_mm - radius_mm, 0.0, start_mm - extra])
    lying = lifted.rotate([0.0, 90.0 - mount.angle_deg, 0.0])
    placed = lying.translate([0.0, 0.0, mount.thin_mm])
    first, last = (length * math.cos(tilt) for length in (start_mm, end_mm))
    box = solid.Manifold.cube([last - first, 10 * radius_mm, 1000.0]).translate(
        [first, -5 * radius_mm, -500.0]
    )
    return placed ^ box


def _ears(mount: WedgeMount) -> Any:
    import manifold3d as solid

    width = mount.width_mm + 2 * mount.ear_mm
    length = mount.screw_mm + 2 * mount.wall_mm
    plate = solid.Manifold.cube([length, width, mount.wall_mm]).translate(
        [(mount.run_mm - length) / 2, -width / 2, 0.0]
    )
    for side in (-1, 1):
        hole = solid.Manifold.cylinder(mount.wall_mm + 2, mount.screw_mm / 2, mount.screw_mm / 2, ROUND)
        plate -= hole.translate([mount.run_mm / 2, side * (mount.width_mm + mount.ear_mm) / 2, -1.0])
    return plate


def _thinnest(mesh: Any, spread: int = 600) -> float:
    """Return the shortest path through the solid, straight in from points spread over its surface.

    Only faces that look away from each other enclose a wall: two that meet in an edge do not.
    """
    import trimesh

    points, faces = trimesh.sample.sample_surface(mesh, spread, seed=5)
    inward = -mesh.face_normals[faces]
    far, hit = _first_hit(points + 1e-4 * inward, inward, np.asarray(mesh.triangles))
    opposite = (mesh.face_normals[hit] * inward).sum(axis=1) > math.cos(
        math.radians(25)
    )  # the sharpest edge is one of 30 degrees
    return float(far[opposite].min(initial=math.inf) + 1e-4)


def _first_hit(points: Float, ways: Float, triangles: Float) -> tuple[Float, NDArray[np.int64]]:
    """Return the distance to the first triangle along each ray, and its index (Moeller and Trumbore 1997)."""
    edge1, edge2 = triangles[:, 1] - triangles[:, 0], triangles[:, 2] - triangles[:, 0]
    nearest, which = np.full(len(points), np.inf), np.zeros(len(points), np.int64)
    for index, (point, way) in enumerate(zip(points, ways, strict=True)):
        normal = np.cross(way, edge2)
        det = (edge1 * normal).sum(axis=1)
        safe = np.where(np.abs(det) > 1e-12, det, np.nan)
        off = point - triangles[:, 0]
        u = (off * normal).sum(axis=1) / safe
        aside = np.cross(off, edge1)
        v = (aside @ way) / safe
        far = (edge2 * aside).sum(axis=1) / safe
        hit = (u >= -1e-9) & (v >= -1e-9) & (u + v <= 1 + 1e-9) & (far > 1e-6)
        far = np.where(hit, far, np.inf)
        which[index] = far.argmin()
        nearest[index] = far[which[index]]
    return nearest, which
