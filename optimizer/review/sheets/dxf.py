"""The layout as DXF for CAD: one plane drawing per layer of cells, in millimetres, a layer per kind of thing.

Each drawing looks along the cells from the side that shows x, y, z unmirrored; the drawings stand in a row to
the right, the second compartment above the first.
"""

from __future__ import annotations

import io
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
import shapely
from ezdxf import options, units  # type: ignore[attr-defined]
from ezdxf.document import Drawing
from ezdxf.enums import TextEntityAlignment
from ezdxf.filemanagement import new
from shapely.geometry import Polygon

from optimizer.base.arrays import Floats
from optimizer.base.files import write_text
from optimizer.fit.region.section import cross_axes, prism_extent
from optimizer.review.sheets import views
from optimizer.review.sheets.views import View

if TYPE_CHECKING:
    from ezdxf.layouts.layout import Modelspace

    from optimizer.design.model import Design, Station
    from optimizer.fit.region.compartment import KeepOut

# Layers and their colours (AutoCAD colour index), readable on dark and light grounds.
LAYERS = {
    "BOX": 7,
    "KEEP_OUT": 1,
    "CASE": 3,
    "TIE": 4,
    "CELL": 5,
    "CELL_EMPTY": 8,
    "STRIP_LOW": 30,
    "STRIP_HIGH": 40,
    "TEXT": 2,
}
SPACING_MM = 40.0


def drawing(design: Design) -> Drawing:
    """The layout of a design as a DXF document.

    Layers: BOX, KEEP_OUT, CASE, CELL, CELL_EMPTY (positions left over), STRIP_LOW and STRIP_HIGH (strip on
    the face towards the low and the high end of the cell axis), TEXT. Units are millimetres ($INSUNITS 4).
    """
    document = new("R2010", units=units.MM)
    for name, colour in LAYERS.items():
        document.layers.add(name, color=colour)
    space = document.modelspace()
    up = 0.0
    for station in design.stations:
        if station.groups == 0:
            continue
        view = View(station.layout.axis, views.NATURAL_SIDE[station.layout.axis])
        x0, y0, x1, y1 = views.silhouette(station.compartment, view=view).bounds
        right = 0.0
        for layer in np.unique(views.levels(station)):
            _layer(space, design, station, view, layer=int(layer), shift=np.array([right - x0, up - y0]))
            right += x1 - x0 + SPACING_MM
        up += y1 - y0 + 2 * SPACING_MM
    return document


def _layer(
    space: Modelspace,
    design: Design,
    station: Station,
    view: View,
    *,
    layer: int,
    shift: Floats,
) -> None:
    """All of one layer of cells, moved by `shift`."""
    box = views.silhouette(station.compartment, view=view)
    _outline(space, box, "BOX", shift)
    for keep_out in station.compartment.keep_outs:
        if _reaches(station, keep_out_extent(keep_out)[view.axis], layer=layer):
            _outline(space, views.silhouette(keep_out, view=view), "KEEP_OUT", shift)
    outer, inner = views.case_outline(station, axis=view.axis, layer=layer, clearance=design.clearance)
    _outline(space, outer, "CASE", shift)
    _outline(space, inner, "CASE", shift)
    for plate in views.tie_shapes(station, view=view, layer=layer, clearance=design.clearance):
        _outline(space, plate, "TIE", shift)
    _cells(space, station, view, layer=layer, shift=shift)
    for side, name in ((-1, "STRIP_LOW"), (1, "STRIP_HIGH")):
        turned = View(view.axis, side).mirrored != view.mirrored
        for _, shapes in views.metal_on_face(design, station, layer=layer, side=side):
            for shape in shapes:
                _outline(space, views.mirrored(shape) if turned else shape, name, shift)
    words = f"{station.compartment.name}, layer {layer + 1}, {view.name}, design {design.row['design_id']}, mm"
    _text(space, words, (box.bounds[0], box.bounds[3] + 8.0), 6.0, shift, centred=False)


def keep_out_extent(keep_out: KeepOut) -> tuple[tuple[float, float], ...]:
    """Lowest and highest coordinate of a keep-out along x, y and z [mm]."""
    return prism_extent(
        keep_out.profile_mm,
        extrude=keep_out.extrude,
        depth_mm=keep_out.depth_mm,
        origin_mm=keep_out.origin_mm,
    )


def _reaches(station: Station, extent: tuple[float, float], *, layer: int) -> bool:
    """Whether something between two heights stands beside the cells of a layer."""
    own, axis = views.levels(station) == layer, station.layout.axis
    low = (station.layout.centres_mm[own, axis] - station.layout.extents_mm[own, axis] / 2).min()
    high = (station.layout.centres_mm[own, axis] + station.layout.extents_mm[own, axis] / 2).max()
    return bool(extent[0] < high and extent[1] > low)


def _cells(space: Modelspace, station: Station, view: View, *, layer: int, shift: Floats) -> None:
    here = np.flatnonzero(views.levels(station) == layer)
    group = views.pack_groups(station)
    flat = views.project(station.layout.centres_mm, view=view)
    size = float(np.min(station.layout.extents_mm[:, list(cross_axes(view.axis))]))
    for place, shape in zip(here, views.cell_shapes(station, view=view, index=here), strict=True):
        name = "CELL" if group[place] else "CELL_EMPTY"
        if station.layout.size.shape == "cylinder":
            centre = flat[place] + shift
            space.add_circle((centre[0], centre[1]), size / 2, dxfattribs={"layer": name})
        else:
            _outline(space, shape, name, shift)
        if group[place]:
            sign = "+" if views.directions(station)[place] == view.side else "-"
            _text(space, f"{group[place]}{sign}", tuple(flat[place]), size * 0.22, shift)


def _outline(space: Modelspace, shape: shapely.Geometry, layer: str, shift: Floats) -> None:
    for part in shapely.get_parts(shape):
        if isinstance(part, Polygon) and not part.is_empty:
            for ring in (part.exterior, *part.interiors):
                points = np.asarray(ring.coords)[:-1, :2] + shift
                space.add_lwpolyline([tuple(p) for p in points], close=True, dxfattribs={"layer": layer})


def _text(
    space: Modelspace,
    words: str,
    place: tuple[float, ...],
    height: float,
    shift: Floats,
    *,
    centred: bool = True,
) -> None:
    align = TextEntityAlignment.MIDDLE_CENTER if centred else TextEntityAlignment.LEFT
    # A line end in a name would break the file's pairs of lines; "%%" starts a control code in CAD.
    safe = "".join(sign if sign.isprintable() else " " for sign in words).replace("%%", "% %")
    entity = space.add_text(safe, height=height, dxfattribs={"layer": "TEXT"})
    entity.set_placement((place[0] + shift[0], place[1] + shift[1]), align=align)


def dxf_text(design: Design) -> str:
    """The DXF file's content, the same every time for the same design."""
    return fixed_text(lambda: drawing(design))


def fixed_text(make: Callable[[], Drawing]) -> str:
    """A document as text without date, user and random identifiers, from what makes it."""
    before = options.write_fixed_meta_data_for_testing
    options.write_fixed_meta_data_for_testing = True
    try:
        buffer = io.StringIO()
        make().write(buffer)
    finally:
        options.write_fixed_meta_data_for_testing = before
    return buffer.getvalue()


def write_dxf(path: Path, design: Design) -> None:
    """Write layout.dxf, whole or not at all."""
    write_text(path, dxf_text(design))
