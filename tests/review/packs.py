"""Packs of many kinds, laid out by the fit itself, for tests of printed cases and of what CAD reads."""

from dataclasses import replace

import numpy as np
import trimesh

from optimizer.design.conductors import Stock, station_records
from optimizer.design.model import Station
from optimizer.fit.chain.groups import chain
from optimizer.fit.placement.modules import module_layouts
from optimizer.fit.placement.place import place
from optimizer.fit.placement.proof import prove
from optimizer.fit.region.compartment import Compartment, box, keep_out_box
from optimizer.fit.region.layout import CellSize, Clearance
from optimizer.fit.region.mesh import read_solid
from optimizer.pack.case.outline import CaseRules
from optimizer.pack.conductors.chained import chain_metal
from optimizer.pack.conductors.making import Way

C18650 = CellSize("cylinder", length_mm=65.2, diameter_mm=18.5)
C21700 = CellSize("cylinder", length_mm=70.2, diameter_mm=21.3)
BLOCK = CellSize("block", length_mm=95.0, width_mm=34.0, thickness_mm=20.0)
GAPS = Clearance()


def deck(name="deck", **how):
    profile = ((0.0, 0.0), (420.0, 0.0), (408.0, 78.0), (12.0, 78.0))
    keep = keep_out_box("controller", origin_mm=(340.0, 0.0, 58.0), length_mm=80.0, width_mm=118.0, height_mm=20.0)
    return Compartment(name, profile, 1, 118.0, (keep,), **how)


def barrel(folder, half=(150.0, 60.0, 50.0)):
    ball = trimesh.creation.icosphere(subdivisions=4)
    corners = np.sign(ball.vertices) * np.abs(ball.vertices) ** 0.5 * np.asarray(half)
    path = folder / "barrel.stl"
    trimesh.Trimesh(corners, ball.faces).export(path)
    solid = read_solid(path)
    return Compartment("pod", solid.outline_mm, 2, solid.depth_mm, solid=solid)


def station(room, size, *, parallel, way="tray", first=0, most=99, pick=0, gaps=GAPS):
    """A compartment filled with the pick-th layout of the fit."""
    if way == "tray":
        layouts = place(room, size, gaps, seconds=0.1, cache=False)
    else:
        layouts = module_layouts(room, size, gaps, parallel=parallel, groups_per_module=(2, 3), seconds=1.0)
    layout = layouts[min(pick, len(layouts) - 1)]
    links = chain(layout, parallel=parallel, cell_gap_mm=gaps.cell_gap_mm, seconds=0.1, seed=0)
    groups = min(links.groups, most)
    assert groups >= 1
    return Station(room, layout, links, groups, first, prove(layout, room, gaps))


def pack(design, *stations, gaps=GAPS, **rules):
    """A design of some stations with the parts of another one."""
    case = CaseRules(case_mm=gaps.case_mm, cell_gap_mm=gaps.cell_gap_mm, end_mm=gaps.end_mm, wall_mm=gaps.wall_mm)
    first, placed = 0, []
    for one in stations:
        placed.append(replace(one, first_group=first))
        first += one.groups
    design = replace(design, stations=tuple(placed), clearance=gaps, case=replace(case, **rules))
    return replace(design, conductors=tuple(metal(placed, gaps)))


def metal(stations, gaps):
    """Conductors of each compartment in the first way in which all can be laid: strip, or sheet; else none."""
    series = sum(one.groups for one in stations)
    for one in stations:
        for way in (Way("strip", 8.0, 1), Way("sheet", 0.0, 1)):
            made = chain_metal(one.layout, one.chain, way, gaps=gaps, before=one.first_group, room=one.compartment)
            if not made.faults_at(one.groups):
                stock = Stock(way.form, "nickel", 0.15, 8900.0, 9.5e-8 * 1e3 / 0.15, 1, 1, 14e-3)
                yield from station_records(one, made, stock, series=series)
                break


def kinds(folder):
    """Names of packs and how each is made."""
    stem = {"length_mm": 310.0, "width_mm": 62.0, "height_mm": 62.0}
    touching = replace(GAPS, cell_gap_mm=0.2)
    return {
        "tray": lambda d: pack(d, station(box("box", length_mm=240, width_mm=80, height_mm=80), C18650, parallel=3)),
        "long tray": lambda d: pack(d, station(deck(), C21700, parallel=4)),
        "free tray": lambda d: pack(d, station(deck(), C18650, parallel=3, pick=99)),
        "part of a tray": lambda d: pack(d, station(deck(), C18650, parallel=5, most=7)),
        "modules": lambda d: pack(d, station(deck(), C18650, parallel=2, way="modules")),
        "two compartments": lambda d: pack(
            d, station(deck(), C18650, parallel=4, most=12),
            station(box("stem", **stem, position_mm=(530, 28, 90), rotation_deg=(0, -105, 0)), C18650, parallel=4),
            lid="screws",
        ),
        "three compartments": lambda d: pack(
            d, *(station(box(f"box {k}", length_mm=160, width_mm=50, height_mm=78, position_mm=(200.0 * k, 0, 0)),
                         C18650, parallel=2) for k in range(3)),
            hold="straps", lid="none", mark_mm=0.0,
        ),
        "blocks": lambda d: pack(d, station(box("box", length_mm=240, width_mm=110, height_mm=110), BLOCK, parallel=2)),
        "blocks that touch": lambda d: pack(
            d, station(box("box", length_mm=240, width_mm=110, height_mm=110), BLOCK, parallel=1, gaps=touching),
            gaps=touching,
        ),
        "curved box": lambda d: pack(d, station(barrel(folder), C18650, parallel=3)),
    }  # fmt: skip


def solids_of(thing):
    """Volumes of the solids that a thing is in STEP: pieces beside each other, and what is hollow as one [mm³]."""
    if thing.round_cell:
        return [np.pi / 4 * thing.extent_mm[(thing.axis + 1) % 3] ** 2 * thing.extent_mm[thing.axis]]
    lots = [lot.volume() for lot in thing.solid.decompose()]
    return lots if min(lots) > 0 else [thing.solid.volume()]
