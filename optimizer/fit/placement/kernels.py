"""Compiled kernel of free placement: an overlap energy and its minimisation.

Lengths are in units of the pitch, so two centres must stand at least 1 apart. Centres are flat arrays x0, y0,
x1, y1, … A region is given as segments of its boundary and, when it is one convex polygon, as half-planes.
Plain comparisons and loops stand where NumPy calls would read better: they compile in a fraction of the time.
"""

from __future__ import annotations

from math import sqrt
from typing import Any

import numpy as np
from numba import njit
from numpy.typing import NDArray

Array = NDArray[Any]

MEMORY = 8  # pairs of steps that the quasi-Newton method remembers
MASK = 0.2  # side of the squares that are known to be inside the region
PATIENCE = 25.0  # looks at the energy, 12 steps apart, for which a descent may still come below its goal
SKIN = 0.3  # how far beyond contact the neighbour list looks
FEASIBLE = 1e-19  # overlaps of 3e-10 pitches count as contact


@njit(cache=True, error_model="numpy")
def wall(px: float, py: float, planes: Array, segments: Array, mask: Array, box: Array, out: Array) -> float:
    """Square of how far a point is outside the region; its gradient goes to out[0:2].

    `mask` marks squares of side MASK, counted from the lower corner of `box`, that are wholly inside.
    """
    gx = 0.0
    gy = 0.0
    best = 0.0
    if len(planes) > 0:
        for k in range(len(planes)):
            v = planes[k, 0] * px + planes[k, 1] * py - planes[k, 2]
            if v > 0.0:
                best += v * v
                gx += 2.0 * v * planes[k, 0]
                gy += 2.0 * v * planes[k, 1]
    else:
        a = int((px - box[0]) / MASK)
        b = int((py - box[1]) / MASK)
        inside = px > box[0] and py > box[1] and a < mask.shape[0] and b < mask.shape[1] and mask[a, b]
        if not inside:
            best = 1e300
            for k in range(len(segments)):
                ax, ay, by = segments[k, 0], segments[k, 1], segments[k, 3]
                ex, ey = segments[k, 2] - ax, by - ay
                if (ay > py) != (by > py) and px < ex * (py - ay) / ey + ax:
                    inside = not inside
                t = ((px - ax) * ex + (py - ay) * ey) / (ex * ex + ey * ey)
                if t < 0.0:
                    t = 0.0
                elif t > 1.0:
                    t = 1.0
                dx, dy = px - ax - t * ex, py - ay - t * ey
                r = dx * dx + dy * dy
                if r < best:
                    best = r
                    gx = 2.0 * dx
                    gy = 2.0 * dy
        if inside:
            best = 0.0
            gx = 0.0
            gy = 0.0
    out[0] = gx
    out[1] = gy
    return best


@njit(cache=True, error_model="numpy")
def neighbours(x: Array, reach: float, pairs: Array) -> int:
    """Fill `pairs` with all (i, j) closer than `reach`, found with a grid of buckets; returns how many."""
    n = len(x) // 2
    x0, y0, x1, y1 = x[0], x[1], x[0], x[1]
    for i in range(n):
        if x[2 * i] < x0:
            x0 = x[2 * i]
        if x[2 * i] > x1:
            x1 = x[2 * i]
        if x[2 * i + 1] < y0:
            y0 = x[2 * i + 1]
        if x[2 * i + 1] > y1:
            y1 = x[2 * i + 1]
    wide = reach
    while ((x1 - x0) / wide + 1) * ((y1 - y0) / wide + 1) > 64 * n + 64:
        wide *= 2.0  # a stray point must not blow the grid up
    nx = int((x1 - x0) / wide) + 1
    ny = int((y1 - y0) / wide) + 1
    head = np.full((nx + 2) * (ny + 2), -1, np.int64)  # a rim of empty buckets spares checks at the edge
    link = np.empty(n, np.int64)
    count = 0
    for i in range(n):
        c = (int((x[2 * i] - x0) / wide) + 1) * (ny + 2) + int((x[2 * i + 1] - y0) / wide) + 1
        for a in range(9):
            j = head[c + (a // 3 - 1) * (ny + 2) + a % 3 - 1]
            while j >= 0:
                dx, dy = x[2 * i] - x[2 * j], x[2 * i + 1] - x[2 * j + 1]
                if dx * dx + dy * dy < reach * reach and count < len(pairs):
                    pairs[count, 0] = i
                    pairs[count, 1] = j
                    count += 1
                j = link[j]
        link[i] = head[c]
        head[c] = i
    return count


@njit(cache=True, error_model="numpy")
def energy(
    x: Array,
    pairs: Array,
    count: int,
    planes: Array,
    segments: Array,
    mask: Array,
    box: Array,
    grad: Array,
    load: Array,
) -> float:
    """Sum of squared overlaps between circles of diameter 1 and with the walls.

    The gradient goes to `grad`, the share of the energy that each circle takes part in to `load`.
    """
    total = 0.0
    for i in range(len(load)):
        e = wall(x[2 * i], x[2 * i + 1], planes, segments, mask, box, grad[2 * i :])
        total += e
        load[i] = e
    for k in range(count):
        i, j = pairs[k, 0], pairs[k, 1]
        dx, dy = x[2 * i] - x[2 * j], x[2 * i + 1] - x[2 * j + 1]
        r2 = dx * dx + dy * dy
        if r2 < 1.0:
            r = sqrt(r2) + 1e-300
            o = 1.0 - r
            total += o * o
            load[i] += o * o
            load[j] += o * o
            dx *= 2.0 * o / r
            dy *= 2.0 * o / r
            grad[2 * i] -= dx
            grad[2 * i + 1] -= dy
            grad[2 * j] += dx
            grad[2 * j + 1] += dy
    return total


@njit(cache=True, error_model="numpy")
def dot(a: Array, b: Array) -> float:
    """Inner product."""
    total = 0.0
    for i in range(len(a)):
        total += a[i] * b[i]
    return total


@njit(cache=True, error_model="numpy")
def descent(grad: Array, s: Array, y: Array, rho: Array, last: int, stored: int, p: Array) -> float:
    """Two-loop recursion: the quasi-Newton direction goes to `p`; returns its slope."""
    n = len(grad)
    alpha = np.zeros(MEMORY)
    for i in range(n):
        p[i] = -grad[i]
    for k in range(stored):
        m = (last - 1 - k) % MEMORY
        alpha[m] = rho[m] * dot(s[m], p)
        for i in range(n):
            p[i] -= alpha[m] * y[m, i]
    scale = 0.25
    if stored > 0:
        m = (last - 1) % MEMORY
        scale = 1.0 / (rho[m] * dot(y[m], y[m]))
    for i in range(n):
        p[i] *= scale
    for k in range(stored - 1, -1, -1):
        m = (last - 1 - k) % MEMORY
        a = alpha[m] - rho[m] * dot(y[m], p)
        for i in range(n):
            p[i] += a * s[m, i]
    return dot(p, grad)


@njit(cache=True, error_model="numpy")
def settle(
    x: Array, planes: Array, segments: Array, mask: Array, box: Array, limit: int, goal: float, load: Array
) -> tuple[float, int]:
    """Minimise the overlap energy in place (limited-memory BFGS, Armijo steps).

    Returns the energy and the number of terms evaluated, so that effort is counted without a clock; `load`
    receives the energy that each circle takes part in. It gives up where the energy falls too slowly to come
    below `goal` within PATIENCE times the steps between two looks.
    """
    n = len(x)
    pairs = np.empty((6 * n + 16, 2), np.int64)
    s = np.zeros((MEMORY, n))
    y = np.zeros((MEMORY, n))
    rho = np.zeros(MEMORY)
    p = np.empty(n)
    grad = np.empty(n)
    trial = x.copy()
    fresh = np.empty(n)
    base = x.copy()
    count = neighbours(x, 1.0 + SKIN, pairs)
    value = energy(x, pairs, count, planes, segments, mask, box, grad, load)
    work = count
    stored = 0
    last = 0
    reference = value
    for step in range(limit):
        if value < FEASIBLE:
            break
        if step % 12 == 11:
            if reference - value < 1e-4 * value and (value > 1e-9 or reference - value < 1e-9 * value):
                break
            if value - goal > PATIENCE * (reference - value):
                break
            reference = value
        slope = descent(grad, s, y, rho, last, stored, p)
        if slope >= 0.0 and stored > 0:
            stored = 0
            slope = descent(grad, s, y, rho, last, stored, p)
        top = 0.0
        for i in range(n):
            if abs(p[i]) > top:
                top = abs(p[i])
        t = 1.0
        if top > 0.5:
            t = 0.5 / top
        new = value
        done = False
        tries = 0
        while not done and tries < 12:
            moved = 0.0
            for i in range(n):
                trial[i] = x[i] + t * p[i]
                if abs(trial[i] - base[i]) > moved:
                    moved = abs(trial[i] - base[i])
            if moved > 0.35 * SKIN:  # two circles may each have moved by √2 as much, towards each other
                for i in range(n):
                    base[i] = trial[i]
                count = neighbours(base, 1.0 + SKIN, pairs)
            new = energy(trial, pairs, count, planes, segments, mask, box, fresh, load)
            work += count + 2 * n + n * len(segments) // 8
            done = new <= value + 1e-4 * t * slope
            t *= 0.4
            tries += 1
        if not done:
            if stored == 0:
                break
            stored = 0
            continue
        m = last % MEMORY
        for i in range(n):
            s[m, i] = trial[i] - x[i]
            y[m, i] = fresh[i] - grad[i]
            x[i] = trial[i]
            grad[i] = fresh[i]
        sy = dot(s[m], y[m])
        if sy > 1e-14 * dot(y[m], y[m]):
            rho[m] = 1.0 / sy
            last += 1
            if stored < MEMORY:
                stored += 1
        value = new
    return value, work
