"""First guesses for a chain of groups: sweeps and snakes through the cells, cut into groups of P."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import product

import numpy as np
from scipy.sparse import coo_array
from scipy.sparse.csgraph import dijkstra

from optimizer.base.arrays import Floats, Ints

REGULAR_ANGLES = (0.0, 90.0)
CORNERS = ((1, 1), (-1, -1), (1, -1), (-1, 1))
IRREGULAR_ANGLES = (0.0, 90.0, 30.0, 60.0, 120.0, 150.0)

BATCH = 200_000  # cells in all orders that are made at once: bounds the memory


@dataclass(frozen=True, eq=False)
class ChainRegion:
    """Cells among which one chain runs: a tray, or one module.

    Parameters
    ----------
    across_mm : ndarray, shape (n, 2)
        Centres in the plane across the cell axis [mm].
    level : ndarray of int, shape (n,)
        Rank of the layer along the cell axis, from 0.
    lateral, axial : ndarray of int, shape (m, 2), (k, 2)
        Neighbours side by side and end to end.
    pitch_mm : float
        Least centre distance of neighbours [mm].
    """

    across_mm: Floats
    level: Ints
    lateral: Ints
    axial: Ints
    pitch_mm: float

    @property
    def cells(self) -> int:
        """Number of cells."""
        return len(self.level)


def most_groups(level: Ints, *, parallel: int) -> int:
    """Upper bound on the number of groups when no group spans two layers: sum of floor(n_layer / P).

    Parameters
    ----------
    level : ndarray of int, shape (n,)
        Layer of each cell.
    parallel : int
        Cells per group.

    Examples
    --------
    >>> most_groups(np.array([0, 0, 0, 1, 1, 1]), parallel=2)
    2
    """
    return int(np.sum(np.bincount(level) // parallel)) if len(level) else 0


def cut(order: Ints, level: Ints, *, parallel: int, groups: int, tail: bool) -> Ints | None:
    """Cut an order of cells into groups of P, shape (groups, parallel); no group spans two layers.

    `level` is the layer of each cell; cells that fill no group are left at the end of a layer's run (tail) or at its
    start. None when the order yields fewer groups.
    """
    breaks = np.flatnonzero(np.diff(level[order])) + 1
    parts = []
    for run in np.split(order, breaks):
        held = len(run) // parallel * parallel
        parts.append(run[:held] if tail else run[len(run) - held :])
    members = np.concatenate(parts).reshape(-1, parallel)
    return np.ascontiguousarray(members[:groups]) if len(members) >= groups else None


def clusters(values: Floats, *, gap: float) -> Ints:
    """Rank of the cluster of each value; clusters are parted by more than `gap`.

    Parameters
    ----------
    values : ndarray, shape (n,)

    Returns
    -------
    ndarray of int, shape (n,)

    Examples
    --------
    >>> clusters(np.array([0.0, 5.0, 0.1]), gap=1.0).tolist()
    [0, 1, 0]
    """
    by_value = np.argsort(values, kind="stable")
    rank = np.zeros(len(values), dtype=np.int64)
    rank[by_value[1:]] = np.cumsum(np.diff(values[by_value]) > gap)
    return rank


def _bandings(values: Floats, *, pitch_mm: float, parallel: int) -> list[Ints]:
    """Ways to cut the width of a region into bands: by rows where there are rows, else by width and by count.

    values: coordinate across the bands [mm]. Returns list of ndarray of int, shape (n,): band of each cell, from 0.
    """
    row = clusters(values, gap=0.25 * pitch_mm)
    rows = int(row.max()) + 1
    span = float(np.ptp(values))
    found: dict[bytes, Ints] = {}
    if rows >= 0.6 * (span / pitch_mm + 1):
        for width in range(1, rows + 1):
            for band in (row // width, np.minimum(row // width, rows // width - 1), row * width // rows):
                found.setdefault(band.tobytes(), band)
        return list(found.values())
    rank = np.argsort(np.argsort(values, kind="stable"), kind="stable")
    for bands in range(1, min(int(span / pitch_mm) + 1, 2 * len(values) // parallel) + 1):
        by_width = np.minimum((values - values.min()) * bands / (span + 1e-9), bands - 1).astype(np.int64)
        share = max(round(len(values) / bands / parallel), 1) * parallel
        for band in (by_width, np.minimum(rank // share, max(len(values) // share - 1, 0))):
            found.setdefault(band.tobytes(), band)
    return list(found.values())


def sweep_orders(region: ChainRegion, *, parallel: int, regular: bool) -> Iterator[tuple[list[str], Ints]]:
    """Orders in which a chain may run through a region, many at once, with the name of each pattern.

    Snakes through bands in several directions and band widths, columns in a band swept alike or to and fro;
    layers one after another or band by band. Irregular regions also get sweeps by distance along the
    neighbour graph from outlying cells, which follow bends.

    Parameters
    ----------
    regular : bool
        Whether cells stand in rows.

    Yields
    ------
    names : list of str
    orders : ndarray of int, shape (len(names), n)
    """
    corners = CORNERS if regular else CORNERS[:2]
    for angle in REGULAR_ANGLES if regular else IRREGULAR_ANGLES:
        turn = np.deg2rad(angle)
        along = region.across_mm @ np.array([np.cos(turn), np.sin(turn)])
        across = region.across_mm @ np.array([-np.sin(turn), np.cos(turn)])
        bands = _bandings(across, pitch_mm=region.pitch_mm, parallel=parallel)
        stack = max(BATCH // (16 * region.cells), 1)
        for start in range(0, len(bands), stack):
            some = np.array(bands[start : start + stack])
            orders = _snakes(along, across, some, region, corners)
            names = [f"snake of {count} bands at {angle:g} degrees" for count in some.max(axis=1) + 1]
            yield [name for name in names for _ in range(len(orders) // len(names))], orders
    if not regular:
        orders = np.array(list(_graph_sweeps(region)))
        yield ["sweep along the neighbour graph"] * len(orders), orders


def _snakes(
    along: Floats, across: Floats, bands: Ints, region: ChainRegion, corners: Sequence[tuple[int, int]]
) -> Ints:
    """Snakes through each row of bands: column sweeps, starting corners and layer orders varied."""
    column = clusters(along, gap=0.25 * region.pitch_mm)
    if column.max() + 1 < 0.6 * (np.ptp(along) / region.pitch_mm + 1):
        column = np.floor((along - along.min()) / region.pitch_mm).astype(np.int64)
    side = np.unique(np.round(across, 3), return_inverse=True)[1]
    level, layers = region.level, int(region.level.max()) + 1
    ways = list(product((False, True), corners, (True, False)[: 1 + (layers > 1)]))
    fro, up, right, layered = (
        np.array(column)[:, None]
        for column in zip(*((fro, *corner, layered) for fro, corner, layered in ways), strict=True)
    )
    bands = bands[:, None, :]
    bands = np.where(up > 0, bands, bands.max(axis=2, keepdims=True) - bands)
    climb = bands * layers + np.where(bands % 2, layers - 1 - level, level)
    turns = np.where(layered, bands, climb)
    forward = np.where(turns % 2, -right, right)
    sweep = np.where(fro, np.where(column % 2, -1, 1), np.where(turns % 2, -1, 1))
    # One number that sorts by turn, then column, then side.
    columns, sides = 2 * int(column.max()) + 1, 2 * int(side.max()) + 1
    place = (turns * columns + column * forward) * sides + side * sweep * up
    orders = np.argsort(place, axis=2, kind="stable")
    if layers > 1:
        orders = np.where(layered, _by_layers(orders, level), orders)
    return orders.reshape(-1, region.cells)


def _by_layers(orders: Ints, level: Ints) -> Ints:
    """Orders (..., n) taken layer by layer, every other layer backwards."""
    by_level = np.take_along_axis(orders, np.argsort(level[orders], axis=-1, kind="stable"), axis=-1)
    places = np.split(np.arange(len(level)), np.cumsum(np.bincount(level))[:-1])
    return by_level[..., np.concatenate([part[::-1] if k % 2 else part for k, part in enumerate(places)])]


def _graph_sweeps(region: ChainRegion) -> Iterator[Ints]:
    """Layer by layer, cells by walking distance from the outermost cell in each of six directions."""
    start, end = region.lateral.T
    length = np.linalg.norm(region.across_mm[start] - region.across_mm[end], axis=1)
    # SciPy before 1.15 walks no graph with indices of 64 bits.
    at = start.astype(np.int32), end.astype(np.int32)
    graph = coo_array((length, at), shape=(region.cells, region.cells)).tocsr()
    for angle in np.deg2rad(IRREGULAR_ANGLES):
        reach = region.across_mm @ np.array([np.cos(angle), np.sin(angle)])
        for sign in (1.0, -1.0):
            parts = []
            for rank in range(int(region.level.max()) + 1):
                here = np.flatnonzero(region.level == rank)
                far = here[np.argmax(sign * reach[here])]
                walk = dijkstra(graph, directed=False, indices=far)[here]
                part = here[np.lexsort((reach[here], np.nan_to_num(walk, posinf=1e9)))]
                parts.append(part[::-1] if rank % 2 else part)
            yield np.concatenate(parts)
