"""What a box adds to the packs found before, in one number, and in a few packs that stand for all of them."""

from __future__ import annotations

import numpy as np

from optimizer.base.arrays import Floats
from optimizer.front.pareto import hypervolume, normalise


def gained(points: Floats, *, before: Floats) -> float:
    """How far the best of some points is ahead of all found before, as a share of the front's spread.

    max over points p of min over rows a of max over objectives (a − p) / spread

    Parameters
    ----------
    points : ndarray, shape (n, d)
    before : ndarray, shape (m, d)
        Less is better in both.

    Returns
    -------
    float
        1 when nothing was found before and something is now, 0 without points.

    References
    ----------
    E. Zitzler et al., IEEE Trans. Evol. Comput. 7 (2003) 117: the additive epsilon indicator.
    """
    if not len(points) or not len(before):
        return float(len(points) > 0)
    whole = np.concatenate([points, before])
    spread = np.ptp(whole, axis=0)
    scale = np.where(spread > 0, spread, 1.0)
    some = points[:: max(1, len(points) // 400)] / scale
    ahead = [float(np.min(np.max(before / scale - point, axis=1))) for point in some]
    return max(0.0, *ahead)


def representatives(points: Floats, *, count: int) -> list[int]:
    """Few rows that together span most hypervolume, found one after another.

    Parameters
    ----------
    points : ndarray, shape (n, d)
        At least one row, less is better.
    count : int
        How many at most.
    """
    some = np.arange(0, len(points), max(1, len(points) // 300))
    scaled = normalise(points)[some]
    reference = np.full(points.shape[1], 1.1)
    picked: list[int] = []
    while len(picked) < min(count, len(some)):
        volumes = [hypervolume(scaled[[*picked, k]], reference=reference) for k in range(len(some))]
        best = int(np.argmax(volumes))
        if best in picked:
            break
        picked.append(best)
    return [int(some[k]) for k in picked]
