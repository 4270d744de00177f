"""Conductors over random layouts, whatever their score: what the package says can be laid, the second check passes.

Grade: second implementation (second_check.py reads records alone). Rooms are boxes and prisms with slanted ends and
keep-outs; cells stand in rows, staggered, freely, in several layers and in cases; P from 1 to 9; strip and sheet.
"""

import json
from dataclasses import replace

import numpy as np
import pytest
from second_check import faults

from optimizer.design.conductors import Stock, station_records
from optimizer.design.model import Station
from optimizer.fit.chain.groups import chain
from optimizer.fit.placement.modules import module_layouts
from optimizer.fit.placement.place import place
from optimizer.fit.placement.proof import prove
from optimizer.fit.region.compartment import Compartment, KeepOut
from optimizer.fit.region.layout import CellSize, Clearance
from optimizer.pack.conductors.chained import chain_metal
from optimizer.pack.conductors.making import Way
from optimizer.pack.conductors.totals import stacked_layers
from optimizer.search.space.parts import most_layers

SIZES = (
    CellSize("cylinder", 65.2, diameter_mm=18.5),
    CellSize("cylinder", 70.4, diameter_mm=21.5),
    CellSize("block", 100.0, width_mm=60.0, thickness_mm=21.0, same_end=True, spacing_mm=33.0, terminal_mm=12.6,
             vent_mm=10.5),
)


def room_of(rng, size):
    """A compartment as the geometry has it, and as a brief writes it."""
    length, depth = rng.uniform(110, 330), rng.uniform(75, 230)
    high = float(rng.choice([1, 1, 2, 3])) * (size.length_mm + 5) + rng.uniform(2.5, 14)
    lean = rng.uniform(0, 30) * (rng.random() < 0.6)
    extrude = int(rng.choice([0, 1, 2]))
    profile = [[0, 0], [length, 0], [length - lean, high], [lean, high]]
    item = {"name": "room", "shape": "prism", "profile_mm": profile, "extrude": "xyz"[extrude], "depth_mm": depth}
    keep = []
    if rng.random() < 0.5:
        at = [rng.uniform(0, 60), rng.uniform(0, 60), rng.uniform(0, 60)]
        sides = rng.uniform(15, 60, 3)
        item["keep_out"] = [{
            "shape": "box", "origin_mm": at, "length_mm": sides[0], "width_mm": sides[1], "height_mm": sides[2],
        }]  # fmt: skip
        corners = ((0.0, 0.0), (sides[0], 0.0), (sides[0], sides[1]), (0.0, sides[1]))
        keep.append(KeepOut("keep-out", corners, 2, sides[2], tuple(at)))
    axes = tuple(int(a) for a in rng.permutation(3)[: rng.integers(1, 4)])
    room = Compartment("room", tuple(map(tuple, profile)), extrude, depth, tuple(keep), axes=axes)
    return room, item


def claim(room, item, gaps, layout, links, made, layers, thick, groups):
    """What a design.json says of one compartment with the first so many groups in use."""
    station = Station(room, layout, links, groups, 0, prove(layout, room, gaps))
    stacked = layers if made.way.form == "sheet" else 1
    stock = Stock(made.way.form, "nickel", thick, 8900.0, 9e-8 * 1e3 / thick, stacked, layers, 5e-3)
    record = {
        "brief": {"clearance": vars(gaps), "compartment": [item], "joining": {"methods": ["spot"]}},
        "catalog": {"cells": [{
            "shape": "cylinder" if layout.size.shape == "cylinder" else "prismatic", "width_mm": layout.size.width_mm,
            "thickness_mm": layout.size.thickness_mm, "vent_end": "terminals" if layout.size.vent_mm else "none",
            "terminal_layout": "same_end" if layout.size.same_end else "ends",
        }]},
        "choices": {"series": groups, "parallel": links.parallel},
        "layouts": [{
            "compartment": "room", "axis": layout.axis, "centres_mm": layout.centres_mm.tolist(),
            "extents_mm": layout.extents_mm.tolist(), "layer": layout.layer.tolist(), "module": layout.module.tolist(),
            "chain": {"group": links.group.tolist(), "polarity": links.polarity.tolist()},
        }],
        "conductors": station_records(station, made, stock, series=groups),
    }  # fmt: skip
    return json.loads(json.dumps(record))


def tried(rng):
    """Claims over the layouts of one random room."""
    size = SIZES[int(rng.choice(3, p=[0.4, 0.5, 0.1]))]
    gaps = Clearance(
        wall_mm=rng.uniform(0.3, 2.0), case_mm=rng.uniform(0.6, 2.4), cell_gap_mm=rng.uniform(0.3, 2.0),
        end_mm=rng.uniform(1.4, 4.0), plate_gap_mm=float(rng.choice([1.0, 2.0, 2.0, 3.0])),
    )  # fmt: skip
    if gaps.end_mm > 2.5:
        gaps = replace(gaps, stack_mm=gaps.end_mm - 0.6)
    room, item = room_of(rng, size)
    parallel = int(rng.integers(1, 10))
    found = place(room, size, gaps, placements=("square", "staggered", "free"), seconds=0.1, seed=1, cache=False)
    found += module_layouts(room, size, gaps, parallel=parallel, groups_per_module=(1, 2, 3), seconds=0.1)
    for k in rng.permutation(len(found))[:3]:
        layout = found[k]
        links = chain(layout, parallel=parallel, cell_gap_mm=gaps.cell_gap_mm, seconds=0.05)
        if not links.groups:
            continue
        for _ in range(3):
            layers, thick = int(rng.integers(1, 3)), float(rng.choice([0.1, 0.15, 0.2, 0.3]))
            thick *= 3.0 if gaps.stack_mm > 2.0 else 1.0
            sheet = rng.random() < 0.4
            way = Way("sheet", 0.0, 1) if sheet else Way("strip", float(rng.choice([6, 8, 10, 15, 25])), layers)
            made = chain_metal(layout, links, way, gaps=gaps, room=room)
            groups = int(rng.integers(1, links.groups + 1))
            stack, under = most_layers(thick, joint_mm=thick * layers, gaps=gaps)
            deep = layers if sheet else 1
            most = max(stacked_layers(made.metals[k]) * deep if made.metals[k] else 0 for k in made.present(groups))
            joined = any(joint.first <= groups for joint in made.joints)
            if made.faults_at(groups) or most > stack or (joined and most > under):
                continue
            yield claim(room, item, gaps, layout, links, made, layers, thick, groups)


@pytest.mark.parametrize("seed", [0, 2, 4, *(pytest.param(k, marks=pytest.mark.nightly) for k in range(5, 600))])
def test_what_can_be_laid_passes_the_second_check(seed):
    for record in tried(np.random.default_rng([77, seed])):
        assert faults(record) == [], record["layouts"][0]["axis"]
