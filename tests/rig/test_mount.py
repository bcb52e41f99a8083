"""The holder: angle, volume against closed forms, closed, printable without support, walls."""

from __future__ import annotations

import json
import math
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner

from twinlapse.cli.rig import command
from twinlapse.errors import RigError
from twinlapse.rig import Camera, Printer
from twinlapse.rig.mount import (
    DEPTH,
    SLOT_SIDE_MM,
    WedgeMount,
    build,
    checked,
    inspect,
    mount_for,
    write_solid,
)
from twinlapse.rig.template import rig_text

trimesh = pytest.importorskip("trimesh", reason="needs the extra 'wedge'")
pytest.importorskip("manifold3d", reason="needs the extra 'wedge'")
BED = Printer(bed_mm=(220, 220), height_mm=250)


def _segment(radius: float, depth: float) -> float:
    """Area of a circular segment of a height (any handbook of mathematics)."""
    return radius**2 * math.acos((radius - depth) / radius) - (radius - depth) * math.sqrt(
        2 * radius * depth - depth**2
    )


def _volume(wedge: WedgeMount) -> float:
    """The parts of a wedge by closed forms; a groove cut by two parallel planes holds area times length."""
    tilt = wedge.tilt
    prism = wedge.width_mm * wedge.run_mm * (wedge.thin_mm + wedge.thick_mm) / 2
    cable = wedge.cable_mm / 2 + 0.15
    grooves = _segment(wedge.radius_mm, DEPTH * wedge.radius_mm) * wedge.length_mm
    grooves += _segment(cable, DEPTH * cable) * wedge.relief_mm
    tunnel = wedge.strap_mm * SLOT_SIDE_MM + wedge.strap_mm**2 / 4
    ear = (wedge.screw_mm + 2 * wedge.wall_mm) * wedge.ear_mm - math.pi * wedge.screw_mm**2 / 4
    assert tilt > 0
    return prism - grooves - 3 * tunnel * wedge.width_mm + (2 * ear * wedge.wall_mm if wedge.screw_mm else 0)


@pytest.mark.parametrize("angle", [20.0, 40.0, 50.0, 60.0])
@pytest.mark.parametrize("screw", [0.0, 3.4])
def test_volume_by_closed_forms_and_soundness(angle: float, screw: float) -> None:
    camera = Camera(name="nozzle", mount="toolhead")
    wedge = mount_for(camera, BED, angle_deg=angle, screw_mm=screw)
    sound = inspect(build(wedge))
    assert sound.faults(wedge) == []
    assert sound.volume_mm3 == pytest.approx(_volume(wedge), rel=1e-3)
    assert sound.overhang_deg == pytest.approx(45, abs=0.01)  # the gables of the tunnels
    assert sound.wall_mm == pytest.approx(wedge.wall_mm, rel=0.02)


def test_the_slope_has_the_angle_and_a_rod_in_the_groove_points_along_it() -> None:
    wedge = WedgeMount(angle_deg=35, body_mm=8)
    mesh = build(wedge)
    slope = np.array([-math.sin(wedge.tilt), 0, math.cos(wedge.tilt)])
    assert (np.abs(mesh.face_normals @ slope - 1) < 1e-6).any()
    # the groove's floor line: straight up from the mounting face the solid ends where the housing would rest
    for share in (0.05, 0.5, 0.95):
        x = share * wedge.length_mm * math.cos(wedge.tilt)
        expected = wedge.thin_mm + x * math.tan(wedge.tilt) - DEPTH * wedge.radius_mm / math.cos(wedge.tilt)
        cut = mesh.section(plane_origin=[x, 0, 0], plane_normal=[1, 0, 0])
        on_middle = [p[2] for p in cut.vertices if abs(p[1]) < 0.2]
        assert max(on_middle) == pytest.approx(expected, abs=0.01)


def test_the_angle_follows_from_the_rig() -> None:
    camera = Camera(name="nozzle", mount="toolhead", place_mm=(30.0, 0.0, 30.0), look_mm=(0.0, 0.0, 0.0))
    assert mount_for(camera, BED, face="side").angle_deg == pytest.approx(45)
    steep = Camera(name="nozzle", mount="toolhead", place_mm=(20.0, 0.0, 34.641), look_mm=(0.0, 0.0, 0.0))
    assert mount_for(steep, BED, face="side").angle_deg == pytest.approx(30, abs=1e-3)
    assert mount_for(steep, BED, face="level").angle_deg == pytest.approx(60, abs=1e-3)


@pytest.mark.parametrize(
    "measures",
    [{"angle_deg": 75.0}, {"body_mm": 90.0}, {"length_mm": 5.0}, {"wall_mm": 0.2}, {"cable_mm": 9.0}],
)
def test_what_cannot_be_built_is_said(measures: dict[str, float]) -> None:
    with pytest.raises(RigError) as caught:
        checked(WedgeMount(**{"angle_deg": 40.0, "body_mm": 8.0, **measures}))
    assert caught.value.hint


@pytest.mark.parametrize("suffix", [".stl", ".3mf"])
def test_a_file_reads_back_closed(tmp_path: Path, suffix: str) -> None:
    wedge = WedgeMount(angle_deg=40, body_mm=8)
    path = tmp_path / f"wedge{suffix}"
    write_solid(build(wedge), path)
    again = trimesh.load_mesh(path)
    assert again.is_watertight
    assert again.volume == pytest.approx(_volume(wedge), rel=2e-3)


def test_wedge_on_the_command_line(tmp_path: Path) -> None:
    rig = tmp_path / "rig.toml"
    rig.write_text(rig_text({}))
    run = CliRunner().invoke(
        command,
        ["mount", str(rig), "-o", str(tmp_path / "w.3mf"), "--drawing", str(tmp_path / "w.svg"), "--json"],
    )
    assert run.exit_code == 0, run.output
    assert json.loads(run.output)["faults"] == []
    assert (tmp_path / "w.3mf").stat().st_size > 1000
    assert "<svg" in (tmp_path / "w.svg").read_text()
    bad = CliRunner().invoke(command, ["mount", str(rig), "-o", str(tmp_path / "w.obj")])
    assert bad.exit_code == 2 and "must end in .stl or .3mf" in bad.output


def test_an_independent_cutter_slices_the_holder(tmp_path: Path) -> None:
    """Layers of 0.2 mm by a library that shares no code with the one that builds the solid (meshcut)."""
    meshcut = pytest.importorskip("meshcut", reason="needs the extra 'oracle'")
    stl = pytest.importorskip("stl", reason="needs the extra 'oracle'")
    wedge = WedgeMount(angle_deg=40, body_mm=8)
    path = tmp_path / "wedge.stl"
    write_solid(build(wedge), path)
    corners = stl.mesh.Mesh.from_file(str(path)).vectors.reshape(-1, 3).astype(np.float64)
    points, faces = np.unique(corners, axis=0, return_inverse=True)
    faces = faces.reshape(-1, 3)
    edges = np.unique(np.sort(faces[:, [0, 1, 1, 2, 2, 0]].reshape(-1, 2), axis=1), axis=0)
    low, high = points[:, 2].min(), points[:, 2].max()
    # a height of its own between corners: a plane through a corner cuts no line
    heights = np.arange(low + 0.1003, high, 0.2)
    material = 0.0
    for height in heights:
        loops = meshcut.cross_section(points, faces, (0, 0, height), (0, 0, 1))
        # the contours pass every edge that the plane cuts once: none is left open
        crossed = np.count_nonzero(np.diff(points[edges, 2] > height, axis=1))
        assert sum(map(len, loops)) == crossed > 0
        material += 0.2 * _even_odd([np.vstack([loop, loop[:1]])[:, :2] for loop in loops])
    assert material == pytest.approx(_volume(wedge), rel=0.02)


def _even_odd(loops: list[np.ndarray]) -> float:
    """Area inside an odd number of closed loops that do not cross."""
    total = 0.0
    for loop in loops:
        x, y = loop.T
        area = abs(float((x[:-1] * y[1:] - x[1:] * y[:-1]).sum())) / 2
        around = sum(_inside(loop[0], other) for other in loops if other is not loop)
        total += -area if around % 2 else area
    return total


def _inside(point: np.ndarray, loop: np.ndarray) -> bool:
    """Whether a ray to the right crosses the loop an odd number of times."""
    (x0, y0), (x1, y1) = loop[:-1].T, loop[1:].T
    crosses = (y0 > point[1]) != (y1 > point[1])
    at = x0 + (point[1] - y0) / np.where(y1 == y0, 1, y1 - y0) * (x1 - x0)
    return bool(np.count_nonzero(crosses & (at > point[0])) % 2)
