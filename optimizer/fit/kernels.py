"""Compiled kernels of free placement: an overlap energy, its minimisation, and hops between minima.

Lengths are in units of the pitch, so two centres must stand at least 1 apart. A region is given as segments
of its boundary and, when it is one convex polygon, as half-planes as well.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numba import njit
from numpy.typing import NDArray

Array = NDArray[Any]

MEMORY = 8  # pairs of steps that the quasi-Newton method remembers
MASK = 0.2  # side of the squares that are known to be inside the region
SKIN = 0.3  # how far beyond contact the neighbour list looks
FEASIBLE = 1e-19  # overlaps of 3e-10 pitches count as contact


@njit(cache=True)
def uniform(state: Array) -> float:
    """Next number in [0, 1) of a 64-bit xorshift generator whose state is one element long."""
    s = state[0]
    s ^= s << np.uint64(13)
    s ^= s >> np.uint64(7)
    s ^= s << np.uint64(17)
    state[0] = s
    return float(s >> np.uint64(11)) / 9007199254740992.0


@njit(cache=True)
def wall(px: float, py: float, planes: Array, segments: Array, mask: Array, box: Array, out: Array) -> float:
    """Square of how far a point is outside the region; its gradient goes to out[0:2].

    `mask` marks squares of side MASK, counted from the lower corner of `box`, that are wholly inside.
    """
    out[0] = 0.0
    out[1] = 0.0
    energy = 0.0
    if len(planes) > 0:
        for k in range(len(planes)):
            v = planes[k, 0] * px + planes[k, 1] * py - planes[k, 2]
            if v > 0.0:
                energy += v * v
                out[0] += 2.0 * v * planes[k, 0]
                out[1] += 2.0 * v * planes[k, 1]
        return energy
    if px > box[0] and py > box[1]:
        a, b = int((px - box[0]) / MASK), int((py - box[1]) / MASK)
        if a < mask.shape[0] and b < mask.shape[1] and mask[a, b]:
            return 0.0
    inside = False
    best = 1e300
    for k in range(len(segments)):
        ax, ay, bx, by = segments[k, 0], segments[k, 1], segments[k, 2], segments[k, 3]
        ex, ey = bx - ax, by - ay
        if (ay > py) != (by > py) and px < ex * (py - ay) / ey + ax:
            inside = not inside
        t = ((px - ax) * ex + (py - ay) * ey) / (ex * ex + ey * ey)
        t = min(1.0, max(0.0, t))
        dx, dy = px - ax - t * ex, py - ay - t * ey
        r = dx * dx + dy * dy
        if r < best:
            best = r
            out[0] = 2.0 * dx
            out[1] = 2.0 * dy
    if inside:
        out[0] = 0.0
        out[1] = 0.0
        return 0.0
    return best


@njit(cache=True)
def neighbours(x: Array, reach: float, pairs: Array) -> int:
    """Fill `pairs` with all (i, j) closer than `reach`, found with a grid of buckets; returns how many."""
    n = len(x)
    x0, y0, x1, y1 = x[0, 0], x[0, 1], x[0, 0], x[0, 1]
    for i in range(n):
        x0, x1 = min(x0, x[i, 0]), max(x1, x[i, 0])
        y0, y1 = min(y0, x[i, 1]), max(y1, x[i, 1])
    nx = int((x1 - x0) / reach) + 1
    ny = int((y1 - y0) / reach) + 1
    if nx * ny > 64 * n + 64:  # a stray point must not blow the grid up
        nx = min(nx, 8 * n + 8)
        ny = min(ny, 8)
    head = np.full(nx * ny, -1, np.int64)
    link = np.empty(n, np.int64)
    count = 0
    reach2 = reach * reach
    for i in range(n):
        cx = min(nx - 1, int((x[i, 0] - x0) / reach))
        cy = min(ny - 1, int((x[i, 1] - y0) / reach))
        for a in range(max(0, cx - 1), min(nx, cx + 2)):
            for b in range(max(0, cy - 1), min(ny, cy + 2)):
                j = head[a * ny + b]
                while j >= 0:
                    dx, dy = x[i, 0] - x[j, 0], x[i, 1] - x[j, 1]
                    if dx * dx + dy * dy < reach2 and count < len(pairs):
                        pairs[count, 0] = i
                        pairs[count, 1] = j
                        count += 1
                    j = link[j]
        c = cx * ny + cy
        link[i] = head[c]
        head[c] = i
    return count


@njit(cache=True)
def energy(
    x: Array, pairs: Array, count: int, planes: Array, segments: Array, mask: Array, box: Array, grad: Array
) -> float:
    """Sum of squared overlaps between circles of diameter 1 and with the walls; gradient to `grad`."""
    total = 0.0
    for i in range(len(x)):
        grad[i, 0] = 0.0
        grad[i, 1] = 0.0
    out = np.empty(2)
    for k in range(count):
        i, j = pairs[k, 0], pairs[k, 1]
        dx, dy = x[i, 0] - x[j, 0], x[i, 1] - x[j, 1]
        r2 = dx * dx + dy * dy
        if r2 < 1.0:
            r = np.sqrt(r2)
            o = 1.0 - r
            total += o * o
            f = -2.0 * o / max(r, 1e-12)
            grad[i, 0] += f * dx
            grad[i, 1] += f * dy
            grad[j, 0] -= f * dx
            grad[j, 1] -= f * dy
    for i in range(len(x)):
        e = wall(x[i, 0], x[i, 1], planes, segments, mask, box, out)
        if e > 0.0:
            total += e
            grad[i, 0] += out[0]
            grad[i, 1] += out[1]
    return total


@njit(cache=True)
def descent(grad: Array, s: Array, y: Array, rho: Array, last: int, stored: int, p: Array) -> float:
    """Two-loop recursion: the quasi-Newton direction goes to `p`; returns its slope."""
    n = len(grad)
    alpha = np.zeros(MEMORY)
    for i in range(n):
        p[i, 0] = -grad[i, 0]
        p[i, 1] = -grad[i, 1]
    for k in range(stored):
        m = (last - 1 - k) % MEMORY
        a = 0.0
        for i in range(n):
            a += s[m, i, 0] * p[i, 0] + s[m, i, 1] * p[i, 1]
        a *= rho[m]
        alpha[m] = a
        for i in range(n):
            p[i, 0] -= a * y[m, i, 0]
            p[i, 1] -= a * y[m, i, 1]
    scale = 0.25
    if stored > 0:
        m = (last - 1) % MEMORY
        a = 0.0
        for i in range(n):
            a += y[m, i, 0] * y[m, i, 0] + y[m, i, 1] * y[m, i, 1]
        scale = 1.0 / (rho[m] * a)
    for i in range(n):
        p[i, 0] *= scale
        p[i, 1] *= scale
    for k in range(stored - 1, -1, -1):
        m = (last - 1 - k) % MEMORY
        a = 0.0
        for i in range(n):
            a += y[m, i, 0] * p[i, 0] + y[m, i, 1] * p[i, 1]
        a = alpha[m] - rho[m] * a
        for i in range(n):
            p[i, 0] += a * s[m, i, 0]
            p[i, 1] += a * s[m, i, 1]
    slope = 0.0
    for i in range(n):
        slope += p[i, 0] * grad[i, 0] + p[i, 1] * grad[i, 1]
    return slope


@njit(cache=True)
def settle(
    x: Array, planes: Array, segments: Array, mask: Array, box: Array, limit: int, work: Array
) -> float:
    """Minimise the overlap energy in place (limited-memory BFGS, Armijo steps); returns the energy.

    `work[0]` grows by the terms evaluated, so effort is counted without a clock.
    """
    n = len(x)
    pairs = np.empty((12 * n + 16, 2), np.int64)
    s = np.zeros((MEMORY, n, 2))
    y = np.zeros((MEMORY, n, 2))
    rho = np.zeros(MEMORY)
    p = np.empty((n, 2))
    grad = np.empty((n, 2))
    trial = np.empty((n, 2))
    trial_grad = np.empty((n, 2))
    base = x.copy()
    count = neighbours(x, 1.0 + SKIN, pairs)
    value = energy(x, pairs, count, planes, segments, mask, box, grad)
    stored = 0
    last = 0
    reference = value
    for step in range(limit):
        if value < FEASIBLE:
            break
        if step % 12 == 11:
            if reference - value < 1e-4 * value and (value > 1e-9 or reference - value < 1e-9 * value):
                break
            reference = value
        slope = descent(grad, s, y, rho, last, stored, p)
        if slope >= 0.0 and stored > 0:
            stored = 0
            slope = descent(grad, s, y, rho, last, stored, p)
        top = 0.0
        for i in range(n):
            top = max(top, p[i, 0] * p[i, 0] + p[i, 1] * p[i, 1])
        t = 1.0 if top < 0.25 else 0.5 / np.sqrt(top)
        done = False
        new = value
        for _ in range(12):
            moved = 0.0
            for i in range(n):
                trial[i, 0] = x[i, 0] + t * p[i, 0]
                trial[i, 1] = x[i, 1] + t * p[i, 1]
                dx, dy = trial[i, 0] - base[i, 0], trial[i, 1] - base[i, 1]
                moved = max(moved, dx * dx + dy * dy)
            if moved > 0.25 * SKIN * SKIN:
                for i in range(n):
                    base[i, 0] = trial[i, 0]
                    base[i, 1] = trial[i, 1]
                count = neighbours(base, 1.0 + SKIN, pairs)
            new = energy(trial, pairs, count, planes, segments, mask, box, trial_grad)
            work[0] += count + 4 * n + n * len(segments) // 4
            if new <= value + 1e-4 * t * slope:
                done = True
                break
            t *= 0.4
        if not done:
            if stored == 0:
                break
            stored = 0
            continue
        m = last % MEMORY
        sy = 0.0
        yy = 0.0
        for i in range(n):
            for c in range(2):
                s[m, i, c] = trial[i, c] - x[i, c]
                y[m, i, c] = trial_grad[i, c] - grad[i, c]
                sy += s[m, i, c] * y[m, i, c]
                yy += y[m, i, c] * y[m, i, c]
                x[i, c] = trial[i, c]
                grad[i, c] = trial_grad[i, c]
        if sy > 1e-14 * yy:
            rho[m] = 1.0 / sy
            last += 1
            stored = min(stored + 1, MEMORY)
        value = new
    return value
