"""Plates as DXF: read back, every conductor is a layer of closed contours as large as its outlines."""

import ezdxf
import pytest
from shapely.geometry import Polygon

from optimizer.review.sheets.plate_dxf import write_plates


def test_each_plate_is_a_layer_of_closed_contours(design, tmp_path):
    areas = {}
    for path in write_plates(tmp_path, design):
        space = ezdxf.readfile(path).modelspace()
        for line in space.query("LWPOLYLINE"):
            assert line.closed
            key = path.name.split("_")[1], line.dxf.layer
            areas[key] = areas.get(key, 0.0) + Polygon([p[:2] for p in line.get_points()]).area
        assert len(space.query('TEXT[layer=="TEXT"]')) == len({line.dxf.layer for line in space.query("LWPOLYLINE")})
    wanted = {}
    for conductor in design.conductors:
        flat = [[(p[0], p[2]) for p in piece["outline_mm"]] for piece in conductor["pieces"]]
        wanted[conductor["compartment"], conductor["name"]] = sum(Polygon(o).area for o in flat)
    assert areas == pytest.approx(wanted, rel=1e-6)
