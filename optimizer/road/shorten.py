"""A long ride made short: pieces of it that have, together, its distribution of power and its longest climb."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from optimizer.base.arrays import Floats
from optimizer.ride.load.roadload import Vehicle, ride_steps
from optimizer.ride.load.trace import Trace
from optimizer.road.joining import Path, joined
from optimizer.road.motion import runs_of
from optimizer.road.ride import Ride

# Classes of power, each with an equal share of the time.
CLASSES = 40
# A climb goes on over dips of this height, or of this share of what was climbed [m], [-].
DIP_M, DIP_SHARE = 4.0, 0.1
# Pieces are no longer than this share of what is wanted.
PIECE_SHARE = 1 / 25
# Orders of the pieces that are tried where slopes that meet make a longer climb.
ORDERS = 100
# A sound choice of pieces cannot take in more of the ride than this share of what is wanted for the climb alone.
CLIMB_SHARE = 0.6


@dataclass(frozen=True, eq=False)
class Shortened:
    """A short ride and how well it stands for the long one.

    Parameters
    ----------
    power_error : float
        Mean distance between the two distributions of power (Wasserstein), over the mean of |power| [-].
    consumption_error : float
        Of Wh/km [-].
    climb_m, climb_before_m : float
        Longest climb of both [m].
    """

    path: Path
    power_error: float
    consumption_error: float
    climb_m: float
    climb_before_m: float


def power_w(path: Path, *, vehicle: Vehicle, mass_kg: float) -> Floats:
    """Battery power second by second, shape (n − 1,) [W]."""
    trace = Trace(np.arange(len(path.speed_m_s), dtype=float), path.speed_m_s, path.grade)
    return ride_steps(trace, vehicle=vehicle).battery_power_w(mass_kg)


def longest_climb(path: Path) -> tuple[float, int, int]:
    """The climb that rises most: its rise, its first and last row.

    Returns
    -------
    (float, int, int)
        [m], [-], [-]
    """
    way = 0.5 * (path.speed_m_s[1:] + path.speed_m_s[:-1])
    rise = way * np.sin(np.arctan(0.5 * (path.grade[1:] + path.grade[:-1])))
    height = np.concatenate([[0.0], np.cumsum(rise)])
    best, foot, top = (0.0, 0, 0), 0, 0
    for k in range(1, len(height)):
        if height[k] > height[top]:
            top = k
        climbed = height[top] - height[foot]
        if climbed > best[0]:
            best = (float(climbed), foot, top)
        if height[k] < height[foot] or height[top] - height[k] > max(DIP_M, DIP_SHARE * climbed):
            foot = top = k
    return best


def shorten(rides: Sequence[Ride], *, distance_km: float, vehicle: Vehicle, mass_kg: float) -> Shortened:
    """A representative ride of about a wanted length.

    Pieces between stops (long ones cut where the speed is the usual one) are chosen so that the time in each class
    of power, the energy and the net rise come as near as can be to those of the whole in proportion: from none on,
    one piece at a time, then by exchanges until none helps. The longest climb is always one of them.

    Parameters
    ----------
    rides : sequence of Ride
        Weighted as they say.
    distance_km : float
        Wanted [km].
    mass_kg : float
        In all [kg].

    Returns
    -------
    Shortened
        Of the rides as they are when they are no longer than wanted.
    """
    paths = [Path(ride.speed_m_s, ride.grade) for ride in rides]
    weights = [ride.weight for ride in rides]
    powers = [power_w(path, vehicle=vehicle, mass_kg=mass_kg) for path in paths]
    ways = [0.5 * (path.speed_m_s[1:] + path.speed_m_s[:-1]) for path in paths]
    total_km = sum(float(way.sum()) * w for way, w in zip(ways, weights, strict=True)) / 1000.0
    climbs = [longest_climb(path) for path in paths]
    highest = max(range(len(climbs)), key=lambda k: climbs[k][0])
    every = np.concatenate(powers)
    share = np.concatenate([np.full(len(p), float(w)) for p, w in zip(powers, weights, strict=True)])
    if total_km <= distance_km:
        whole = joined([path for path, w in zip(paths, weights, strict=True) for _ in range(w)])
        return _judged(whole, every, share, climbs[highest][0], total_km, vehicle, mass_kg)
    pieces: list[tuple[int, int, int]] = []
    must: list[int] = []
    for k, path in enumerate(paths):
        _, foot, top = climbs[k]
        inside = (foot, top) if k == highest else None
        if inside and float(ways[k][foot:top].sum()) / 1000.0 > CLIMB_SHARE * distance_km:
            inside = None
        cuts = _cuts(path, most_m=1000.0 * distance_km * PIECE_SHARE, keep=inside)
        must += [len(pieces) + n for n, (a, b) in enumerate(cuts) if inside and a <= foot and b >= top]
        pieces += [(k, a, b) for a, b in cuts]
    features, goal = _features(pieces, powers, paths, ways, weights, distance_km / total_km)
    chosen = _chosen(features, goal, must)
    taken = [
        Path(paths[k].speed_m_s[a : b + 1], paths[k].grade[a : b + 1])
        for k, a, b in (pieces[n] for n in sorted(chosen))
    ]
    way = _in_order(taken, climbs[highest][0])
    return _judged(way, every, share, climbs[highest][0], total_km, vehicle, mass_kg)


def _in_order(pieces: Sequence[Path], climb_m: float) -> Path:
    """Pieces joined so that no two slopes add up to a longer climb than there was: as ridden, or else shuffled."""
    rng = np.random.default_rng(0)
    best = joined(pieces)
    for _ in range(ORDERS):
        if longest_climb(best)[0] <= climb_m * 1.02 + 0.5:
            break
        other = joined([pieces[k] for k in rng.permutation(len(pieces))])
        best = min(best, other, key=lambda path: abs(longest_climb(path)[0] - climb_m))
    return best


def _cuts(path: Path, *, most_m: float, keep: tuple[int, int] | None) -> list[tuple[int, int]]:
    """A ride as pieces: first and last row of each, sharing their ends."""
    speed = path.speed_m_s
    marks = {0, len(speed) - 1}
    marks |= {(a + b - 1) // 2 for a, b in runs_of(speed <= 0.0)}
    usual = float(np.median(speed[speed > 0]))
    way = np.concatenate([[0.0], np.cumsum(0.5 * (speed[1:] + speed[:-1]))])
    level = np.flatnonzero(np.diff(np.sign(speed - usual)) != 0)
    ends = sorted(marks)
    for a, b in pairwise(ends):
        start = a
        for at in level[(level > a) & (level < b)]:
            if way[at] - way[start] >= most_m and way[b] - way[at] >= 0.3 * most_m:
                marks.add(int(at))
                start = int(at)
    if keep:
        marks = {m for m in marks if m <= keep[0] or m >= keep[1]}
    ends = sorted(marks)
    return [(a, b) for a, b in pairwise(ends) if b > a]


def _features(
    pieces: Sequence[tuple[int, int, int]], powers: Sequence[Floats], paths: Sequence[Path], ways: Sequence[Floats],
    weights: Sequence[int], part: float,
) -> tuple[Floats, Floats]:  # fmt: skip
    """What each piece brings (pieces, features), and what is wanted of all together."""
    every = np.concatenate(powers)
    edges = np.unique(np.quantile(every, np.linspace(0.0, 1.0, CLASSES + 1))[1:-1])
    rows = []
    for k, a, b in pieces:
        counts = np.bincount(np.searchsorted(edges, powers[k][a:b]), minlength=len(edges) + 1)
        grade = 0.5 * (paths[k].grade[a + 1 : b + 1] + paths[k].grade[a:b])
        rise = float((ways[k][a:b] * grade).sum())
        rows.append([*counts, float(powers[k][a:b].sum()), float(ways[k][a:b].sum()), rise])
    table = np.array(rows, dtype=float)
    weight = np.array([weights[k] for k, _, _ in pieces], dtype=float)
    goal = part * (weight @ table)
    # Energy, distance and rise weigh as much as all classes of power together.
    table[:, -3:] *= goal[:-3].sum() / np.array([max(goal[-3], 1.0), max(goal[-2], 1.0), 0.02 * max(goal[-2], 1.0)])
    return table, part * (weight @ table)


def _chosen(table: Floats, goal: Floats, must: Sequence[int]) -> list[int]:
    """Pieces whose sum is near the goal."""
    chosen = list(must)
    have = table[chosen].sum(axis=0) if chosen else np.zeros(len(goal))

    def cost(total: Floats) -> Floats:
        return np.asarray(((total - goal) ** 2).sum(axis=-1))

    while len(chosen) < len(table):
        free = np.setdiff1d(np.arange(len(table)), chosen)
        trial = cost(have + table[free])
        best = int(np.argmin(trial))
        if trial[best] >= cost(have):
            break
        chosen.append(int(free[best]))
        have = have + table[free[best]]
    for _ in range(200):
        free = np.setdiff1d(np.arange(len(table)), chosen)
        swaps = [n for n in chosen if n not in must]
        if not len(free) or not swaps:
            break
        trials = np.array([cost(have - table[n] + table[free]) for n in swaps])
        at, to = np.unravel_index(int(np.argmin(trials)), trials.shape)
        if trials[at, to] >= cost(have) * (1.0 - 1e-9):
            break
        have = have - table[swaps[at]] + table[free[to]]
        chosen[chosen.index(swaps[at])] = int(free[to])
    return chosen or [int(np.argmax(table.sum(axis=1)))]


def _judged(
    path: Path, every: Floats, share: Floats, climb_m: float, total_km: float, vehicle: Vehicle, mass_kg: float
) -> Shortened:
    """How well a short ride stands for the long one."""
    from scipy.stats import wasserstein_distance

    power = power_w(path, vehicle=vehicle, mass_kg=mass_kg)
    away = float(wasserstein_distance(power, every, None, share))
    mean = float(np.average(np.abs(every), weights=share))
    way_km = float((0.5 * (path.speed_m_s[1:] + path.speed_m_s[:-1])).sum()) / 1000.0
    long_use = float((every * share).sum()) / total_km
    use = float(power.sum()) / max(way_km, 1e-9)
    off = use / long_use - 1.0 if long_use else 0.0
    return Shortened(path, away / max(mean, 1e-9), off, longest_climb(path)[0], climb_m)
