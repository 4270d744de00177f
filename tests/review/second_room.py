"""Room for wires, from design.json and harness.csv alone: free voxels flooded from the connectors, trays only."""

import numpy as np
from scipy.ndimage import distance_transform_edt, label
from second_wires import into, out_of, room_of
from shapely import MultiPoint, contains_xy

# Side of a voxel, what its middle may be off, how far a lug reaches, and how far off connectors a wire ends [mm].
VOXEL_MM, ROUNDED_MM, LUG_MM, PORT_MM = 1.0, 1.0, 30.0, 12.0


def free_mm(design, room):
    """Distance of each voxel of a box to what stands there and to its walls [mm]."""
    size = np.array([room[key] for key in ("length_mm", "width_mm", "height_mm")])
    grid = np.stack(np.meshgrid(*[np.arange(0.5, side, VOXEL_MM) for side in size], indexing="ij"), axis=-1)
    solid, rules = np.zeros(grid.shape[:3], dtype=bool), design["brief"]["clearance"]
    for layout in design["layouts"]:
        if room_of(design, layout["compartment"])["name"] != room["name"]:
            continue
        used = np.array(layout["chain"]["group"]) >= 0
        centres, axis = np.array(layout["centres_mm"])[used], layout["axis"]
        u, v = (k for k in range(3) if k != axis)
        for height in np.unique(centres[:, axis].round(3)):
            layer = np.abs(centres[:, axis] - height) < 0.01
            size_mm = np.array(layout["extents_mm"])[used][layer][0]
            hull = MultiPoint(centres[layer][:, [u, v]]).convex_hull.buffer(size_mm[u] / 2 + rules["case_mm"])
            beside = np.abs(grid[..., axis] - height) < size_mm[axis] / 2 + rules["end_mm"]
            solid |= beside & contains_xy(hull, grid[..., u], grid[..., v])
    for part in design.get("placed", ()):
        if part["compartment"] == room["name"]:
            low = np.array(part["corner_mm"])
            solid |= ((grid > low) & (grid < low + part["extents_mm"])).all(axis=-1)
    padded = np.pad(~solid, 1, constant_values=False)
    return grid, distance_transform_edt(padded)[1:-1, 1:-1, 1:-1] * VOXEL_MM


def board_of(design):
    """Compartment of the board, and its connectors there."""
    (board,) = [part for part in design["placed"] if "BMS" in part["name"]]
    room = room_of(design, board["compartment"])
    plugs = np.array(board["connectors_mm"])
    assert np.allclose(out_of(room, plugs), design["harness"]["connectors_mm"], atol=0.01)
    return room, plugs


def cut_short(design, harness):
    """Wires to the board in its own compartment whose way, as long as it is counted, something stands in, by name."""
    room, plugs = board_of(design)
    _, free = free_mm(design, room)
    found = []
    for wire in harness.to_dict("records"):
        way = np.array([[float(value) for value in corner.split()] for corner in wire["way_mm"].split("; ")])
        run = np.linalg.norm(np.diff(way, axis=0), axis=1)
        if wire["through"] or "BMS" not in wire["to"]:
            continue
        at = np.concatenate([
            one + np.linspace(0.0, 1.0, int(far) * 2 + 2)[:, None] * (two - one)
            for one, two, far in zip(way[:-1], way[1:], run, strict=True)
        ])  # fmt: skip
        local = into(room, at)
        lug = np.linalg.norm(local - local[0], axis=1) < LUG_MM + wire["outer_mm"]
        port = np.linalg.norm(local - plugs, axis=1) < PORT_MM
        spots = np.clip((local / VOXEL_MM).astype(int), 0, np.array(free.shape) - 1)
        tight = free[tuple(spots.T)] + ROUNDED_MM < wire["outer_mm"] / 2
        if (tight & ~lug & ~port).any() or run.sum() > wire["length_mm"] - design["brief"]["harness"]["slack_mm"]:
            found.append(wire["from"])
    return found


def without_room(design, harness):
    """Wires to the board in the board's own compartment that no free voxels join to it, by name."""
    room, plugs = board_of(design)
    grid, free = free_mm(design, room)
    found = []
    for wire in harness.to_dict("records"):
        if wire["through"] or "BMS" not in wire["to"]:
            continue
        regions, _ = label(free + ROUNDED_MM / 2 >= wire["outer_mm"] / 2, np.ones((3, 3, 3)))
        tap = into(room, [float(value) for value in wire["from_mm"].split()])
        ends = [
            set(np.unique(regions[np.linalg.norm(grid - at, axis=-1) < reach]).tolist()) - {0}
            for at, reach in ((tap, LUG_MM + wire["outer_mm"]), (plugs, PORT_MM))
        ]
        if not set.intersection(*ends):
            found.append(wire["from"])
    return found
