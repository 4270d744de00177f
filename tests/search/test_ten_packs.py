"""Ten packs with parts in them: each layout is proven beside them, and what room they cost."""

import tomllib
from itertools import product

import numpy as np
import pytest

from optimizer.brief.schema import Brief
from optimizer.catalog import builtin_catalogs
from optimizer.catalog.cells import read_cells
from optimizer.catalog.parts import read_bms
from optimizer.fit.placement.bodies import part_faults, with_parts
from optimizer.fit.placement.modules import module_layouts
from optimizer.fit.placement.place import place
from optimizer.fit.placement.proof import prove
from optimizer.fit.region.geometry import cell_size, clearance, compartments
from optimizer.search.space.stands import stands

BOX = 'shape = "box"\nlength_mm = {}\nwidth_mm = {}\nheight_mm = {}\naxes = ["z"]'
DECK = (
    'shape = "prism"\nprofile_mm = [[0, 0], [420, 0], [408, 78], [12, 78]]\n'
    'extrude = "y"\ndepth_mm = 118\naxes = ["z"]'
)
FRAME = (
    'shape = "prism"\nprofile_mm = [[0, 0], [300, 0], [60, 210], [0, 210]]\n'
    'extrude = "y"\ndepth_mm = 80\naxes = ["y"]'
)
ELL = (
    'shape = "prism"\nprofile_mm = [[0, 0], [260, 0], [260, 80], [90, 80], [90, 170], [0, 170]]\n'
    'extrude = "z"\ndepth_mm = 74\naxes = ["z"]'
)
BOARD = 'name = "BMS"\nkind = "BMS"\nfree_mm = 6.0\n'
FUSE = 'name = "fuse"\nsize_mm = [60.0, 22.0, 18.0]\n'
SWITCH = 'name = "switch"\nsize_mm = [30.0, 20.0, 18.0]\nfree_mm = 10.0\nfree_face = "height"\n'
SHUNT = 'name = "contactor"\nsize_mm = [45.0, 40.0, 38.0]\ngap_mm = 4.0\n'
ROUND, LARGE, BLOCK = "amber-18650-e35", "amber-21700-e50", "slate-prismatic-e82"

# Compartments, parts, cell, board, way.
PACKS = {
    "deck": ([DECK], [BOARD], ROUND, "warden-20s-50a", "tray"),
    "deck, large board": ([DECK], [BOARD], ROUND, "sentinel-24s-150a", "tray"),
    "deck of large cells with fuse and switch": ([DECK], [BOARD, FUSE, SWITCH], LARGE, "warden-20s-80a", "tray"),
    "box of modules": ([BOX.format(300, 120, 80)], [BOARD], ROUND, "warden-20s-50a", "modules"),
    "frame": ([FRAME], [BOARD, SWITCH], LARGE, "warden-14s-30a", "tray"),
    "ell": ([ELL], [BOARD, SHUNT], ROUND, "warden-14s-30a", "tray"),
    "deck and stem": ([DECK, BOX.format(62, 62, 310)], [BOARD, FUSE], ROUND, "warden-20s-120a", "tray"),
    "three boxes": ([BOX.format(180, 90, 80), BOX.format(120, 90, 78), BOX.format(200, 64, 70)],
                    [BOARD, FUSE, SWITCH, SHUNT], ROUND, "warden-17s-50a", "tray"),
    "prismatic": ([BOX.format(260, 160, 140)], [BOARD, FUSE], BLOCK, "warden-16s-60a", "tray"),
    "prismatic, two boxes": ([BOX.format(230, 120, 120), BOX.format(150, 110, 90)], [BOARD], BLOCK,
                             "warden-10s-40a", "tray"),
}  # fmt: skip


def brief_of(rooms, parts):
    text = '[catalog]\ncells = "cells.csv"\n[clearance]\n'
    text += "".join(f'[[compartment]]\nname = "room {k}"\n{room}\n' for k, room in enumerate(rooms))
    text += "".join(f"[[part]]\n{part}\n" for part in parts)
    return Brief.model_validate(tomllib.loads(text))


def layouts_of(room, size, gaps, way):
    if way == "modules":
        return module_layouts(room, size, gaps, parallel=3)
    return place(room, size, gaps, placements=("square", "staggered"), cache=False)


QUICK = ("deck, large board", "box of modules", "ell", "prismatic")


@pytest.mark.parametrize("name", [pytest.param(k, marks=[] if k in QUICK else pytest.mark.nightly) for k in PACKS])
def test_cells_and_parts_lie_side_by_side(name):
    made, parts, cell, board, way = PACKS[name]
    brief, folder = brief_of(made, parts), builtin_catalogs()
    rooms, gaps = compartments(brief), clearance(brief)
    cells, bms = read_cells(folder / "cells.csv"), read_bms(folder / "bms.csv")
    size = cell_size(cells, cells.id.tolist().index(cell))
    row = bms.id.tolist().index(board)
    dims = tuple(float(getattr(bms, f"{side}_mm")[row]) for side in ("length", "width", "height"))
    held = {}
    for stand in stands(brief, rooms, boards_mm=[dims], size=size):
        assert {part.name for part in stand.placed} == {part.name for part in brief.part}
        assert sorted(stand.placed[0].extents_mm) == sorted(dims)
        assert not [fault for room in rooms for fault in part_faults(room, stand.placed)]
        count = 0
        for room in rooms:
            seen = with_parts(room, stand.placed, wall_mm=gaps.wall_mm)
            found = layouts_of(seen, size, gaps, way)
            count += max((layout.cells for layout in found), default=0)
            for layout, part in product(found[:2], [part for part in stand.placed if part.compartment == room.name]):
                assert prove(layout, seen, gaps).ok
                # By the boxes alone: a round cell's own box may overlap a part by its corner at most.
                low, high = np.array(part.corner_mm), np.array(part.corner_mm) + part.extents_mm
                nearest = np.clip(layout.centres_mm, low, high)
                off = np.abs(layout.centres_mm - nearest)
                half = layout.extents_mm / 2
                if size.shape == "cylinder":
                    across = [k for k in range(3) if k != layout.axis]
                    apart = np.hypot(*off[:, across].T) - half[:, across[0]]
                    clear = (apart >= gaps.case_mm + gaps.wall_mm - 1e-4) | (off[:, layout.axis] > half[:, layout.axis])
                else:
                    clear = (off - half > 0).any(axis=1)
                assert clear.all()
        held[stand.room] = count
    empty = sum(max((x.cells for x in layouts_of(room, size, gaps, way)), default=0) for room in rooms)
    told = ", ".join(f"{count} (board in {room})" for room, count in held.items())
    print(f"{name}: {empty} cells without parts, with them {told}")
    assert max(held.values()) <= empty
    assert max(held.values()) >= 0.5 * empty
