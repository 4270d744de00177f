"""Rise of the hottest cell of a compartment.

From the docstrings of optimizer.pack.thermal.neighbours, heat, convection and search.space.fills.
"""

import math
from itertools import pairwise

AIR_K = 0.0267
SIGMA = 5.670374419e-8
RISE_K, AIR_C = 20.0, 25.0


def lateral(layout):
    return [k for k in range(3) if k != layout.axis]



def walls_of(layout, used, reach_mm):
    """Free sides of each used cell (widest angle without a neighbour over 90° less 1), and pairs of neighbours."""
    u, v = lateral(layout)
    free, pairs = {}, []
    for i in used:
        angles = []
        for j in used:
            if i == j or layout.layer[i] != layout.layer[j] or layout.module[i] != layout.module[j]:
                continue
            du = layout.centres_mm[j][u] - layout.centres_mm[i][u]
            dv = layout.centres_mm[j][v] - layout.centres_mm[i][v]
            if math.hypot(du, dv) <= reach_mm:
                angles.append(math.atan2(dv, du))
                if i < j:
                    pairs.append((i, j))
        angles.sort()
        gaps = [b - a for a, b in pairwise(angles)]
        if angles:
            free[i] = max(max(*gaps, angles[0] + 2 * math.pi - angles[-1]) / (math.pi / 2) - 1.0, 0.0) if gaps else 3.0
        else:
            free[i] = 4.0
    return free, pairs


def hot_rise(layout, chain, groups, room, gaps, case_area_mm2):
    """Rise of the hottest cell over the air per watt in every cell, where it is 20 K above air of 25 °C [K/W]."""
    used = [i for i in range(layout.cells) if 0 <= chain.group[i] < groups]
    u, v = lateral(layout)
    pitch = max(max(e[u], e[v]) for e in layout.extents_mm) + gaps.cell_gap_mm
    free, pairs = walls_of(layout, used, 1.40 * pitch)
    inner = [i for i in used if free[i] < 0.5]
    outer = [i for i in used if free[i] >= 0.5]
    mixed = sum((free[i] < 0.5) != (free[j] < 0.5) for i, j in pairs)
    modules = max(layout.module) > 0
    bottom, top = min(layout.layer[i] for i in used), max(layout.layer[i] for i in used)

    def ends(cells):
        return sum(2 if modules else int(layout.layer[i] == bottom) + int(layout.layer[i] == top) for i in cells)

    size = layout.size
    d = 2.0 * (size.width_mm + size.thickness_mm) / math.pi if size.shape == "block" else size.diameter_mm
    between = _cylinders(d, max(gaps.cell_gap_mm, 0.1), size.length_mm, 0.25)
    # A flat wall is the plane of symmetry of two cylinders twice as far apart; 0.2 mm of air is left to it.
    side = 2.0 * _cylinders(d, 0.4, size.length_mm, AIR_K)
    end = AIR_K / (max(gaps.end_mm, 0.1) * 1e-3) * math.pi / 4 * (d * 1e-3) ** 2
    box = [high - low for low, high in room.extent_mm]
    across = _gap(max(gaps.wall_mm, 0.1), box[2] * 1e-3)
    inner_outer = mixed * between
    inner_case = ends(inner) * end + sum(free[i] for i in inner) * side
    outer_case = ends(outer) * end + sum(free[i] for i in outer) * side
    over = _over_box(len(inner), len(outer), inner_outer, inner_case, outer_case, across * case_area_mm2 * 1e-6)
    # Rise of the box at which box and cell together are 20 K over the air.
    low, high = 0.0, RISE_K
    for _ in range(60):
        rise = 0.5 * (low + high)
        heat = rise * _box_w_per_k(box, rise) / len(used)
        low, high = (low, rise) if rise + heat * over > RISE_K else (rise, high)
    return RISE_K * len(used) / (low * _box_w_per_k(box, low))


def walls_of_boxes(rooms, wall_mm, air_c):
    """From holders through all boxes' walls to the air [W/K], 20 K over it, and the walls' 2 mm of aluminium [J/K]."""
    conductance = capacity = 0.0
    for room in rooms:
        length, width, height = box = [high - low for low, high in room.extent_mm]
        area = 2.0 * ((length + width) * height + length * width) * 1e-6
        outside, gap = _box_w_per_k(box, RISE_K, air_c), area * _gap(max(wall_mm, 0.1), height * 1e-3)
        conductance += outside * gap / (outside + gap)
        capacity += area * 0.002 * 2700.0 * 900.0
    return conductance, capacity


def _cylinders(d, gap, length, k):
    s = d + gap
    shape = 2 * s / math.sqrt(s * s - d * d) * math.atan(math.sqrt((s + d) / (s - d))) - math.pi / 2
    return k * length * 1e-3 * shape


def _radiation(emissivity, one_c, two_c):
    a, b = one_c + 273.15, two_c + 273.15
    return emissivity * SIGMA * (a * a + b * b) * (a + b)


def _gap(gap_mm, height_m):
    """Conduction, or two layers of free convection at half of 10 K each; and radiation at 35 °C."""
    free = 1.42 * (5.0 / height_m) ** 0.25 / 2.0
    return max(AIR_K / (gap_mm * 1e-3), free) + _radiation(0.099, 40.0, 30.0)


def _box_w_per_k(box, rise, air_c=AIR_C):
    length, width, height = (side * 1e-3 for side in box)
    sides, top, across = 2 * (length + width) * height, length * width, (length + width) / 2
    free = 1.42 * (rise / height) ** 0.25 * sides + (1.32 + 0.59) * (rise / across) ** 0.25 * top
    return free + _radiation(0.9, air_c + rise, air_c) * (sides + 2 * top)


def _over_box(inner, outer, inner_outer, inner_case, outer_case, case_box):
    """Rise of the hottest node over the box for one watt in every cell."""
    case = (inner + outer) / case_box
    if not inner:
        return case + outer / outer_case
    if not outer:
        return case + inner / inner_case
    # inner = io (a − b) + ic a; outer = io (b − a) + oc b.
    det = inner_outer * inner_case + inner_outer * outer_case + inner_case * outer_case
    a = ((inner_outer + outer_case) * inner + inner_outer * outer) / det
    b = (inner_outer * inner + (inner_outer + inner_case) * outer) / det
    return case + max(a, b)
