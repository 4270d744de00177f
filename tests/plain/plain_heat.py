"""Rise of the hottest cell of a compartment.

From the docstrings of optimizer.pack.thermal.neighbours, webs, heat, convection and packed.
"""

import math
from itertools import pairwise

import numpy

AIR_K, PRINT_K = 0.0267, 0.25
SIGMA = 5.670374419e-8
RISE_K, AIR_C = 20.0, 25.0
# Part of the sun that a colour takes up (optimizer.base.constants).
SUN_TAKEN = {"white": 0.26, "light": 0.45, "dark": 0.90, "black": 0.98}


def lateral(layout):
    return [k for k in range(3) if k != layout.axis]



def walls_of(layout, used, reach_mm, apart_mm):
    """Walls at low and high end of both axes across for each used cell, and pairs of neighbours: i, j, mm, in one case.

    Each angle without a neighbour counts angle/90° - 1 walls, none under a half.
    """
    u, v = lateral(layout)
    walls, pairs = {}, []
    for i in used:
        angles = []
        for j in used:
            along = layout.centres_mm[j][layout.axis] - layout.centres_mm[i][layout.axis]
            if i == j or abs(along) >= 0.5 * layout.size.length_mm:
                continue
            du = layout.centres_mm[j][u] - layout.centres_mm[i][u]
            dv = layout.centres_mm[j][v] - layout.centres_mm[i][v]
            alike = layout.layer[i] == layout.layer[j] and layout.module[i] == layout.module[j]
            mm = math.hypot(du, dv)
            if mm <= (reach_mm if alike else apart_mm):
                angles.append(math.atan2(dv, du))
                if i < j:
                    pairs.append((i, j, mm, alike))
        walls[i] = _facing_walls(sorted(angles))
    return walls, pairs


def _facing_walls(angles):
    if not angles:
        return [1.0] * 4
    out = [0.0] * 4
    for first, then in pairwise([*angles, angles[0] + 2 * math.pi]):
        count = (then - first) / (math.pi / 2) - 1.0
        if count < 0.5:
            continue
        middle = 0.5 * (first + then)
        off = [abs(math.remainder(math.radians(side) - middle, 2 * math.pi)) for side in (180, 0, 270, 90)]
        within = max((then - first) / 2 - math.pi / 2, min(off)) + 1e-9
        chosen = [k for k in range(4) if off[k] <= within]
        for k in chosen:
            out[k] += count / len(chosen)
    return out


def hot_rise(layout, chain, groups, room, gaps, case, weathers, filler=None):
    """What warms the hottest cell per watt in every cell, where it is 20 K above air of 25 °C, or above what the sun
    makes of it: in still air, on rides, still in the sun, on rides in it; the box per watt; over the box per watt in
    every cell, and by a watt in each [K/W].

    weathers: wind, the sun that the box takes up [W], the rise of the sunniest box, still and on the ride [K].
    """
    used = [i for i in range(layout.cells) if 0 <= chain.group[i] < groups]
    u, v = lateral(layout)
    size = layout.size
    block = size.shape == "block"
    d = 2.0 * (size.width_mm + size.thickness_mm) / math.pi if block else size.diameter_mm
    area = size.width_mm * size.thickness_mm if block else math.pi / 4 * d * d
    pitch = max(max(e[u], e[v]) for e in layout.extents_mm) + gaps.cell_gap_mm
    apart_mm = 1.15 * pitch + 2.0 * gaps.case_mm + gaps.module_gap_mm
    walls, pairs = walls_of(layout, used, 1.40 * pitch, apart_mm)
    box = [high - low for low, high in room.extent_mm]
    place = {i: k for k, i in enumerate(used)}
    matrix = [[0.0] * len(used) for _ in used]
    fill_k, ends_k, cover_k = filled_with(filler)
    for i, j, mm, alike in pairs:
        if alike:
            ways = between(d, size.length_mm, gaps.cell_gap_mm if block else max(mm - d, 0.0), case, fill_k)
        else:
            free = gaps.module_gap_mm if block else mm - d - 2.0 * (case.case_mm + case.tie_mm)
            ways = beside(d, size.length_mm, case, max(free, gaps.module_gap_mm, 0.1) * 1e-3 / AIR_K, 2, fill_k)
        _join(matrix, place[i], place[j], ways)

    def to_wall(i, axis, high, take_mm):
        """Coefficient of the air from a case to the box at one end of an axis."""
        low_mm, high_mm = room.extent_mm[axis]
        at, half = layout.centres_mm[i][axis], layout.extents_mm[i][axis] / 2 + take_mm
        free = high_mm - at - half if high else at - half - low_mm
        return _gap(max(free, gaps.wall_mm, 0.1), box[2] * 1e-3), max(free, gaps.wall_mm, 0.1)

    def to_end(i, high):
        """The same at an end of a cell, a pad before it if it reaches the wall, and half of the cell itself."""
        air, free = to_wall(i, layout.axis, high, gaps.end_mm)
        if filler is None or filler.kind == "potting":
            return air
        pad = ends_k / (free * 1e-3) if free <= filler.reach_mm else 0.0
        return 1.0 / (1.0 / max(air, pad) + 0.5e-3 * size.length_mm / 20.0)

    cover = max(gaps.end_mm - case.over_mm - gaps.stack_mm, 0.0)
    layers = max(gaps.end_mm - cover, 0.1) * 1e-3 / ends_k + cover * 1e-3 / cover_k

    def aside(i, j):
        return math.dist([layout.centres_mm[i][k] for k in (u, v)], [layout.centres_mm[j][k] for k in (u, v)])

    def along(i, j):
        return layout.centres_mm[j][layout.axis] - layout.centres_mm[i][layout.axis]

    near = 0.75 * pitch
    stacked = [(i, j) for i in used for j in used if i < j and abs(along(i, j)) >= 0.5 * size.length_mm]
    for i, j in stacked:
        if aside(i, j) <= 0.25 * pitch and abs(along(i, j)) < 1.5 * size.length_mm:
            free = max(abs(along(i, j)) - size.length_mm - 2.0 * gaps.end_mm, 0.0)
            _join(matrix, place[i], place[j], area * 1e-6 / (2.0 * layers + free * 1e-3 / AIR_K))
    for i in used:
        out = 0.0
        for k in range(4):
            if walls[i][k]:
                air, _ = to_wall(i, (u, v)[k // 2], k % 2, case.tie_mm + case.case_mm)
                out += walls[i][k] * beside(d, size.length_mm, case, 1.0 / air, 1, fill_k)
        for high in (False, True):
            way = 1 if high else -1
            before = [j for j in used if aside(i, j) <= near and along(i, j) * way >= size.length_mm / 2]
            if not before:
                out += area * 1e-6 / (layers + 1.0 / to_end(i, high))
        matrix[place[i]][place[i]] += max(out, 1e-6)
    inverse = numpy.linalg.inv(matrix)
    rises = inverse.sum(axis=1)
    over = rises.max()
    # As hot by symmetry: the mean of them.
    alike = [k for k in range(len(used)) if rises[k] >= over * (1.0 - 1e-9)]
    def rise_in(wind, sun_w, most_k):
        """Rise of the box at which box and cell together are 20 K over the air, or over what the sun makes of it."""
        low, high = 0.0, most_k + RISE_K
        for _ in range(60):
            rise = 0.5 * (low + high)
            heat = (rise * _box_w_per_k(box, rise, forced=wind) - sun_w) / len(used)
            low, high = (low, rise) if rise + heat * over > most_k + RISE_K else (rise, high)
        heat = low * _box_w_per_k(box, low, forced=wind) - sun_w
        if not sun_w:
            return RISE_K * len(used) / heat
        more = ((low + 1e-3) * _box_w_per_k(box, low + 1e-3, forced=wind) - sun_w - heat) / 1e-3
        return max(RISE_K * len(used) / heat, over + len(used) / more)

    still, shady = rise_in(0.0, 0.0, 0.0), [one for one in weathers if not one[1]]
    found = [
        still, max((rise_in(wind, 0.0, 0.0) for wind, _, _, _ in shady), default=still),
        max((rise_in(0.0, taken, most) for _, taken, most, _ in weathers if taken), default=0.0),
        max((rise_in(wind, taken, most) for wind, taken, _, most in weathers if taken), default=0.0),
    ]  # fmt: skip
    each = {i: float(sum(inverse[k][place[i]] for k in alike)) / len(alike) for i in used}
    return *found, (still - over) / len(used), float(over), each


def _join(matrix, a, b, w_k):
    matrix[a][a] += w_k
    matrix[b][b] += w_k
    matrix[a][b] -= w_k
    matrix[b][a] -= w_k


def _heights(d):
    """Heights over the line of centres and their widths, 96 even in the angle [mm]."""
    edges = [math.sin(k * math.pi / 192) * d / 2 for k in range(97)]
    return [((low + high) / 2, high - low) for low, high in pairwise(edges)]


def _reach(radius, y):
    return math.sqrt(radius * radius - y * y)


def _has_rings(case):
    return case.cell_gap_mm - case.bore_clearance_mm >= case.nozzle_mm - 1e-9 and not case.tie_mm


def filled_with(filler):
    """Conductivity around the cells, over their ends and of covers [W/(m K)]; a tenth of all faces is not touched."""
    if filler is None:
        return AIR_K, AIR_K, PRINT_K
    own = 0.9 * filler.conductivity_w_m_k
    if filler.kind == "potting":
        return own, AIR_K, PRINT_K
    return AIR_K, own, 130.0 if filler.kind == "plate" else PRINT_K


def padded(layout, chain, groups, room, gaps, case, filler):
    """What pads take, and plates of metal, as large as a square of a cell's pitch [mm³]."""
    used = [i for i in range(layout.cells) if 0 <= chain.group[i] < groups]
    pitch = max(max(layout.extents_mm[i][k] for k in lateral(layout)) for i in range(layout.cells)) + gaps.cell_gap_mm
    cover, pads, plates = max(gaps.end_mm - case.over_mm - gaps.stack_mm, 0.0), 0.0, 0.0
    low_mm, high_mm = room.extent_mm[layout.axis]
    for i in used:
        area = math.prod(layout.extents_mm[i][k] + gaps.cell_gap_mm for k in lateral(layout))
        at, half = layout.centres_mm[i][layout.axis], layout.extents_mm[i][layout.axis] / 2 + gaps.end_mm
        deep = 2.0 * (gaps.end_mm - cover)
        for way, free in ((-1, at - half - low_mm), (1, high_mm - at - half)):
            air = max(free, gaps.wall_mm, 0.1)
            before = [
                j for j in used
                if (layout.centres_mm[j][layout.axis] - at) * way >= layout.size.length_mm / 2
                and math.dist(*([layout.centres_mm[m][k] for k in lateral(layout)] for m in (i, j))) <= 0.75 * pitch
            ]
            deep += air if air <= filler.reach_mm and not before else 0.0
        pads, plates = pads + deep * area, plates + 2.0 * cover * area
    return pads, plates if filler.kind == "plate" else 0.0


def between(d, length, gap, case, fill_k=AIR_K):
    """From a cell through play, print and air to its neighbour, straight across [W/K]."""
    r, half, total = d / 2, (d + gap) / 2, 0.0
    play, ring = case.bore_clearance_mm / 2, case.bore_clearance_mm / 2 + case.rib_mm
    for y, wide in _heights(d):
        bore, printed = min(_reach(r + play, y), half), 0.0
        if _has_rings(case):
            printed = min(_reach(r + ring, y), half) - bore
            if gap > 2 * ring - 0.4 and y <= case.rib_mm:
                printed = half - bore
        air = half - _reach(r, y) - printed
        total += wide / (2 * (air / fill_k + printed / PRINT_K))
    return 2 * length * 1e-3 * total


def beside(d, length, case, outside, times, fill_k=AIR_K):
    """From a cell through the wall beside it, so many times, and what is behind [m² K/W]: [W/K]."""
    r, total = d / 2, 0.0
    play, face = case.bore_clearance_mm / 2, d / 2 + case.tie_mm + case.case_mm
    for y, wide in _heights(d):
        cell, bore, ring = (_reach(r + more, y) for more in (0.0, play, play + case.rib_mm))
        if not _has_rings(case):
            printed = case.case_mm
            air = max(face - cell - printed, play)
        else:
            printed = face - bore if ring >= r else ring - bore + case.case_mm
            air = face - cell - printed
        total += wide / (times * 1e-3 * (air / fill_k + printed / PRINT_K) + outside)
    return 2 * length * 1e-6 * total


def walls_of_boxes(rooms, wall_mm, air_c, forced):
    """From holders through all boxes' walls to the air [W/K], 20 K over it, and the walls' 2 mm of aluminium [J/K]."""
    conductance = capacity = 0.0
    for room, wind in zip(rooms, forced, strict=True):
        length, width, height = box = [high - low for low, high in room.extent_mm]
        area = 2.0 * ((length + width) * height + length * width) * 1e-6
        outside, gap = _box_w_per_k(box, RISE_K, air_c, wind), area * _gap(max(wall_mm, 0.1), height * 1e-3)
        conductance += outside * gap / (outside + gap)
        capacity += area * 0.002 * 2700.0 * 900.0
    return conductance, capacity


def _radiation(emissivity, one_c, two_c):
    a, b = one_c + 273.15, two_c + 273.15
    return emissivity * SIGMA * (a * a + b * b) * (a + b)


def _gap(gap_mm, height_m):
    """Conduction, or two layers of free convection at half of 10 K each; and radiation at 35 °C."""
    free = 1.42 * (5.0 / height_m) ** 0.25 / 2.0
    return max(AIR_K / (gap_mm * 1e-3), free) + _radiation(0.099, 40.0, 30.0)


def wind_w_m2_k(lap, box, part):
    """Mean over time of Nu·k/L along the longest side, laminar or mixed, by the mean speed of each step."""
    length, total = max(box) * 1e-3, 0.0
    if not part:
        return 0.0
    for seconds, metres in zip(lap.seconds, lap.metres, strict=True):
        re = part * metres / seconds * length / 16.7e-6
        nu = (0.664 * math.sqrt(re) if re < 5e5 else 0.037 * re**0.8 - 871.0) * 0.706 ** (1 / 3)
        total += seconds * nu * AIR_K / length
    return total / sum(lap.seconds)


def sun_w(box, watt_m2, absorbed):
    x, y, z = (side * 1e-3 for side in box)
    return absorbed * watt_m2 * math.sqrt((x * y) ** 2 + (y * z) ** 2 + (x * z) ** 2)


def sun_k(box, watt_m2, absorbed, air_c, forced):
    """Rise of an empty box whose largest shadow takes up the sun."""
    watt = sun_w(box, watt_m2, absorbed)
    low, high = 0.0, 200.0
    for _ in range(70):
        rise = 0.5 * (low + high)
        low, high = (low, rise) if rise * _box_w_per_k(box, rise, air_c, forced) > watt else (rise, high)
    return low


def _box_w_per_k(box, rise, air_c=AIR_C, forced=0.0):
    length, width, height = (side * 1e-3 for side in box)
    sides, top, across = 2 * (length + width) * height, length * width, (length + width) / 2
    free = sum(
        area * max(c * (rise / high) ** 0.25, forced)
        for c, high, area in ((1.42, height, sides), (1.32, across, top), (0.59, across, top))
    )
    return free + _radiation(0.9, air_c + rise, air_c) * (sides + 2 * top)
