"""Plates as DXF, ready to cut: one drawing for each face, a closed contour for each piece on its plate's layer.

Windows and slots are further contours on the layer of their plate; tabs and collectors of other metal have layers of
their own.
Kerf is left out. A face is drawn as one looks at it from outside, so that what is cut lies as it is laid; text has a
layer of its own.
"""

from __future__ import annotations

from collections.abc import Mapping
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
from ezdxf import units
from ezdxf.enums import TextEntityAlignment
from ezdxf.filemanagement import new

from optimizer.base.files import write_text
from optimizer.fit.region.layout import AXES
from optimizer.review.sheets import views
from optimizer.review.sheets.dxf import fixed_text

if TYPE_CHECKING:
    from ezdxf.document import Drawing
    from shapely.geometry import Polygon

    from optimizer.design.model import Design, Station

TEXT_MM = 3.0
TABS, COLLECTORS = "TABS", "COLLECTORS"


def _face_drawing(design: Design, station: Station, *, layer: int, side: int) -> Drawing:
    """Plates of one face in millimetres; side is +1 for the face towards the axis's positive end, -1 for the other."""
    document = new("R2010", units=units.MM)
    document.layers.add("TEXT", color=2)
    for other, colour in ((TABS, 8), (COLLECTORS, 30)):
        document.layers.add(other, color=colour)
    space = document.modelspace()
    for number, (conductor, shapes) in enumerate(_plates(design, station, layer, side)):
        name = str(conductor["name"])
        document.layers.add(name, color=1 + number % 6)
        for shape, piece in zip(shapes, conductor["pieces"], strict=True):
            # Tabs and collectors are cut from other metal than the plate.
            on = COLLECTORS if "joints_mm" in piece else TABS if "material" in piece else name
            for ring in (shape.exterior, *shape.interiors):
                corners = np.asarray(ring.coords)[:-1]
                space.add_lwpolyline([tuple(p) for p in corners], close=True, dxfattribs={"layer": on})
        low = min(shape.bounds[1] for shape in shapes)
        left = min(shape.bounds[0] for shape in shapes)
        deep = conductor["pieces"][0]["layers"]
        words = f"{name} {conductor['material']} {conductor['thickness_mm']:g} mm" + (f" x{deep}" if deep > 1 else "")
        entity = space.add_text(words, height=TEXT_MM, dxfattribs={"layer": "TEXT"})
        entity.set_placement((left, low - 1.5 * TEXT_MM), align=TextEntityAlignment.LEFT)
    return document


def _plates(design: Design, station: Station, layer: int, side: int) -> list[tuple[Mapping[str, Any], list[Polygon]]]:
    found = views.metal_on_face(design, station, layer=layer, side=side)
    return [item for item in found if item[0]["level"] == 0]


def write_plates(folder: Path, design: Design) -> list[Path]:
    """Write plates_….dxf for every face that has plates, each whole or not at all."""
    written = []
    for station in design.stations:
        axis = AXES[station.layout.axis]
        for layer in np.unique(views.levels(station)[station.used]).tolist():
            for side, end in ((-1, "low"), (1, "high")):
                if _plates(design, station, layer, side):
                    name = f"plates_{station.compartment.name}_layer{layer + 1}_{axis}_{end}.dxf"
                    written.append(folder / name.replace(" ", "_"))
                    make = partial(_face_drawing, design, station, layer=layer, side=side)
                    write_text(written[-1], fixed_text(make))
    return written
