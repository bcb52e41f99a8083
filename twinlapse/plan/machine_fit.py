"""Whether a print can have been sliced for the machine that the rig describes."""

from __future__ import annotations

import math

import numpy as np

from twinlapse.arrays import Float, Int
from twinlapse.errors import PlanError
from twinlapse.gcode import Kind, Layers, Toolpath
from twinlapse.gcode.segments import Extents, line_areas, printed_boxes, segment_chunks
from twinlapse.plan.clearance.height_map import inside_bed
from twinlapse.rig import Printer, Rig

__all__ = ["Range", "check_fit", "refuse_far"]

_FAR = 10.0  # times the machine's longest side: no macro, offset or parking place lies beyond
_EDGE_MM = 0.5  # half a line may hang over; common practice, no source
# widths of lines in nozzle diameters: slicers stay within the first pair, no nozzle prints outside the
# second; common practice, no source
_USUAL, _POSSIBLE = (0.6, 2.5), (0.25, 6.0)
_DIAMETERS_MM = (1.75, 2.85)  # the filaments that are sold
_FEWEST_LINES = 50  # rows by which a diameter is judged
_ENOUGH_LINES = 200_000  # of more rows only so many are looked at, evenly; no source
Range = tuple[float, float]


def refuse_far(toolpath: Toolpath, printer: Printer) -> None:
    """Refuse a file that names a place far beyond the machine, before anything is laid out by its size.

    Raises
    ------
    PlanError
        naming the line.
    """
    most_mm = _FAR * max(*printer.bed_mm, printer.height_mm)
    for axis, column in (("X", toolpath.x_mm), ("Y", toolpath.y_mm), ("Z", toolpath.z_mm)):
        if max(-float(column.min(initial=0)), float(column.max(initial=0))) <= most_mm:
            continue
        row = int(np.flatnonzero(np.abs(column) > most_mm)[0])
        raise PlanError(
            f"this line goes to {axis}{column[row]:g}, the machine of the rig is "
            f"{printer.bed_mm[0]:g} by {printer.bed_mm[1]:g} by {printer.height_mm:g} mm",
            "slice the print again: the file is damaged, or bed_mm and height_mm in [printer] are wrong",
            path=toolpath.path,
            line=int(toolpath.line[row]),
        )


def check_fit(toolpath: Toolpath, layers: Layers, rig: Rig) -> list[str]:
    """Return warnings about what lies beside the bed.

    Raises
    ------
    PlanError
        when the print is larger than the machine, a parking place is inside it, or the filament has another
        diameter: with the key, what the file needs and what the rig says.
    """
    printer = rig.printer
    # before the first layer, of all layers, behind the last
    edges = np.array([0, *layers.first_row[[0, -1]].tolist(), len(toolpath)])
    boxes = printed_boxes(toolpath, edges)
    low, high = boxes.low_mm[1], boxes.high_mm[1]
    _refuse_beside(toolpath, layers, printer, low, high)
    if high[2] > printer.height_mm + 1e-6:
        raise PlanError(
            f"the print is {high[2]:g} mm high, height_mm in [printer] is {printer.height_mm:g}",
            "correct height_mm, or scale the print",
        )
    _refuse_parking_inside(toolpath, layers, rig)
    return [*_filament(toolpath, layers, printer), *_prime_beside(toolpath, edges, boxes, printer)]


def _refuse_beside(toolpath: Toolpath, layers: Layers, printer: Printer, low: Float, high: Float) -> None:
    for k, (axis, (least, most)) in enumerate((("X", printer.x_range_mm), ("Y", printer.y_range_mm))):
        if least - _EDGE_MM <= low[k] and high[k] <= most + _EDGE_MM:
            continue
        hint = "correct bed_mm, or slice the print for this machine"
        other = "center" if printer.origin == "corner" else "corner"
        if _fits(low, high, printer, other):
            hint = f'with origin = "{other}" in [printer] it would fit'
        raise PlanError(
            f"the print reaches from {axis}{low[k]:g} to {axis}{high[k]:g}; by bed_mm = "
            f'[{printer.bed_mm[0]:g}, {printer.bed_mm[1]:g}] and origin = "{printer.origin}" in [printer] '
            f"the bed reaches from {least:g} to {most:g}",
            hint,
        )
    if printer.bed_shape == "round":
        _refuse_beside_disc(toolpath, layers, printer)


def _fits(low: Float, high: Float, printer: Printer, origin: str) -> bool:
    for k, side in enumerate(printer.bed_mm):
        least, most = (-side / 2, side / 2) if origin == "center" else (0.0, side)
        if low[k] < least - _EDGE_MM or high[k] > most + _EDGE_MM:
            return False
    return True


def _refuse_beside_disc(toolpath: Toolpath, layers: Layers, printer: Printer) -> None:
    middle = [sum(side) / 2 for side in (printer.x_range_mm, printer.y_range_mm)]
    radius, reach = min(printer.bed_mm) / 2, 0.0
    for chunk in segment_chunks(toolpath, *layers.first_row[[0, -1]].tolist()):
        for ends in (chunk.first_mm, chunk.last_mm):
            reach = max(reach, float(np.hypot(ends[:, 0] - middle[0], ends[:, 1] - middle[1]).max()))
    if reach > radius + _EDGE_MM:
        raise PlanError(
            f"the print reaches {reach:.1f} mm from the middle of the bed; by bed_mm in [printer] the round "
            f"bed's radius is {radius:g}",
            "correct bed_mm, or slice the print for this machine",
        )


def _refuse_parking_inside(toolpath: Toolpath, layers: Layers, rig: Rig) -> None:
    parks = [camera for camera in rig.cameras if camera.stance == "clear" and camera.park_mm is not None]
    if not parks:
        return
    near_mm = {camera.name: math.inf for camera in parks}
    for chunk in segment_chunks(toolpath, *layers.first_row[[0, -1]].tolist()):
        first, step = chunk.first_mm[:, :2], (chunk.last_mm - chunk.first_mm)[:, :2]
        square = np.maximum((step * step).sum(axis=1), 1e-12)
        for camera in parks:
            away = np.array(camera.park_mm) - first
            share = np.clip((away * step).sum(axis=1) / square, 0, 1)
            gap = float(np.hypot(*(away - share[:, None] * step).T).min())
            near_mm[camera.name] = min(near_mm[camera.name], gap)
    for camera in parks:
        assert camera.park_mm is not None
        if near_mm[camera.name] < rig.printer.toolhead.nozzle_radius_mm:
            x, y = camera.park_mm
            raise PlanError(
                f'camera "{camera.name}": park_mm = [{x:g}, {y:g}] is inside the print, '
                f"{near_mm[camera.name]:.1f} mm from what is printed",
                "name a place beside the print, or leave park_mm out",
            )


def _filament(toolpath: Toolpath, layers: Layers, printer: Printer) -> list[str]:
    """Return a warning where the diameters give lines of an unusual width; refuse impossible ones."""
    first, stop = layers.first_row[[0, -1]].tolist()
    fed = (toolpath.kind[first:stop] == Kind.EXTRUDE) & (toolpath.e_mm[first:stop] > 0)
    rows = np.flatnonzero(fed) + first
    if len(rows) < _FEWEST_LINES:
        return []
    rows = rows[:: 1 + len(rows) // _ENOUGH_LINES]
    area, height = line_areas(toolpath, layers, rows, printer.filament_mm)

    def width_mm(diameter_mm: float) -> float:
        scaled = area * (diameter_mm / printer.filament_mm) ** 2
        return float(np.median(scaled / height + height * (1 - math.pi / 4)))

    def within(diameter_mm: float, bounds: Range) -> bool:
        return bounds[0] <= width_mm(diameter_mm) / printer.nozzle_mm <= bounds[1]

    filament_mm, nozzle_mm = printer.filament_mm, printer.nozzle_mm
    if within(filament_mm, _USUAL):
        return []
    said = (
        f"the lines are {width_mm(filament_mm):.2f} mm wide if the filament is as thick as filament_mm = "
        f"{filament_mm:g} in [printer] says; nozzle_mm is {nozzle_mm:g}"
    )
    better = [d for d in _DIAMETERS_MM if d != filament_mm and within(d, _USUAL)]
    hint = f"filament_mm = {better[0]:g} would make them {width_mm(better[0]):.2f} mm" if better else ""
    if not within(filament_mm, _POSSIBLE):
        raise PlanError(said, hint or "correct filament_mm or nozzle_mm")
    return [f"{said}; {hint or 'check both'}"]


def _prime_beside(toolpath: Toolpath, edges: Int, boxes: Extents, printer: Printer) -> list[str]:
    """Return a warning where prime lines or purges before and after the print lie beside the bed."""
    purge = (toolpath.kind == Kind.PRIME) & (toolpath.e_mm > 0)
    purge[edges[1] : edges[2]] = False
    rows = np.flatnonzero(purge)
    places = [(float(x), float(y)) for x, y in zip(toolpath.x_mm[rows], toolpath.y_mm[rows], strict=True)]
    for k in (0, 2):
        if np.isfinite(boxes.low_mm[k]).all():
            (x0, y0), (x1, y1) = boxes.low_mm[k, :2].tolist(), boxes.high_mm[k, :2].tolist()
            places += [(x0, y0), (x0, y1), (x1, y0), (x1, y1)]
    beside = [place for place in places if not inside_bed(printer, place, -_EDGE_MM)]
    if not beside:
        return []
    x, y = beside[0]
    return [f"the file primes or purges beside the bed, at X{x:g} Y{y:g}; the bed is {_bed(printer)}"]


def _bed(printer: Printer) -> str:
    (x0, x1), (y0, y1) = printer.x_range_mm, printer.y_range_mm
    return f"X{x0:g} to {x1:g}, Y{y0:g} to {y1:g}"
