"""The conductors of a design.json checked a second time: by nothing but the file, in other code than what made them.

What a builder relies on: conductors of different potential keep their gap on a face; none passes over or near an end
that it does not join; every end is joined once on each pole, with metal around its welds, off the centre of a
negative end; each conductor hangs together; nothing reaches out of the case.
"""

import itertools
import json
import math
from pathlib import Path

import second_space
import shapely
from shapely.geometry import Point, Polygon
from shapely.ops import unary_union

WELD_MM = 3.0
SLACK = 1e-3


def read(path):
    """Content of a design.json."""
    return json.loads(Path(path).read_text())


def plane(axis):
    return [k for k in range(3) if k != axis]


def outline(points, axis):
    """Of a piece, in the plane across the cells' axis."""
    u, v = plane(axis)
    return Polygon([(p[u], p[v]) for p in points])


def ends_of(layout, radius_of):
    """Ends of the cells in use: index to (centre, shape)."""
    axis = layout["axis"]
    u, v = plane(axis)
    found = {}
    for k, (centre, extent) in enumerate(zip(layout["centres_mm"], layout["extents_mm"], strict=True)):
        where = (centre[u], centre[v])
        if radius_of:
            found[k] = Point(where).buffer(extent[u] / 2, 64)
        else:
            half = extent[u] / 2, extent[v] / 2
            found[k] = shapely.box(where[0] - half[0], where[1] - half[1], where[0] + half[0], where[1] + half[1])
    return found


def faults(design):
    """Everything that a builder could not lay, in words."""
    gap = design["brief"]["clearance"]["plate_gap_mm"]
    layouts = {item["compartment"]: item for item in design["layouts"]}
    round_cells = design["catalog"]["cells"][0]["shape"] == "cylinder"
    found = []
    for room, layout in layouts.items():
        mine = [c for c in design["conductors"] if c["compartment"] == room]
        if mine:
            found += _room(mine, layout, gap, round_cells, design)
    found += _whole(design)
    return found + second_space.faults(design)


def _room(mine, layout, gap, round_cells, design):
    found, axis = [], layout["axis"]
    ends = ends_of(layout, round_cells)
    groups = {t["cell"] for c in mine for t in c["terminals"]}
    # A folded joint seen along the cells is no plane outline; second_space measures it.
    shapes = [[outline(p["outline_mm"], axis) for p in c["pieces"]] if c["way"] != "fold" else [] for c in mine]
    whole = [unary_union(each) for each in shapes]
    for (a, one), (b, two) in itertools.combinations(enumerate(mine), 2):
        if one["from_group"] == two["from_group"]:
            continue
        if any(one[k] != two[k] for k in ("face", "layer", "module", "level")):
            continue
        left = whole[a].distance(whole[b]) if "fold" not in (one["way"], two["way"]) else math.inf
        if left < gap - SLACK:
            found.append(f"{one['name']} and {two['name']} on {one['face']} are {left:.3f} mm apart")
    for c, each, shape in zip(mine, shapes, whole, strict=True):
        if c["way"] == "fold":
            continue
        own = {t["cell"] for t in c["terminals"]}
        for k in groups - own:
            if layout["layer"][k] == c["layer"] and layout["module"][k] == c["module"]:
                left = shape.distance(ends[k])
                if left <= (0.0 if c["insulator_mm"] > 0 else gap - SLACK):
                    found.append(f"{c['name']} comes within {left:.3f} mm of cell {k}, which it does not join")
        found += _joined(c, each, shape, ends, layout, round_cells, design)
        before = min(one["from_group"] for one in mine)
        for (k, pole), stud in studs(design, layout).items():
            node = layout["chain"]["group"][k] + before + (pole == "+")
            near = shape.distance(stud) < gap - SLACK and node != c["from_group"]
            if near and k in groups and _beside(layout, c, k):
                found.append(f"{c['name']} comes within {shape.distance(stud):.3f} mm of a stud of cell {k}")
        for k, vent in vents(design, layout).items():
            if k in groups and _beside(layout, c, k) and shape.distance(vent) < SLACK:
                found.append(f"{c['name']} covers the vent of cell {k}")
        hull = unary_union([ends[k] for k in own]).convex_hull
        if shape.difference(hull.buffer(SLACK)).area > 0.01:
            found.append(f"{c['name']} reaches beyond the cells that it joins")
        if any(abs(p[axis] - _face(layout, c)) > 0.01 for piece in c["pieces"] for p in piece["outline_mm"]):
            found.append(f"{c['name']} does not lie on its face")
    return found


def _beside(layout, conductor, cell):
    """Whether a cell ends at the height of a conductor, whatever its layer is called; cases stand on each other."""
    sign, axis = 1 if conductor["face"][0] == "+" else -1, layout["axis"]
    end = layout["centres_mm"][cell][axis] + sign * layout["extents_mm"][cell][axis] / 2
    return abs(end - _face(layout, conductor)) < 3.0


def _face(layout, conductor):
    k = conductor["terminals"][0]["cell"]
    axis, sign = layout["axis"], 1 if conductor["face"][0] == "+" else -1
    return layout["centres_mm"][k][axis] + sign * layout["extents_mm"][k][axis] / 2


def _joined(c, each, shape, ends, layout, round_cells, design):
    """Welds covered, on their cell, off the centre of negative ends; metal in one part; leads on metal."""
    found = []
    u, v = plane(layout["axis"])
    if any(not piece.is_valid for piece in each):
        found.append(f"{c['name']} has an outline that crosses itself")
    if shape.geom_type != "Polygon":
        found.append(f"{c['name']} is in {len(shape.geoms)} parts")
    for t in c["terminals"]:
        centre, cell = layout["centres_mm"][t["cell"]], t["cell"]
        weld = Point(t["centre_mm"][u], t["centre_mm"][v])
        disc = weld.buffer(WELD_MM / 2, 32)
        if not shape.buffer(SLACK).covers(disc):
            found.append(f"{c['name']} does not cover the weld of cell {cell}")
        if not ends[cell].buffer(SLACK).covers(disc):
            found.append(f"{c['name']} is welded beside cell {cell}")
        off = math.hypot(weld.x - centre[u], weld.y - centre[v])
        if round_cells and t["pole"] == "-" and off < WELD_MM / 2 + 1.0:
            found.append(f"{c['name']} is welded on the centre of the negative end of cell {cell}")
        if round_cells and t["pole"] == "+" and off > layout["extents_mm"][cell][u] * 0.2 - WELD_MM / 2 + 0.05:
            found.append(f"{c['name']} is welded off the button of cell {cell}")
        way = layout["chain"]["polarity"][cell] * (1 if t["pole"] == "+" else -1)
        stud = studs(design, layout).get((cell, t["pole"]))
        if ("+" if way > 0 or stud else "-") != c["face"][0]:
            found.append(f"{c['name']} lies on the wrong end of cell {cell}")
        if stud and not stud.buffer(SLACK).covers(disc):
            found.append(f"{c['name']} is welded beside the {t['pole']} stud of cell {cell}")
        group = layout["chain"]["group"][cell] + _before(design, layout) + (1 if t["pole"] == "+" else 0)
        if group != c["from_group"]:
            found.append(f"{c['name']} joins cell {cell}, whose {t['pole']} end is at {group}")
    for tap in c["taps"]:
        if not shape.covers(Point(tap["at_mm"][u], tap["at_mm"][v])):
            found.append(f"a lead of {c['name']} is off its metal")
    return found


def studs(design, layout):
    """Terminals that lie on one end of blocks, in the plane of that end: (cell, pole) to shape; none of round cells.

    Two on the end towards the axis' high end, apart along the wider side, the positive one towards its high end where
    polarity is 1; 0.55 of the width apart and 0.6 of the thickness (of a tab 0.9) across where the catalog is silent.
    """
    row, (u, v) = design["catalog"]["cells"][0], plane(layout["axis"])
    if row["shape"] == "cylinder" or row.get("terminal_layout") == "ends":
        return {}
    apart = row.get("terminal_spacing_mm") or 0.55 * row["width_mm"]
    share = 0.9 if row["shape"] == "pouch" else 0.6
    across = row.get("terminal_mm") or min(share * row["thickness_mm"], 0.3 * row["width_mm"])
    found = {}
    for k, (c, e) in enumerate(zip(layout["centres_mm"], layout["extents_mm"], strict=True)):
        wide = (1, 0) if e[u] >= e[v] else (0, 1)
        for pole, sign in (("+", 1), ("-", -1)):
            step = sign * (layout["chain"]["polarity"][k] or 1) * apart / 2
            x, y = c[u] + step * wide[0], c[v] + step * wide[1]
            found[k, pole] = shapely.box(x - across / 2, y - across / 2, x + across / 2, y + across / 2)
    return found


def vents(design, layout):
    """Vents between the studs of prismatic cells, unless the table has them elsewhere: half the thickness across."""
    row, (u, v) = design["catalog"]["cells"][0], plane(layout["axis"])
    said = row.get("vent_end") or ("terminals" if row["shape"] == "prismatic" else "none")
    if row["shape"] == "cylinder" or row.get("terminal_layout") == "ends" or said != "terminals":
        return {}
    radius = min(0.5 * row["thickness_mm"], 0.25 * row["width_mm"]) / 2
    return {k: Point(c[u], c[v]).buffer(radius, 32) for k, c in enumerate(layout["centres_mm"])}


def _before(design, layout):
    """Groups of the pack before a compartment's first one."""
    nodes = [c["from_group"] for c in design["conductors"] if c["compartment"] == layout["compartment"]]
    return min(nodes)


def _whole(design):
    """Every cell is joined once at each pole; the chain has its two ends."""
    found, seen = [], {}
    for c in design["conductors"]:
        for t in c["terminals"]:
            key = c["compartment"], t["cell"], t["pole"]
            seen[key] = seen.get(key, 0) + 1
    twice = [key for key, count in seen.items() if count > 1]
    found += [f"{key} is joined twice" for key in twice]
    count = design["choices"]["series"] * design["choices"]["parallel"]
    if len(seen) != 2 * count:
        found.append(f"{len(seen)} ends are joined, {2 * count} are to be")
    nodes = {c["from_group"] for c in design["conductors"]}
    if nodes != set(range(design["choices"]["series"] + 1)):
        found.append(f"conductors at {sorted(nodes)}")
    leads = {tap["lead"] for c in design["conductors"] for tap in c["taps"]}
    if not {"pack negative", "pack positive"} <= leads:
        found.append(f"leads {sorted(leads)}")
    return found
