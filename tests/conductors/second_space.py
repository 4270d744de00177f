"""Conductors of a design.json in space: folded joints, plates, leads' ends, cans, walls and keep-outs, once more.

Every piece becomes boxes over plane outlines: flat metal from its outline's height outwards by its layers, a folded
stretch as the wall that its outline draws. Nothing of the package is imported.
"""

import itertools
import math

import numpy as np
import shapely
from second_wires import room_of
from shapely.geometry import LineString, Point, Polygon
from shapely.ops import unary_union

SLACK = 1e-3
STEP_MM = 1.0
LEAD_MM = 1.5


def plane(axis):
    return [k for k in range(3) if k != axis]


class Body:
    """A plane outline across the cells' axis over a stretch along it."""

    def __init__(self, shape, low, high):
        self.shape, self.low, self.high = shape, min(low, high), max(low, high)

    def gap(self, other):
        along = max(self.low - other.high, other.low - self.high, 0.0)
        return math.hypot(along, self.shape.distance(other.shape))


def quads(points):
    """Stretches between the folds of a ribbon whose outline runs along one edge and back along the other."""
    half = len(points) // 2
    edge, back = points[:half], points[half:][::-1]
    return [np.array([edge[k], edge[k + 1], back[k + 1], back[k]], dtype=float) for k in range(half - 1)]


def bodies(conductor, axis, facing=None):
    """Of a conductor's metal; `facing` is the face on which a joint ends."""
    u, v = plane(axis)
    sign = 1.0 if conductor["face"][0] == "+" else -1.0
    found = []
    if conductor["way"] != "fold":
        flat = [Polygon([(p[u], p[v]) for p in piece["outline_mm"]]) for piece in conductor["pieces"]]
        base = conductor["pieces"][0]["outline_mm"][0][axis]
        low = base + sign * conductor["insulator_mm"]
        # Pieces lie on each other: each is drawn as high as the tallest stack of the plate at a weld.
        found += [Body(shape, low, low + sign * stack(conductor, axis)) for shape in flat]
        return found
    for piece in conductor["pieces"]:
        thick = piece["layers"] * conductor["thickness_mm"]
        for quad in quads(piece["outline_mm"]):
            if found and isinstance(found[-1].shape, LineString):
                sign = 1.0 if facing[0] == "+" else -1.0
            if np.ptp(quad[:, axis]) < 1e-6:
                found.append(Body(Polygon(quad[:, [u, v]]), quad[0, axis], quad[0, axis] + sign * thick))
            else:
                line = shapely.MultiPoint(quad[:, [u, v]]).convex_hull
                found.append(Body(line, quad[:, axis].min(), quad[:, axis].max()))
    return found


def stack(conductor, axis):
    """Height of the layers that lie on each other where most of them do [mm]."""
    u, v = plane(axis)
    pieces, most = conductor["pieces"], 0.0
    shapes = [Polygon([(p[u], p[v]) for p in piece["outline_mm"]]) for piece in pieces]
    # Over a weld, or where a collector is joined to its plate.
    at = [t["centre_mm"] for t in conductor["terminals"]] + [p for piece in pieces for p in piece.get("joints_mm", ())]
    for point in at:
        over = [(p["layers"], p.get("thickness_mm", conductor["thickness_mm"]))
                for p, s in zip(pieces, shapes, strict=True) if s.contains(Point(point[u], point[v]))]  # fmt: skip
        most = max(most, sum(layers * thick for layers, thick in over))
    return most


def cans(layout, axis, used, round_cells):
    u, v = plane(axis)
    found = {}
    for k in used:
        c, e = layout["centres_mm"][k], layout["extents_mm"][k]
        if round_cells:
            shape = Point(c[u], c[v]).buffer(e[u] / 2, 64)
        else:
            shape = shapely.box(c[u] - e[u] / 2, c[v] - e[v] / 2, c[u] + e[u] / 2, c[v] + e[v] / 2)
        found[k] = Body(shape, c[axis] - e[axis] / 2, c[axis] + e[axis] / 2)
    return found


def faults(design):
    """Everything in space that a builder could not lay, in words."""
    round_cells = design["catalog"]["cells"][0]["shape"] == "cylinder"
    found = []
    for layout in design["layouts"]:
        mine = [c for c in design["conductors"] if c["compartment"] == layout["compartment"]]
        if mine:
            found += _metal(mine, layout, round_cells, design["brief"]["clearance"])
            found += _walls(mine, layout, room_of(design, layout["compartment"]), design["brief"]["clearance"])
            found += _bolts(mine, layout, room_of(design, layout["compartment"]), design)
    return found


def _metal(mine, layout, round_cells, clearance):
    axis, gap, found = layout["axis"], clearance["plate_gap_mm"], []
    u, v = plane(axis)
    faces = {c["name"]: c["face"] for c in mine}
    shapes = [bodies(c, axis, faces.get(c["name"].split()[0] + "-")) for c in mine]
    ends = cans(layout, axis, {t["cell"] for c in mine for t in c["terminals"]}, round_cells)
    boxes = np.array([unary_union([b.shape for b in each]).buffer(gap + 1).bounds for each in shapes])
    for (a, one), (b, two) in itertools.combinations(enumerate(mine), 2):
        if one["from_group"] == two["from_group"]:
            continue
        if np.any(boxes[a][:2] > boxes[b][2:]) or np.any(boxes[b][:2] > boxes[a][2:]):
            continue
        left = min(p.gap(q) for p in shapes[a] for q in shapes[b])
        # A joint may pass over a plate or along it on its own insulation, two of one level never.
        over = one["level"] != two["level"]
        least = max(one["insulator_mm"], two["insulator_mm"]) if over else gap
        if left < least - SLACK:
            found.append(f"{one['name']} and {two['name']} are {left:.3f} mm apart in space")
    for c, each in zip(mine, shapes, strict=True):
        own = {t["cell"] for t in c["terminals"]}
        # The steel around a cell is its negative end.
        for k, can in ends.items():
            node = c["from_group"]
            potential = layout["chain"]["group"][k] + min(m["from_group"] for m in mine)
            if k in own or potential == node:
                continue
            left = min(b.gap(can) for b in each)
            if left < min(c["insulator_mm"], gap) - SLACK:
                found.append(f"{c['name']} is {left:.3f} mm from the can of cell {k}")
        for tap in c["taps"]:
            disc = Point(tap["at_mm"][u], tap["at_mm"][v]).buffer(LEAD_MM, 32)
            flat = unary_union([b.shape for b in each if not isinstance(b.shape, LineString)])
            if not flat.buffer(SLACK).covers(disc):
                found.append(f"the lead {tap['lead']} of {c['name']} is not all on its metal")
    return found


def _walls(mine, layout, room, clearance):
    """Metal keeps the plates' gap from walls and keep-outs; along the cells what lies on them fits under the cover."""
    axis, gap, found = layout["axis"], clearance["plate_gap_mm"], []
    for c in mine:
        top = c["insulator_mm"] + stack(c, axis) if c["way"] != "fold" else 0.0
        if c["way"] == "fold":
            k = _face_of(c, mine, layout)
            top = max(abs(p[axis] - k) for piece in c["pieces"] for p in piece["outline_mm"][:1])
            top += c["pieces"][0]["layers"] * c["thickness_mm"]
        there = min(clearance["end_mm"], clearance.get("stack_mm", 1.5))
        if top > there + SLACK:
            found.append(f"{c['name']} is {top:.2f} mm high, {there} mm are there")
        for piece in c["pieces"]:
            points = _along(piece["outline_mm"])
            left = _left(points, room)
            if left < gap - SLACK:
                found.append(f"{c['name']} is {left:.3f} mm from a wall or keep-out")
    return found


def _bolts(mine, layout, room, design):
    """What holds bolted metal ends within the room over the cells' ends: short of walls, and of cells that face it."""
    row, asked, axis = design["catalog"]["cells"][0], design["brief"]["joining"], layout["axis"]
    if row["shape"] == "cylinder" or asked["methods"] != ["bolt"]:
        return []
    # A nut M5 of ISO 4032 with a washer of ISO 7089 where the table is silent.
    holds, stud = asked["lug_mm"] + (row.get("fastener_mm") or 5.7), row.get("stud_mm") or 0.0
    c, e, found = np.array(layout["centres_mm"]), np.array(layout["extents_mm"]), []
    for one in (one for one in mine if one["way"] != "fold"):
        sign = 1.0 if one["face"][0] == "+" else -1.0
        top = max(one["insulator_mm"] + stack(one, axis) + holds, stud)
        if abs(one["top_mm"] - top) > SLACK:
            found.append(f"{one['name']} is said to be {one['top_mm']} mm high with what holds it, it is {top:.3f}")
        for k in {t["cell"] for t in one["terminals"]}:
            end = c[k, axis] + sign * e[k, axis] / 2
            tips = c[[k]].copy()
            tips[0, axis] = end + sign * top
            if _left(tips, room) < design["brief"]["clearance"]["wall_mm"] - SLACK:
                found.append(f"a fastener on cell {k} reaches a wall")
            across = np.abs(c - c[k]) < (e + e[k]) / 2
            facing = across[:, plane(axis)].all(axis=1) & (sign * (c[:, axis] - c[k, axis]) > 0)
            gaps = sign * (c[facing, axis] - end) - e[facing, axis] / 2
            if len(gaps) and gaps.min() < top:
                found.append(f"a fastener on cell {k} reaches the cell over it")
    return found


def _face_of(fold, mine, layout):
    """Height of the cells' ends on the face that a joint leaves."""
    mate = next(c for c in mine if c["name"] == fold["name"].split()[0] + "+")
    return mate["pieces"][0]["outline_mm"][0][layout["axis"]]


def _along(points):
    """Points along a closed outline, near enough to each other."""
    out = []
    for one, two in zip(points, [*points[1:], points[0]], strict=True):
        a, b = np.array(one, float), np.array(two, float)
        count = max(int(np.ceil(np.linalg.norm(b - a) / STEP_MM)), 1)
        out += [a + (b - a) * k / count for k in range(count)]
    return np.array(out)


def _left(points, room):
    """Least distance of points inside a compartment to its walls and keep-outs; below 0 outside."""
    least = _depth(points, room)
    for keep in room.get("keep_out", ()):
        least = min(least, -_depth(points - np.array(keep.get("origin_mm", (0, 0, 0))), keep, outside=True))
    return least


def _depth(points, solid, outside=False):
    """Least depth inside a box or prism; with `outside` the most depth, below 0 for what is clear of it."""
    if solid["shape"] == "box":
        shape = shapely.box(0, 0, solid["length_mm"], solid["width_mm"])
        along, deep, across = 2, solid["height_mm"], [0, 1]
    else:
        along = "xyz".index(solid["extrude"])
        deep, across = solid["depth_mm"], plane(along)
        shape = Polygon(solid["profile_mm"])
    spots = shapely.points(points[:, across])
    edge = shapely.distance(shape.exterior, spots)
    edge = np.where(shapely.contains(shape, spots), edge, -edge)
    high = np.minimum(points[:, along], deep - points[:, along])
    if outside:
        # Beyond an edge of the keep-out and beyond its end the two distances add up squared.
        both = np.where((edge < 0) & (high < 0), -np.hypot(edge, high), np.minimum(edge, high))
        return float(both.max())
    return float(np.minimum(edge, high).min())
