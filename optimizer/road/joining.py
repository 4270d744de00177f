"""Several rides as one trace, each as often as it is ridden."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from optimizer.base.arrays import Floats
from optimizer.road.ride import Ride

# Between two pieces that meet at different speeds [m/s²].
RAMP_M_S2 = 0.8


@dataclass(frozen=True, eq=False)
class Path:
    """One row a second: what a trace file holds.

    Parameters
    ----------
    speed_m_s, grade : ndarray, shape (n,)
        [m/s], [-]
    """

    speed_m_s: Floats
    grade: Floats


def joined(pieces: Sequence[Path]) -> Path:
    """Pieces one after another; where speeds differ a short ramp on the level leads from one to the next.

    Parameters
    ----------
    pieces : sequence of Path
        At least one.
    """
    speeds, grades = [pieces[0].speed_m_s], [pieces[0].grade]
    for piece in pieces[1:]:
        have, want = float(speeds[-1][-1]), float(piece.speed_m_s[0])
        steps = int(np.ceil(abs(want - have) / RAMP_M_S2))
        ramp = np.linspace(have, want, steps + 1)[1:-1] if steps > 1 else np.zeros(0)
        same = abs(want - have) < 1e-9
        speeds += [ramp, piece.speed_m_s[1:] if same else piece.speed_m_s]
        grades += [np.zeros(len(ramp)), piece.grade[1:] if same else piece.grade]
    return Path(np.concatenate(speeds), np.concatenate(grades))


def join(rides: Sequence[Ride]) -> Path:
    """All rides, each as often as its weight says."""
    return joined([Path(ride.speed_m_s, ride.grade) for ride in rides for _ in range(ride.weight)])
