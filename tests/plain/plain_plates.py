"""Plates of one compartment, piece by piece: from optimizer.fit.chain.adjacency, pack.plate_geometry, plate_factors.

Every plate is a network of strips; it is solved by elimination for the current of one ampere, shared evenly by
the cells, at one ohm per millimetre of one layer.
"""

import math
from dataclasses import dataclass

REACH = 1.40


@dataclass
class Plates:
    """What the plates of the first g groups come to; see PlateFactors."""

    length_mm: float = 0.0
    welds: float = 0.0
    segment: float = 0.0
    spread_mm: float = 0.0
    strip_series_mm: float = 0.0
    strip_across_mm: float = 0.0
    pieces_series: int = 0
    pieces_across: int = 0


@dataclass
class Piece:
    a: int
    b: int
    mm: float


def lateral(layout):
    return [k for k in range(3) if k != layout.axis]


def pieces_of(layout, chain, gap_mm):
    """Pieces inside groups and across boundaries: two dictionaries, by group and by earlier group."""
    inside, across = {}, {}
    for i in range(layout.cells):
        for j in range(i + 1, layout.cells):
            gi, gj = int(chain.group[i]), int(chain.group[j])
            if min(gi, gj) < 0 or abs(gi - gj) > 1 or layout.module[i] != layout.module[j]:
                continue
            a, b = (i, j) if gi <= gj else (j, i)
            mm = _strip(layout, chain, a, b, gap_mm, same=gi == gj)
            if mm is not None:
                (inside if gi == gj else across).setdefault(min(gi, gj), []).append(Piece(a, b, round(mm, 6)))
    return inside, across


def _strip(layout, chain, a, b, gap_mm, same):
    """Length of the piece between two cells, None where they are no neighbours."""
    one, two = layout.centres_mm[a], layout.centres_mm[b]
    size, other = layout.extents_mm[a], layout.extents_mm[b]
    axis, (u, v) = layout.axis, lateral(layout)
    along = abs(two[axis] - one[axis])
    length = 0.5 * (size[axis] + other[axis])
    du, dv = abs(two[u] - one[u]), abs(two[v] - one[v])
    mean, least = [0.5 * (size[k] + other[k]) for k in (u, v)], [min(size[k], other[k]) for k in (u, v)]
    if along < 0.5 * length:
        if layout.size.shape == "cylinder":
            near = math.hypot(du, dv) <= REACH * (mean[0] + gap_mm)
        else:
            near = _face(du - mean[0], dv - mean[1], least, gap_mm)
        return math.dist(one, two) if near else None
    if same or along >= 1.5 * length:
        return None
    if layout.size.shape == "cylinder":
        stacked = math.hypot(du, dv) <= 0.5 * least[0] + 1e-9
    else:
        stacked = du <= 0.5 * least[0] + 1e-9 and dv <= 0.5 * least[1] + 1e-9
    if not stacked:
        return None
    # Out to the rim, over the gap and back; a cell length more where the ends do not face each other.
    way = 1 if two[axis] > one[axis] else -1
    facing = chain.polarity[a] == way and chain.polarity[b] == way
    return min(size[u], size[v]) + max(along - size[axis], 0.0) + (0.0 if facing else size[axis])


def _face(gap_u, gap_v, least, gap_mm):
    """Blocks: faces overlap by half and stand at most gap + 0.40 (smaller side + gap) apart."""
    most = gap_mm + (REACH - 1.0) * (min(least) + gap_mm)
    beside_u = gap_u <= most and -gap_v >= 0.5 * least[1] - 1e-9
    beside_v = gap_v <= most and -gap_u >= 0.5 * least[0] - 1e-9
    return beside_u or beside_v


def eliminated(matrix, right):
    """Solution of a linear system by elimination with pivots."""
    n = len(right)
    rows = [[*row, value] for row, value in zip(matrix, right, strict=True)]
    for k in range(n):
        best = max(range(k, n), key=lambda i: abs(rows[i][k]))
        rows[k], rows[best] = rows[best], rows[k]
        for i in range(k + 1, n):
            if rows[i][k]:
                part = rows[i][k] / rows[k][k]
                for j in range(k, n + 1):
                    rows[i][j] -= part * rows[k][j]
    out = [0.0] * n
    for k in reversed(range(n)):
        out[k] = (rows[k][n] - sum(rows[k][j] * out[j] for j in range(k + 1, n))) / rows[k][k]
    return out


def plates_of(layout, chain, gap_mm, layers):
    """Plates of the first 1 … G groups, strip in so many layers from group to group: a list."""
    inside, across = pieces_of(layout, chain, gap_mm)
    members = [[i for i in range(layout.cells) if chain.group[i] == g] for g in range(chain.groups)]
    size, links = chain.parallel, {int(k) for k in chain.links}
    plates = [
        None if k in links else _series(members[k] + members[k + 1], across.get(k, []),
                                        inside.get(k, []) + inside.get(k + 1, []), layers, size)
        for k in range(chain.groups - 1)
    ]  # fmt: skip
    runs = {k: runs_of(layout, inside.get(k, [])) for k in range(chain.groups)}
    return [_sums(g, plates, inside, across, members, layers, size, runs) for g in range(1, chain.groups + 1)]


def runs_of(layout, pieces):
    """Pieces to cut inside a group: those that meet at a cell within 10 degrees of a straight line are one."""
    run = list(range(len(pieces)))
    for i, one in enumerate(pieces):
        for j in range(i):
            shared = {one.a, one.b} & {pieces[j].a, pieces[j].b}
            if len(shared) == 1 and _straight(layout, shared.pop(), one, pieces[j]):
                run = [run[j] if r == run[i] else r for r in run]
    return len(set(run))


def _straight(layout, cell, one, two):
    ways = []
    for piece in (one, two):
        far = piece.b if piece.a == cell else piece.a
        way = [layout.centres_mm[far][k] - layout.centres_mm[cell][k] for k in range(3)]
        ways.append([value / math.hypot(*way) for value in way])
    return sum(a * b for a, b in zip(*ways, strict=True)) < -math.cos(math.radians(10.0))


def _series(nodes, joining, own, layers, size):
    """Potential of each cell's terminal over the mean, and the current in one layer of the hottest piece."""
    place = {cell: k for k, cell in enumerate(nodes)}
    n = len(nodes)
    # Only differences of potential count: 1/P on every entry holds their mean at 0.
    matrix = [[1.0 / size] * n for _ in range(n)]
    for pieces, count in ((joining, layers), (own, 1)):
        for piece in pieces:
            a, b, g = place[piece.a], place[piece.b], count / piece.mm
            matrix[a][a] += g
            matrix[b][b] += g
            matrix[a][b] -= g
            matrix[b][a] -= g
    volts = eliminated(matrix, [1.0 / size] * size + [-1.0 / size] * size)
    hottest = max(abs(volts[place[p.a]] - volts[place[p.b]]) / p.mm for p in joining + own)
    return {cell: volts[place[cell]] for cell in nodes}, hottest


def _sums(g, plates, inside, across, members, layers, size, runs):
    out = Plates(welds=2.0 * g / size)
    # At both ends, and at both sides of a link, the lead lies along the group and is joined to every cell:
    # no current flows along those strips.
    for k in range(g - 1):
        if plates[k] is None:
            continue
        volts, hottest = plates[k]
        out.length_mm += sum(volts[i] for i in members[k]) / size - sum(volts[i] for i in members[k + 1]) / size
        out.segment = max(out.segment, hottest)
    for k in range(g):
        drop = dict.fromkeys(members[k], 0.0)
        if k > 0 and plates[k - 1] is not None:
            drop = {i: drop[i] - plates[k - 1][0][i] for i in members[k]}
        if k < g - 1 and plates[k] is not None:
            drop = {i: drop[i] + plates[k][0][i] for i in members[k]}
        mean = sum(drop.values()) / size
        out.spread_mm = max(out.spread_mm, size * max(mean - value for value in drop.values()))
        # Pieces inside a group lie in the plate before it and in the plate after it.
        own = sum(p.mm for p in inside.get(k, []))
        for other in (k - 1, k):
            if 0 <= other < g - 1 and plates[other] is not None:
                out.strip_across_mm += own
                out.pieces_across += runs[k]
            else:
                out.strip_series_mm += own
                out.pieces_series += runs[k]
    for k in range(g - 1):
        out.strip_series_mm += sum(p.mm for p in across.get(k, []))
        out.pieces_series += len(across.get(k, []))
    return out
