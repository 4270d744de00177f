"""Tie plates and bands a second time, in loops: volume of the plates and length of the bands of the first groups."""

import math


def runs(values, apart):
    """Numbers in order, in runs whose steps are at most so large."""
    out = []
    for value in sorted(values):
        if out and value - out[-1][-1] <= apart:
            out[-1].append(value)
        else:
            out.append([value])
    return out


def tie_plates(layout, group, groups, gap):
    """Plates [mm³] and bands [mm] of the first groups of a chain.

    Cells of one case in line along their thickness form a column; columns side by side that begin and end alike share
    their plates. Bands: each holds 1500 N at a plate on both sides, at least two.
    """
    size = layout.size
    if not size.tie_mm:
        return 0.0, 0.0
    plane = [k for k in range(3) if k != layout.axis]
    columns = {}
    for k in range(len(group)):
        if 0 <= group[k] < groups:
            c, e = layout.centres_mm[k], layout.extents_mm[k]
            along, across = plane if e[plane[0]] <= e[plane[1]] else plane[::-1]
            where = int(layout.module[k]), int(layout.layer[k]), along, across, round(float(c[across]), 2)
            columns.setdefault(where, []).append(float(c[along]))
    ends = {}
    for (*where, across_mm), places in columns.items():
        for run in runs(places, size.thickness_mm + gap + 0.5):
            key = *where, round(run[0] - size.thickness_mm / 2, 1), round(run[-1] + size.thickness_mm / 2, 1)
            ends.setdefault(key, []).append((across_mm, run[-1] - run[0] + size.thickness_mm))
    plates = bands = 0.0
    for found in ends.values():
        long = found[0][1]
        for side in runs([place for place, _ in found], size.width_mm + gap + 0.5):
            wide = side[-1] - side[0] + size.width_mm
            plates += 2 * size.tie_mm * wide * size.length_mm
            force = size.pressure_kpa * 1e-3 * len(side) * size.width_mm * size.length_mm
            bands += max(math.ceil(force / 3000.0 - 1e-9), 2) * 2 * (long + 2 * size.tie_mm + wide)
    return plates, bands
