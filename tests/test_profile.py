"""Profiles from DXF: the same corners as numbers, units and layers, and what is refused."""

import re

import ezdxf
import numpy as np
import pandas as pd
import pytest
import shapely

from optimizer import api
from optimizer.base.problems import BadInput
from optimizer.brief import load_brief
from optimizer.brief.profile import ProfileError, read_profile
from optimizer.catalog import builtin_catalogs

CORNERS = [(0.0, 0.0), (420.0, 0.0), (408.0, 78.0), (12.0, 78.0)]
BRIEF = """
title = "drawn"
[catalog]
cells = "{cells}"
[[compartment]]
name = "deck"
shape = "prism"
extrude = "y"
depth_mm = 118.0
{lines}
"""


def drawing(path, *, units=4, draw=None):
    doc = ezdxf.new()
    doc.header["$INSUNITS"] = units
    space = doc.modelspace()
    if draw is None:
        space.add_lwpolyline(CORNERS, close=True, dxfattribs={"layer": "inside"})
    else:
        draw(space)
    doc.saveas(path)
    return path


def brief(folder, lines):
    path = folder / "brief.toml"
    path.write_text(BRIEF.format(cells=builtin_catalogs() / "cells.csv", lines=lines), encoding="utf-8")
    return path


def refused(path, lines):
    with pytest.raises(BadInput) as caught:
        load_brief(brief(path, lines))
    (problem,) = caught.value.problems
    return problem


def test_a_drawing_is_as_good_as_corners(tmp_path):
    drawing(tmp_path / "deck.dxf")
    drawn = load_brief(brief(tmp_path, 'profile = "deck.dxf"')).compartment[0]
    typed = load_brief(brief(tmp_path, f"profile_mm = {[list(c) for c in CORNERS]}")).compartment[0]
    assert drawn.profile_mm == typed.profile_mm == tuple(CORNERS)
    assert "compartment[1].profile" in load_brief(brief(tmp_path, 'profile = "deck.dxf"')).files()


def test_a_profile_written_in_inches_and_read_back_gives_the_same_front(tmp_path):
    corners = [(0.0, 0.0), (240.0, 0.0), (232.0, 80.0), (8.0, 80.0)]
    box = 'shape = "box"\nlength_mm = 240.0\nwidth_mm = 80.0\nheight_mm = 80.0\n'
    text = (builtin_catalogs() / "briefs" / "quick-36v.toml").read_text(encoding="utf-8")
    text = text.replace('"../', f'"{builtin_catalogs().as_posix()}/')
    assert box in text
    for key, few in (("cells", '["amber-18650-*"]'), ("strips", '["nickel-8x0.20"]'), ("parallel", "[2, 3]")):
        text = re.sub(rf"(?m)^{key} = \[.*$", f"{key} = {few}", text)
    text += "\n[protection]\nfuse_protects = false\nfuse_breaks = false\n"

    def draw(space):
        space.add_lwpolyline([(x / 25.4, y / 25.4) for x, y in corners], close=True)

    drawing(tmp_path / "box.dxf", units=1, draw=draw)
    fronts = []
    for name, profile in (("typed", f"profile_mm = {[list(c) for c in corners]}"), ("drawn", 'profile = "box.dxf"')):
        made = text.replace(box, f'shape = "prism"\nextrude = "y"\ndepth_mm = 80.0\n{profile}\n')
        (tmp_path / f"{name}.toml").write_text(made, encoding="utf-8")
        space = api.load(tmp_path / f"{name}.toml")
        fronts.append(api.front(space, api.search(space)))
    assert len(fronts[0]) > 1
    pd.testing.assert_frame_equal(*fronts)


@pytest.mark.parametrize(("units", "scale"), [(1, 25.4), (5, 10.0), (6, 1000.0)])
def test_units_of_the_file(tmp_path, units, scale):
    def draw(space):
        space.add_lwpolyline([(x / scale, y / scale) for x, y in CORNERS], close=True)

    found = read_profile(drawing(tmp_path / "deck.dxf", units=units, draw=draw))
    assert np.array(found) == pytest.approx(np.array(CORNERS), abs=1e-5)


def test_lines_and_arcs_that_meet_are_one_outline(tmp_path):
    # Closed form: a rectangle of 100 × 40 with one end rounded to a half circle.
    def draw(space):
        space.add_line((0, 0), (100, 0))
        space.add_arc((100, 20), 20, -90, 90)
        space.add_line((100, 40), (0, 40))
        space.add_line((0, 40), (0, 0))
        space.add_text("deck, inside")

    found = shapely.Polygon(read_profile(drawing(tmp_path / "deck.dxf", draw=draw)))
    assert found.is_valid
    assert found.area == pytest.approx(100 * 40 + np.pi * 20**2 / 2, rel=1e-3)


def test_a_layer_picks_one_of_several(tmp_path):
    def draw(space):
        space.add_lwpolyline(CORNERS, close=True, dxfattribs={"layer": "inside"})
        space.add_circle((50, 30), 8, dxfattribs={"layer": "holes"})
        space.add_circle((90, 30), 8, dxfattribs={"layer": "holes"})

    drawing(tmp_path / "deck.dxf", draw=draw)
    found = load_brief(brief(tmp_path, 'profile = "deck.dxf"\nprofile_layer = "inside"')).compartment[0]
    assert found.profile_mm == tuple(CORNERS)
    problem = refused(tmp_path, 'profile = "deck.dxf"')
    assert problem.code == "several-outlines"
    assert problem.found == "3 closed outlines"
    assert "inside: 420 × 78 mm" in problem.expected
    assert refused(tmp_path, 'profile = "deck.dxf"\nprofile_layer = "lid"').code == "no-outline"


def test_unknown_units_are_asked_for(tmp_path):
    drawing(tmp_path / "deck.dxf", units=0)
    assert refused(tmp_path, 'profile = "deck.dxf"').code == "unknown-units"
    found = load_brief(brief(tmp_path, 'profile = "deck.dxf"\nprofile_units = "mm"')).compartment[0]
    assert found.profile_mm == tuple(CORNERS)
    drawing(tmp_path / "deck.dxf", units=4)
    assert refused(tmp_path, 'profile = "deck.dxf"\nprofile_units = "inch"').code == "conflict"


def test_what_is_no_drawing(tmp_path):
    (tmp_path / "deck.dxf").write_bytes(b"\x00no drawing")
    assert refused(tmp_path, 'profile = "deck.dxf"').code == "bad-profile"
    assert refused(tmp_path, 'profile = "other.dxf"').code == "missing-file"
    drawing(tmp_path / "deck.dxf")
    lines = 'profile = "deck.dxf"\nprofile_mm = [[0, 0], [1, 0], [0, 1]]'
    assert refused(tmp_path, lines).code == "conflict"
    with pytest.raises(ProfileError):
        read_profile(drawing(tmp_path / "open.dxf", draw=lambda space: space.add_line((0, 0), (9, 9))))
