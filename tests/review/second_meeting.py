"""Whether cells, metal and parts of a design.json meet, anywhere in the pack: by the file alone, in other code.

Cells are their own solids, round or block; metal is the box around each flat piece, or around each stretch of a folded
one; parts are boxes. Everything of one compartment is held against everything else there, zones of it included, with
the gaps of the brief's [clearance]; what one layout's cells and metal keep from each other is held by second_check.py.
"""

from itertools import combinations

import numpy as np
from second_space import quads
from second_wires import room_of
from shapely.geometry import MultiPoint, Polygon

TINY = 1e-3


def cells_of(layout):
    """Cells in use: axis, whether round, centre, half sizes."""
    length = layout["axis"]
    return [
        (length, np.array(centre), np.array(size) / 2)
        for centre, size, group in zip(
            layout["centres_mm"], layout["extents_mm"], layout["chain"]["group"], strict=True
        )
        if group >= 0
    ]


def metal_of(design, room, axis):
    """Boxes around the metal of one layout: name, low, high."""
    found = []
    for one in design["conductors"]:
        if one["compartment"] != room:
            continue
        for piece in one["pieces"]:
            points = np.array(piece["outline_mm"], float)
            shapes = quads(piece["outline_mm"]) if one["way"] == "fold" else [points]
            found += [(one["name"], np.min(shape, axis=0), np.max(shape, axis=0)) for shape in shapes]
    return found


def apart(a, b, c, d):
    """Distance of two boxes by their corners."""
    return float(np.linalg.norm(np.maximum(np.maximum(c - b, a - d), 0.0)))


def from_cell(cell, low, high, is_round):
    """Distance of a box from a cell; a round one's is taken across its axis, or along it."""
    axis, centre, half = cell
    off = np.maximum(np.maximum(low - centre, centre - high), 0.0)
    if not is_round:
        return float(np.linalg.norm(np.maximum(off - half, 0.0)))
    across = [k for k in range(3) if k != axis]
    return float(np.hypot(max(np.hypot(*off[across]) - half[across[0]], 0.0), max(off[axis] - half[axis], 0.0)))


def outside(room, low, high):
    """Whether a box reaches out of a box or prism."""
    if room["shape"] == "box":
        size = np.array([room[key] for key in ("length_mm", "width_mm", "height_mm")])
        return bool(np.any(low < -TINY) or np.any(high > size + TINY))
    axis = "xyz".index(room["extrude"])
    u, v = (k for k in range(3) if k != axis)
    flat = MultiPoint([(a[u], b[v]) for a in (low, high) for b in (low, high)]).convex_hull
    return bool(low[axis] < -TINY or high[axis] > room["depth_mm"] + TINY
                or not Polygon(room["profile_mm"]).buffer(TINY).covers(flat))  # fmt: skip


def faults(design):
    """What meets, in words."""
    found, gaps = [], design["brief"]["clearance"]
    is_round = design["catalog"]["cells"][0]["shape"] == "cylinder"
    homes: dict = {}
    for layout in design["layouts"]:
        homes.setdefault(room_of(design, layout["compartment"])["name"], []).append(layout)
    for part in design.get("placed", ()):
        homes.setdefault(part["compartment"], [])
    for name, layouts in homes.items():
        room = room_of(design, name)
        parts = [
            (p["name"], np.array(p["corner_mm"]), np.array(p["corner_mm"]) + p["extents_mm"])
            for p in design.get("placed", ()) if p["compartment"] == name
        ]
        kinds = [(cells_of(x), metal_of(design, x["compartment"], x["axis"])) for x in layouts]
        for what, low, high in [*parts, *(piece for _, metal in kinds for piece in metal)]:
            if outside(room, low, high):
                found.append(f"{what} reaches out of {name}")
        for (one, a, b), (two, c, d) in combinations(parts, 2):
            if apart(a, b, c, d) < TINY:
                found.append(f"{one} and {two} meet")
        for cells, metal in kinds:
            for what, low, high in parts:
                found += [f"a cell meets {what}" for cell in cells if from_cell(cell, low, high, is_round) < 1.0 - TINY]
                found += [f"{piece} meets {what}" for piece, a, b in metal if apart(a, b, low, high) < TINY]
        least = min(gaps["case_mm"], gaps["end_mm"]) + gaps["wall_mm"]
        for (cells, metal), (others, strips) in combinations(kinds, 2):
            boxes = [(name, c - h, c + h) for name, (_, c, h) in (("a cell", cell) for cell in others)]
            for what, low, high in [*boxes, *strips]:
                want = 2 * least if what == "a cell" else TINY
                found += [f"{what} of one zone meets a cell of another" for cell in cells
                          if from_cell(cell, low, high, is_round) < want - TINY]  # fmt: skip
            for one, a, b in metal:
                found += [f"{one} meets {what} of another zone" for what, c, d in [*boxes, *strips]
                          if apart(a, b, c, d) < 2 * gaps["wall_mm"] - TINY]  # fmt: skip
    return found
