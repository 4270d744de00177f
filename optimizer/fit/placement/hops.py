"""Moves of free placement: how a minimum of the overlap energy is disturbed before it settles again.

All work on centres in units of the pitch, shape (n, 2), and return new ones.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
from numpy.random import Generator
from numpy.typing import NDArray
from scipy.spatial.distance import cdist

Array = NDArray[Any]
Scatter = Callable[[int], Array]


def vacancy(x: Array, skip: int, tries: int, scatter: Scatter) -> Array:
    """Emptiest of `tries` random points of the region, circle `skip` left out of account."""
    spots = scatter(tries)
    others = np.delete(x, skip, axis=0)
    if not len(others):
        return np.asarray(spots[0])
    return np.asarray(spots[int(np.argmax(cdist(spots, others, "sqeuclidean").min(axis=1)))])


def relocate(x: Array, load: Array, rng: Generator, scatter: Scatter) -> Array:
    """A strained circle goes to a vacancy."""
    pick = int(np.argmax(load * (0.05 + rng.random(len(x)))))
    return _sent(x, pick, rng, scatter)


def scramble(x: Array, load: Array, rng: Generator, scatter: Scatter) -> Array:
    """Two or three circles, strained or not, go to vacancies."""
    trial = x
    for pick in rng.integers(len(x), size=2 + int(rng.integers(2))):
        trial = _sent(trial, int(pick), rng, scatter)
    return trial


def _sent(x: Array, pick: int, rng: Generator, scatter: Scatter) -> Array:
    trial = x.copy()
    trial[pick] = vacancy(x, pick, int(4 + rng.random() * 8 * len(x)), scatter)
    return trial


def shake(x: Array, load: Array, rng: Generator, scatter: Scatter) -> Array:
    """The neighbourhood of a circle is shaken."""
    centre = x[rng.integers(len(x))]
    near = np.hypot(*(x - centre).T) < 1.2 + 1.6 * rng.random()
    size = 0.3 + 0.7 * rng.random()
    return np.asarray(x + size * rng.uniform(-1, 1, x.shape) * near[:, None])


def quake(x: Array, load: Array, rng: Generator, scatter: Scatter) -> Array:
    """All circles are shaken."""
    return np.asarray(x + (0.1 + 0.5 * rng.random()) * rng.uniform(-1, 1, x.shape))


def slide(x: Array, load: Array, rng: Generator, scatter: Scatter) -> Array:
    """A band of circles slides along its direction, often one of the six of a hexagonal pattern."""
    angle = np.pi * rng.random() if rng.random() < 0.4 else np.pi / 6 * rng.integers(6)
    along = np.array((np.cos(angle), np.sin(angle)))
    offset = (x - x[rng.integers(len(x))]) @ np.array((-along[1], along[0]))
    band = np.abs(offset) < 0.5 + 1.5 * rng.random()
    return np.asarray(x + rng.uniform(-1, 1) * along * band[:, None])


def flip(x: Array, load: Array, rng: Generator, scatter: Scatter) -> Array:
    """The circles of a window along the longer side are mirrored, along it or across it."""
    low, high = x.min(axis=0), x.max(axis=0)
    long = int(high[1] - low[1] > high[0] - low[0])
    if rng.random() < 0.5 * (high - low)[1 - long] / (high - low)[long]:
        long = 1 - long
    a = rng.uniform(low[long], high[long])
    b = a + rng.uniform(1.0, max(3.0, 0.5 * (high - low)[long]))
    window = (x[:, long] >= a) & (x[:, long] <= b)
    trial = x.copy()
    if rng.random() < 0.5:
        trial[window, long] = x[window, long].min(initial=a) + x[window, long].max(initial=a) - x[window, long]
    else:
        trial[window, 1 - long] = (low + high)[1 - long] - x[window, 1 - long]
    return trial


MOVES = (relocate, shake, quake, slide, scramble, flip)
