"""DXF reads back: units, layers, sizes, and nothing that an audit complains of."""

import io
from collections import Counter

import ezdxf
import numpy as np
import pytest

from optimizer.review.sheets.dxf import LAYERS, dxf_text, write_dxf


@pytest.fixture(scope="module")
def back(design):
    return ezdxf.read(io.StringIO(dxf_text(design)))


def test_units_are_millimetres_and_the_audit_is_clean(back):
    assert back.header["$INSUNITS"] == 4
    assert back.audit().errors == []


def test_every_cell_is_a_circle_of_its_diameter(back, design):
    circles = back.modelspace().query('CIRCLE[layer=="CELL"]')
    assert len(circles) == design.row["cell_count"]
    assert {round(c.dxf.radius, 6) for c in circles} == {10.8}
    assert len(back.modelspace().query('CIRCLE[layer=="CELL_EMPTY"]')) == 5
    deck = design.stations[0].layout.centres_mm[:, [0, 2]]
    drawn = np.array([(c.dxf.center.x, c.dxf.center.y) for c in circles])
    # The first compartment stands at the origin, so its cells keep their coordinates.
    for place in np.flatnonzero(design.stations[0].used):
        assert np.hypot(*(drawn - deck[place]).T).min() < 1e-6


def test_layers_hold_what_they_say(back):
    used = Counter(e.dxf.layer for e in back.modelspace())
    # Tie plates stand beside blocks alone.
    assert set(used) == set(LAYERS) - {"TIE"}
    assert used["BOX"] == 2
    assert used["KEEP_OUT"] == 1
    assert used["CASE"] == 4


def test_box_has_its_size(back):
    box = back.modelspace().query('LWPOLYLINE[layer=="BOX"]')[0]
    points = np.array([p[:2] for p in box.get_points()])
    assert np.ptp(points[:, 0]) == pytest.approx(420.0)
    assert np.ptp(points[:, 1]) == pytest.approx(78.0)


def test_strips_have_their_width(back, design):
    pieces = back.modelspace().query('LWPOLYLINE[layer=="STRIP_HIGH"]')
    points = np.array([p[:2] for p in pieces[0].get_points()])
    sides = np.sort(np.hypot(*(points - np.roll(points, 1, axis=0)).T))
    assert sides[0] == pytest.approx(design.strip["width_mm"], abs=2e-4)


def test_same_design_same_bytes(design, make):
    assert dxf_text(design) == dxf_text(make.make_design())


def test_names_cannot_break_the_file(make, tmp_path):
    odd = make.make_design(row=make.make_row(design_id="a\n0\nEOF\n%%u"))
    write_dxf(tmp_path / "odd.dxf", odd)
    again = ezdxf.readfile(tmp_path / "odd.dxf")
    assert len(again.modelspace().query('CIRCLE[layer=="CELL"]')) == 54
