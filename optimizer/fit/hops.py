"""Compiled search for free placement: hops from minimum to minimum of the overlap energy."""

from __future__ import annotations

from typing import Any

import numpy as np
from numba import njit
from numpy.typing import NDArray

from optimizer.fit.kernels import FEASIBLE, settle, uniform, wall

Array = NDArray[Any]


@njit(cache=True)
def clearance_at(x: Array, px: float, py: float, skip: int) -> float:
    """Square of the distance from a point to the nearest centre, centre `skip` left out."""
    best = 1e300
    for i in range(len(x)):
        if i != skip:
            dx, dy = x[i, 0] - px, x[i, 1] - py
            best = min(best, dx * dx + dy * dy)
    return best


@njit(cache=True)
def vacancy(
    x: Array,
    planes: Array,
    segments: Array,
    mask: Array,
    box: Array,
    skip: int,
    tries: int,
    state: Array,
    out: Array,
) -> None:
    """Emptiest of `tries` random points of the region; written to `out`."""
    grad = np.empty(2)
    best = -1.0
    for _ in range(tries):
        px = box[0] + uniform(state) * (box[2] - box[0])
        py = box[1] + uniform(state) * (box[3] - box[1])
        if wall(px, py, planes, segments, mask, box, grad) > 0.0:
            continue
        r = clearance_at(x, px, py, skip)
        if r > best:
            best = r
            out[0] = px
            out[1] = py
    if best < 0.0:
        out[0] = x[skip, 0]
        out[1] = x[skip, 1]


@njit(cache=True)
def strain(x: Array, planes: Array, segments: Array, mask: Array, box: Array, out: Array) -> None:
    """Overlap energy that each circle takes part in."""
    grad = np.empty(2)
    for i in range(len(x)):
        out[i] = wall(x[i, 0], x[i, 1], planes, segments, mask, box, grad)
    for i in range(len(x)):
        for j in range(i):
            dx, dy = x[i, 0] - x[j, 0], x[i, 1] - x[j, 1]
            r2 = dx * dx + dy * dy
            if r2 < 1.0:
                o = 1.0 - np.sqrt(r2)
                out[i] += o * o
                out[j] += o * o


@njit(cache=True)
def move(x: Array, planes: Array, segments: Array, mask: Array, box: Array, state: Array, kind: int) -> None:
    """Disturb a minimum in place.

    kind 0: a strained circle goes to a vacancy; 1: a neighbourhood is shaken; 2: all are shaken; 3: a band
    of circles slides along its direction; 4: two or three random circles go to vacancies.
    """
    n = len(x)
    spot = np.empty(2)
    if kind == 0:
        load = np.empty(n)
        strain(x, planes, segments, mask, box, load)
        pick = 0
        best = -1.0
        for i in range(n):
            v = load[i] * (0.05 + uniform(state))
            if v > best:
                best = v
                pick = i
        vacancy(x, planes, segments, mask, box, pick, int(4 + uniform(state) * 12 * n), state, spot)
        x[pick, 0] = spot[0]
        x[pick, 1] = spot[1]
    elif kind == 1:
        c = int(uniform(state) * n)
        cx, cy = x[c, 0], x[c, 1]
        reach = 1.2 + 1.6 * uniform(state)
        size = 0.3 + 0.7 * uniform(state)
        for i in range(n):
            dx, dy = x[i, 0] - cx, x[i, 1] - cy
            if dx * dx + dy * dy < reach * reach:
                x[i, 0] += size * (2.0 * uniform(state) - 1.0)
                x[i, 1] += size * (2.0 * uniform(state) - 1.0)
    elif kind == 2:
        size = 0.1 + 0.5 * uniform(state)
        for i in range(n):
            x[i, 0] += size * (2.0 * uniform(state) - 1.0)
            x[i, 1] += size * (2.0 * uniform(state) - 1.0)
    elif kind == 3:
        c = int(uniform(state) * n)
        angle = np.pi * uniform(state)
        if uniform(state) < 0.6:
            angle = np.pi / 6.0 * int(6 * uniform(state))
        ux, uy = np.cos(angle), np.sin(angle)
        half = 0.5 + 1.5 * uniform(state)
        shift = 2.0 * uniform(state) - 1.0
        cx, cy = x[c, 0], x[c, 1]
        for i in range(n):
            if abs((x[i, 1] - cy) * ux - (x[i, 0] - cx) * uy) < half:
                x[i, 0] += shift * ux
                x[i, 1] += shift * uy
    else:
        for _ in range(2 + int(2 * uniform(state))):
            pick = int(uniform(state) * n)
            vacancy(x, planes, segments, mask, box, pick, int(4 + uniform(state) * 12 * n), state, spot)
            x[pick, 0] = spot[0]
            x[pick, 1] = spot[1]


@njit(cache=True)
def hop(
    x: Array,
    value: float,
    planes: Array,
    segments: Array,
    mask: Array,
    box: Array,
    state: Array,
    hops: int,
    heat: float,
    weights: Array,
    wins: Array,
    work: Array,
) -> float:
    """Hop `hops` times from `x` (in place), keeping what lowers the energy; stops once nothing overlaps."""
    total = 0.0
    for k in range(len(weights)):
        total += weights[k]
    n = len(x)
    trial = np.empty((n, 2))
    for _ in range(hops):
        if value < FEASIBLE:
            break
        pick = uniform(state) * total
        kind = 0
        while kind < len(weights) - 1 and pick >= weights[kind]:
            pick -= weights[kind]
            kind += 1
        for i in range(n):
            trial[i, 0] = x[i, 0]
            trial[i, 1] = x[i, 1]
        move(trial, planes, segments, mask, box, state, kind)
        new = settle(trial, planes, segments, mask, box, 600, work)
        if new < value * (1.0 + heat) or new < FEASIBLE:
            if new < value * (1 - 1e-3):
                wins[kind] += 1
            value = new
            for i in range(n):
                x[i, 0] = trial[i, 0]
                x[i, 1] = trial[i, 1]
    return value
