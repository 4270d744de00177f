"""Temperature of a pack over time: the network of optimizer.pack.thermal.heat under a series of heats."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from optimizer.base.arrays import Floats
from optimizer.pack.thermal.heat import Network, box_conductance, box_rise


def transient(
    network: Network,
    *,
    inner_w: Floats,
    outer_w: Floats,
    seconds: Floats,
    air_c: ArrayLike,
    start_c: ArrayLike,
) -> Floats:
    """Temperatures over a series of heats, exact for heat that is constant within each step.

    C dT/dt = q − K (T − T_air): each mode of the symmetric problem decays by itself, so a step of any length
    is exact. The conductance of the box is taken at its steady rise under the mean heat.

    Parameters
    ----------
    network : Network
        Arrays of shape (n,).
    inner_w, outer_w : ndarray, shape (n, t)
        Heat of all inner and of all outer cells in each step [W].
    seconds : ndarray, shape (t,)
        Length of each step [s].
    air_c, start_c : float or ndarray, shape (n,)
        Air, and everything at the start [°C].

    Returns
    -------
    ndarray, shape (n, t + 1, 4)
        At the start and after each step, in the order of NODES [°C].

    Raises
    ------
    ValueError
        If a step is not positive.
    """
    steps = np.asarray(seconds, float)
    if np.any(steps <= 0):
        raise ValueError("seconds must be positive")
    inside, outside = np.atleast_2d(inner_w), np.atleast_2d(outer_w)
    mean = ((inside + outside) * steps).sum(axis=-1) / steps.sum()
    rise = box_rise(network.box, heat_w=mean, air_c=air_c)
    rate, modes, root = _modes(network, box_conductance(network.box, rise_k=rise, air_c=air_c))
    zero = np.zeros_like(inside)
    heat = np.stack([inside, outside, zero, zero], axis=-1) / root[:, None, :]
    drive = np.einsum("nji,ntj->nti", modes, heat)
    air = np.broadcast_to(np.asarray(air_c, float), rate.shape[:1])
    over = (np.asarray(start_c, float) - air)[:, None] * root
    state = np.einsum("nji,nj->ni", modes, over)
    states = np.empty((len(rate), len(steps) + 1, 4))
    states[:, 0] = state
    for k, step in enumerate(steps):
        decay = np.exp(-rate * step)
        state = state * decay + drive[:, k] * (1.0 - decay) / rate
        states[:, k + 1] = state
    nodes = np.einsum("nij,ntj->nti", modes, states) / root[:, None, :]
    return np.asarray(nodes + air[:, None, None])


def _modes(network: Network, box_air: Floats) -> tuple[Floats, Floats, Floats]:
    """Rates [1/s], modes and √C of C^(−½) K C^(−½), shapes (n, 4), (n, 4, 4), (n, 4)."""
    capacity = np.atleast_2d(network.capacity_j_per_k)
    n = len(capacity)
    # Without inner cells their node rides along with the outer ones: a speck of heat capacity, well tied.
    alone = np.broadcast_to(network.inner == 0, n)
    capacity = np.where((capacity > 0) & np.isfinite(capacity), capacity, 1e-3)
    io = np.where(alone, 1.0, network.inner_outer)
    links = ((0, 1, io), (0, 2, network.inner_case), (1, 2, network.outer_case), (2, 3, network.case_box))
    k = np.zeros((n, 4, 4))
    k[:, 3, 3] += box_air
    for i, j, value in links:
        k[:, i, i] += value
        k[:, j, j] += value
        k[:, i, j] -= value
        k[:, j, i] -= value
    root = np.sqrt(capacity)
    rate, modes = np.linalg.eigh(k / (root[:, :, None] * root[:, None, :]))
    return rate, modes, root
