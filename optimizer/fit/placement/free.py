"""Free placement: as many circles as a region holds, found by continuous optimisation.

The overlap energy of N circles (squared overlaps with each other and with the walls) is zero exactly when
all N fit. Its minima are searched by hops: a strained circle goes to a vacancy, a neighbourhood is shaken,
a band slides; what lowers the energy is kept. Starts are the best regular placements with one circle more,
hexagonal patterns at any angle, and random points. When N fit, N + 1 is tried.

Method: monotonic basin hopping as in Grosso, Jamali, Locatelli, Schoen, J. Global Optimization 47 (2010) 63,
on the energy of Huang and Ye, Computers & Operations Research 38 (2011) 474 (both from memory).

Effort is counted in energy terms and not by a clock, so the same seed gives the same layout on every run, on a
busy machine too: there it takes longer.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import shapely
from numpy.typing import NDArray
from scipy.spatial import KDTree
from shapely.geometry import MultiPolygon

from optimizer.fit.placement import hops, kernels

Array = NDArray[Any]
TERMS_PER_SECOND = 40e6  # effort that stands for one second of budget; a free core manages more
STILL = 2.0  # hops without gain, per circle, after which a start is given up
SHARES = (3.0, 4.0, 1.5, 1.5, 0.7, 1.0)  # how often each of hops.MOVES is made
POOL = 8  # good minima that are kept to be combined
LIMIT = 600  # steps of a minimisation
ENOUGH_TERMS = 4e5  # per square of the number of circles: a few circles are soon tried out
HOP_TERMS, VACANCY_TERMS = 3000, 60  # what a hop costs besides, in terms
OVERLAP = 2e-9  # relative to the pitch: overlaps up to this are contacts


@dataclass(frozen=True, eq=False)
class Walls:
    """A region in units of the pitch, as the kernels read it."""

    planes: Array
    segments: Array
    mask: Array
    box: Array
    region: MultiPolygon

    @property
    def arrays(self) -> tuple[Array, Array, Array, Array]:
        """In the order in which kernels take them."""
        return self.planes, self.segments, self.mask, self.box


def oler_bound(region: MultiPolygon, pitch_mm: float) -> int:
    """Most points at mutual distance of a pitch or more in a region; exact bound for each convex part's hull.

    N ≤ (2/√3)·A/d² + P/(2d) + 1

    Parameters
    ----------
    region : MultiPolygon
        Where centres may lie [mm]; parts that are not convex are bounded by their convex hull.
    pitch_mm : float
        Least distance [mm].

    Returns
    -------
    int
        No placement holds more.

    Source
    ------
    Oler, Acta Mathematica 105 (1961) 19; Groemer, Mathematische Zeitschrift 73 (1960) 285 (from memory).
    """
    total = 0
    for part in region.geoms:
        hull = part.convex_hull
        value = hull.area / (np.sqrt(0.75) * pitch_mm**2) + hull.length / (2 * pitch_mm) + 1
        total += int(value + 1e-6)
    return total


def as_walls(region: MultiPolygon, pitch_mm: float) -> Walls:
    """Region in units of the pitch: half-planes when convex, otherwise segments and a mask of the inside."""
    scaled = shapely.affinity.scale(region, 1 / pitch_mm, 1 / pitch_mm, origin=(0, 0))
    box = np.array(scaled.bounds)
    rings = [ring for part in scaled.geoms for ring in (part.exterior, *part.interiors)]
    if len(rings) == 1 and region.convex_hull.area - region.area <= 1e-12 * region.area + 1e-12:
        points = np.asarray(shapely.geometry.polygon.orient(scaled.geoms[0], 1.0).exterior.coords)
        step = np.diff(points, axis=0)
        long = np.hypot(step[:, 0], step[:, 1])
        normal = np.column_stack((step[:, 1], -step[:, 0])) / long[:, None]
        planes = np.column_stack((normal, np.sum(normal * points[:-1], axis=1)))
        return Walls(planes, np.zeros((0, 4)), np.zeros((0, 0), dtype=np.bool_), box, scaled)
    outlines = [np.asarray(ring.coords) for ring in rings]
    segments = np.vstack([np.hstack((p[:-1], p[1:])) for p in outlines])
    side = kernels.MASK
    x = np.arange(box[0], box[2], side)
    y = np.arange(box[1], box[3], side)
    squares = shapely.box(x[:, None], y[None, :], x[:, None] + side, y[None, :] + side)
    shapely.prepare(scaled)
    return Walls(np.zeros((0, 3)), segments, shapely.contains(scaled, squares), box, scaled)


def free_points(
    region: MultiPolygon,
    pitch_mm: float,
    *,
    warm: Sequence[Array] = (),
    seconds: float = 5.0,
    seed: int = 0,
    bound: int | None = None,
) -> Array:
    """Most points of a region at mutual distance of a pitch or more that the search finds.

    Parameters
    ----------
    region : MultiPolygon
        Where centres may lie [mm].
    pitch_mm : float
        Least distance of two centres [mm].
    warm : sequence of ndarray, shape (n, 2)
        Placements that hold, such as the regular ones [mm]. The result never has fewer points than the best.
    seconds : float
        Effort, as TERMS_PER_SECOND energy terms for each second; no clock ends it, so that a busy machine finds the
        same [s].
    seed : int
        Same seed, same result.
    bound : int, optional
        Stop once this many are placed; the Oler bound when left out.

    Returns
    -------
    ndarray, shape (n, 2)
        [mm]
    """
    best = max(warm, key=len, default=np.zeros((0, 2)))
    if region.is_empty:
        return best
    walls = as_walls(region, pitch_mm)
    limit = oler_bound(region, pitch_mm) if bound is None else bound
    if len(best) >= limit:
        return best
    search = _Search(walls, seed=seed, effort=seconds * TERMS_PER_SECOND)
    starts = [np.array(points, dtype=float) / pitch_mm for points in warm]
    placed = np.array(best, dtype=float) / pitch_mm
    while len(placed) < limit:
        found = search.place(len(placed) + 1, placed, starts)
        if found is None:
            break
        placed = found
    return placed * pitch_mm if len(placed) > len(best) else best


class _Search:
    """Effort spent, random state and walls of one free placement."""

    def __init__(self, walls: Walls, *, seed: int, effort: float) -> None:
        self.walls = walls
        self.effort = effort
        self.work = 0
        self.pool: list[tuple[float, Array]] = []
        self.rng = np.random.default_rng(seed)
        self.odds = np.cumsum(SHARES) / np.sum(SHARES)

    def spent(self) -> bool:
        """Whether the effort is used up."""
        return self.work >= self.effort

    def place(self, count: int, placed: Array, warm: list[Array]) -> Array | None:
        """`count` points that hold, or None when the effort is used up first."""
        turn = 0
        self.pool = []
        enough = self.work + ENOUGH_TERMS * count**2
        while not self.spent() and self.work < enough:
            found = self.climb(self.start(count, placed, warm, turn))
            if found is not None:
                return found
            turn += 1
        return None

    def settle(self, x: Array, goal: float = np.inf) -> tuple[float, Array]:
        """Energy of the nearest minimum, which replaces x, and the share of each circle in it."""
        load = np.empty(len(x))
        value, terms = kernels.settle(x.reshape(-1), *self.walls.arrays, LIMIT, goal, load)
        self.work += terms + HOP_TERMS + VACANCY_TERMS * len(x)
        return value, load

    def climb(self, x: Array) -> Array | None:
        """Hop from a start until everything fits or nothing has improved for a while."""
        value, load = self.settle(x)
        idle = 0
        while value >= kernels.FEASIBLE or not self.holds(x):
            if idle > STILL * len(x) + 40 or self.spent():
                self.pool = sorted([*self.pool, (value, x)], key=lambda item: item[0])[:POOL]
                return None
            move = hops.MOVES[int(np.searchsorted(self.odds, self.rng.random()))]
            trial = move(x, load, self.rng, self.scatter)
            new, share = self.settle(trial, value)
            idle += 1
            if new < value:
                idle = 0 if new < value * (1 - 1e-3) else idle
                x, value, load = trial, new, share
        return x

    def holds(self, x: Array) -> bool:
        """Whether points keep their distance and lie inside, to OVERLAP."""
        if len(x) > 1 and KDTree(x).query(x, k=2)[0][:, 1].min() < 1 - OVERLAP:
            return False
        return bool(shapely.distance(self.walls.region, shapely.points(x)).max() <= OVERLAP)

    def start(self, count: int, placed: Array, warm: list[Array], turn: int) -> Array:
        """Start number `turn`: what holds now with one more, then regular, hexagonal and random patterns."""
        if turn == 0 and len(placed):
            return self.resize(placed, count)
        if 0 < turn <= len(warm) and len(warm[turn - 1]):
            return self.resize(warm[turn - 1], count)
        if turn % 2 == 0 and len(self.pool) >= 3:
            return self.resize(self.splice() if self.rng.random() < 0.6 else self.tile(), count)
        if turn % 5 == 0:
            return self.scatter(count)
        return self.resize(self.hexagonal(count), count)

    def resize(self, points: Array, count: int) -> Array:
        """Points with random ones left out, or with points added in the emptiest places."""
        x = points[self.rng.permutation(len(points))[:count]]
        while len(x) < count:
            trial = self.scatter(60 * count)
            gap = KDTree(x).query(trial)[0] if len(x) else self.rng.random(len(trial))
            x = np.vstack((x, trial[int(np.argmax(gap))]))
        return np.ascontiguousarray(x)

    def splice(self) -> Array:
        """One part of a good minimum and the rest of another, each perhaps mirrored, cut along a line."""
        low, high = self.walls.box[:2], self.walls.box[2:]
        one, two = (self.mirrored(self.pool[k][1]) for k in self.rng.integers(len(self.pool), size=2))
        side = int(self.rng.random() < (high - low)[1] / (high - low).sum())
        cut = self.rng.uniform(low[side], high[side])
        return np.vstack((one[one[:, side] < cut], two[two[:, side] >= cut]))

    def tile(self) -> Array:
        """A window of a good minimum, repeated along the longer side as it is or mirrored in turn."""
        low, high = self.walls.box[:2], self.walls.box[2:]
        side = int((high - low)[1] > (high - low)[0])
        x = self.mirrored(self.pool[int(self.rng.integers(len(self.pool)))][1])
        wide = self.rng.uniform(1.5, max(3.0, 0.5 * (high - low)[side]))
        start = self.rng.uniform(low[side], max(low[side], high[side] - wide))
        window = x[(x[:, side] >= start) & (x[:, side] < start + wide)]
        mirror = self.rng.random() < 0.5
        copies = []
        for k in range(-int((start - low[side]) / wide) - 1, int((high[side] - start) / wide) + 1):
            copy = window.copy()
            if mirror and k % 2:
                copy[:, side] = 2 * start + wide - copy[:, side]
            copy[:, side] += k * wide
            copies.append(copy)
        every = np.vstack(copies)
        inside = (every[:, side] >= low[side]) & (every[:, side] <= high[side])
        return np.asarray(every[inside])

    def mirrored(self, x: Array) -> Array:
        """Points mirrored in the middle of the box along neither, either or both sides, at random."""
        turn = self.rng.random(2) < 0.5
        return np.where(turn, self.walls.box[:2] + self.walls.box[2:] - x, x)

    def scatter(self, count: int) -> Array:
        """Random points of the region."""
        low, high = self.walls.box[:2], self.walls.box[2:]
        x = low + (high - low) * self.rng.random((count, 2))
        if len(self.walls.segments):
            inside = shapely.contains_xy(self.walls.region, x)
            pool = x[inside]
            if len(pool):
                x = np.vstack((pool, pool[self.rng.integers(len(pool), size=count - len(pool))]))
        return x

    def hexagonal(self, count: int) -> Array:
        """Hexagonal pattern of about `count` points at a random angle and shift, slightly stretched."""
        low, high = self.walls.box[:2], self.walls.box[2:]
        outer = self.walls.region.buffer(0.3)
        density = count / outer.area
        step = np.sqrt(1 / (density * np.sqrt(0.75))) * (0.97 + 0.06 * self.rng.random())
        angle = np.pi / 3 * self.rng.random() if self.rng.random() < 0.5 else np.pi / 6 * self.rng.integers(2)
        span = int(np.hypot(*(high - low)) / step) + 4
        i, j = np.meshgrid(np.arange(-span, span + 1), np.arange(-span, span + 1))
        stretch = 1 + 0.08 * (self.rng.random() - 0.5)
        across, up = (i + j / 2).ravel() * step * stretch, (j * np.sqrt(0.75)).ravel() * step / stretch
        x = np.column_stack((across, up))
        cos, sin = np.cos(angle), np.sin(angle)
        x = x @ np.array([[cos, sin], [-sin, cos]]) + (low + high) / 2 + step * self.rng.random(2)
        return np.asarray(x[shapely.contains_xy(outer, x)])
