"""Wires held against design.json and harness.csv alone: other code than what lays them."""

import math
from itertools import pairwise

import numpy as np
from shapely.geometry import Point, Polygon


def matrix(degrees):
    """Rotation about x, then y, then z."""
    a, b, c = np.radians(degrees)
    x = np.array([[1, 0, 0], [0, math.cos(a), -math.sin(a)], [0, math.sin(a), math.cos(a)]])
    y = np.array([[math.cos(b), 0, math.sin(b)], [0, 1, 0], [-math.sin(b), 0, math.cos(b)]])
    z = np.array([[math.cos(c), -math.sin(c), 0], [math.sin(c), math.cos(c), 0], [0, 0, 1]])
    return z @ y @ x


def room_of(design, name):
    """The compartment of a name, or of a zone's name."""
    name = next((zone["of"] for zone in design.get("zones", ()) if zone["compartment"] == name), name)
    return next(room for room in design["brief"]["compartment"] if room["name"] == name)


def out_of(room, local):
    """Points of a compartment in the vehicle."""
    turn = matrix(room.get("rotation_deg", (0, 0, 0)))
    return np.asarray(local, float) @ turn.T + np.array(room.get("position_mm", (0, 0, 0)))


def into(room, points):
    """Points of the vehicle in a compartment."""
    turn = matrix(room.get("rotation_deg", (0, 0, 0)))
    return (np.asarray(points, float) - np.array(room.get("position_mm", (0, 0, 0)))) @ turn


def holds(room, point, slack=0.02):
    """Whether a point of the vehicle lies in a box or prism."""
    local = into(room, point)
    if room["shape"] == "box":
        size = [room[key] for key in ("length_mm", "width_mm", "height_mm")]
        return bool(np.all(local >= -slack) and np.all(local <= np.array(size) + slack))
    axis = "xyz".index(room["extrude"])
    u, v = (k for k in range(3) if k != axis)
    flat = Polygon(room["profile_mm"]).distance(Point(local[u], local[v])) <= slack
    return bool(flat and -slack <= local[axis] <= room["depth_mm"] + slack)


def cells_of(design):
    """Every cell in the vehicle: ends of its axis and its radius; blocks as the cylinder inside them."""
    found = []
    for layout in design["layouts"]:
        room, axis = room_of(design, layout["compartment"]), layout["axis"]
        for centre, size, group in zip(
            layout["centres_mm"], layout["extents_mm"], layout["chain"]["group"], strict=True
        ):
            if group >= 0:
                ends = np.array([centre, centre])
                ends[:, axis] += np.array([-0.5, 0.5]) * size[axis]
                side = min(size[k] for k in range(3) if k != axis)
                found.append((out_of(room, ends), side / 2))
    return found


def faults(design, harness):
    """What is wrong with the wires of a design, in words."""
    found, cells = [], cells_of(design)
    is_round = design["catalog"]["cells"][0]["shape"] == "cylinder"
    taps = {}
    for one in design["conductors"]:
        room = room_of(design, one["compartment"])
        for tap in one["taps"]:
            taps.setdefault(tap["lead"].split("group ")[-1], []).append(out_of(room, tap["at_mm"]))
    taps |= {"power": [point for name, points in taps.items() if "pack" in name or "wire" in name for point in points]}
    plugs = np.array(design["harness"]["connectors_mm"])
    for part in design.get("placed", ()):
        if "BMS" in part["name"]:
            at = out_of(room_of(design, part["compartment"]), part["connectors_mm"])
            if np.linalg.norm(at - plugs) > 0.01:
                found.append("the board's connectors are not where it lies")
    bends = {(a, b) for a, b in map(tuple, design["harness"]["straight"])}
    for wire in harness.to_dict("records"):
        name = f"{wire['from']} to {wire['to']}"
        way = np.array([[float(v) for v in corner.split()] for corner in wire["way_mm"].split("; ")])
        run = np.linalg.norm(np.diff(way, axis=0), axis=1).sum()
        ends = [np.array([float(v) for v in wire[key].split()]) for key in ("from_mm", "to_mm")]
        if abs(run - wire["path_mm"]) > 0.01 or np.any(ends[0] != way[0]) or np.any(ends[1] != way[-1]):
            found.append(f"{name}: its way is not what it says")
        if wire["path_mm"] < np.linalg.norm(ends[1] - ends[0]) - 1e-9:
            found.append(f"{name} is shorter than the straight way")
        slack = design["brief"]["harness"]["slack_mm"]
        if wire["length_mm"] < wire["path_mm"] + slack - 1e-6 or wire["length_mm"] % 5.0:
            found.append(f"{name} is cut to {wire['length_mm']} mm for a way of {wire['path_mm']} mm")
        parts = wire["path_mm"] + wire["spare_mm"] + wire["slack_mm"]
        if abs(parts - wire["length_mm"]) > 0.0011 or not -1e-9 <= wire["slack_mm"] - slack < 5.0:
            found.append(f"{name}: its length is not the sum of what it is said to be made of")
        # Two joints each within a cell's end, and a leg rounded up; sensors of several cases are cut for the farthest.
        sensor = wire["purpose"] == "sensor"
        most = np.inf if wire["through"] or (sensor and " module " in wire["from"]) else 5.0 if sensor else 40.0
        if not -1e-9 <= wire["spare_mm"] <= most:
            found.append(f"{name}: {wire['spare_mm']} mm to spare")
        if "BMS" in wire["to"] and np.linalg.norm(ends[1] - plugs) > 0.01:
            found.append(f"{name} does not end at the board's connectors")
        if sensor:
            off = [np.linalg.norm(ends[0] - end) for axis_ends, _ in cells for end in axis_ends]
            reach = max((radius for _, radius in cells), default=0.0)
            if min(off) > (0.01 if is_round else 3.0 * reach):
                found.append(f"{name} does not begin on the end of a cell")
        else:
            key = "power" if wire["purpose"] == "power" else wire["from"].split("group ")[-1].replace("−", "−")
            if min(np.linalg.norm(tap - ends[0]) for tap in taps[key]) > 0.01:
                found.append(f"{name} does not begin at a tap")
        if wire["through"] != "straight":
            found += [f"{name}: passes through {part}" for part in _through(design, way)]
        found += [f"{name}: {text}" for text in _off(design, way, cells, wire["through"], bends)]
    return found


def _through(design, way, deep=0.05):
    """Parts through whose bodies a way passes: pieces of it clipped by the box, plane by plane."""
    found = []
    for part in design.get("placed", ()):
        room = room_of(design, part["compartment"])
        local = into(room, way)
        low = np.array(part["corner_mm"]) + deep
        high = np.array(part["corner_mm"]) + part["extents_mm"] - deep
        for one, two in pairwise(local):
            first, last = 0.0, 1.0
            for a, b, bottom, top in zip(one, two, low, high, strict=True):
                if abs(b - a) < 1e-12:
                    first, last = (first, last) if bottom < a < top else (1.0, 0.0)
                else:
                    cuts = sorted(((bottom - a) / (b - a), (top - a) / (b - a)))
                    first, last = max(first, cuts[0]), min(last, cuts[1])
            if first < last:
                found.append(part["name"])
                break
    return found


def _off(design, way, cells, through, bends):
    """Where a way leaves the compartments, or passes a cell."""
    rooms, found = design["brief"]["compartment"], []
    for one, two in pairwise(way):
        steps = np.linspace(0, 1, max(int(np.linalg.norm(two - one) / 3), 2))
        points = one + steps[:, None] * (two - one)
        homes = [{room["name"] for room in rooms if holds(room, point)} for point in points]
        same = homes[0] & homes[-1]
        if (same and not set.intersection(*homes)) or (not same and through == ""):
            found.append("leaves its compartment")
        for ends, radius in cells:
            axis = ends[1] - ends[0]
            length = np.linalg.norm(axis)
            along = (points - ends[0]) @ axis / length
            off = np.linalg.norm(points - ends[0] - along[:, None] * axis / length, axis=1)
            if same and np.any((along > 0.05) & (along < length - 0.05) & (off < radius - 0.05)):
                found.append("passes through a cell")
                break
    return found
