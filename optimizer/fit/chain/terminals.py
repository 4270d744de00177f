"""Where the terminals of cells lie, seen along the cells: at both ends, or side by side on one end."""

from __future__ import annotations

from itertools import pairwise

import numpy as np

from optimizer.base.arrays import Floats, Ints
from optimizer.fit.chain.adjacency import Neighbours, lateral_axes
from optimizer.fit.region.layout import AXES, Layout


def sideways(layout: Layout, cells: Ints) -> Floats:
    """From the middle of a cell's end to its terminal on the side of the width's high end, shape (n, 2) [mm]."""
    across = layout.extents_mm[cells][:, list(lateral_axes(layout.axis))]
    along = np.argmax(across, axis=1)
    out = np.zeros((len(cells), 2))
    out[np.arange(len(cells)), along] = layout.size.spacing_mm / 2.0
    return out


def terminals_mm(layout: Layout, cells: Ints, polarity: Ints, *, positive: bool) -> Floats:
    """Middles of the positive or of the negative terminals of some cells across their axis, shape (n, 2) [mm].

    With both terminals on one end a polarity of 1 means: the positive one towards the width's high end.
    """
    middle = layout.centres_mm[cells][:, list(lateral_axes(layout.axis))]
    if not layout.size.same_end:
        return np.asarray(middle)
    sign = polarity[:, None] * (1.0 if positive else -1.0)
    return np.asarray(middle + sign * sideways(layout, cells))


def in_line(near: Neighbours, layout: Layout) -> Neighbours:
    """Neighbours as groups see them: with terminals on one end only cells whose wide sides face lie in one group.

    Terminals of such cells stand in two lines that straight bars follow; across the width a bar would pass over a
    terminal of the other pole. Other pairs may still be where a group goes on to the next.
    """
    if not layout.size.same_end:
        return near
    across = list(lateral_axes(layout.axis))
    one, two = near.lateral.T
    wide = np.argmax(layout.extents_mm[:, across], axis=1)
    step = np.abs(layout.centres_mm[one] - layout.centres_mm[two])[:, across]
    faced = (wide[one] == wide[two]) & (step[np.arange(len(one)), wide[one]] < layout.size.width_mm / 2)
    return Neighbours(near.lateral[faced], np.concatenate([near.lateral[~faced], near.axial]))


def facing(layout: Layout, members: Ints, links: Ints) -> Ints:
    """Polarity of each group with terminals on one end, shape (G,): turned so that ways from group to group are short.

    `members` have shape (G, P); links are boundaries that a wire passes, whose way does not count.
    """
    starts = [0, *(links + 1).tolist(), len(members)]
    found = [
        min((_turned(layout, members[a:b], first) for first in (1, -1)), key=lambda item: round(item[0], 3))[1]
        for a, b in pairwise(starts)
    ]
    return np.concatenate(found) if found else np.zeros(0, dtype=np.int64)


def _turned(layout: Layout, members: Ints, first: int) -> tuple[float, Ints]:
    """Length of all ways [mm] and polarity, each group turned as makes the way to it short."""
    polarity, total = np.full(len(members), first, dtype=np.int64), 0.0
    for k in range(len(members) - 1):
        here, there = members[k], members[k + 1]
        plus = terminals_mm(layout, here, np.full(len(here), polarity[k]), positive=True)
        reach = []
        for turned in (-polarity[k], polarity[k]):
            minus = terminals_mm(layout, there, np.full(len(there), turned), positive=False)
            reach.append(float(np.hypot(*(plus[:, None] - minus[None]).transpose(2, 0, 1)).min(axis=1).mean()))
        polarity[k + 1] = -polarity[k] if reach[0] <= reach[1] + 1e-6 else polarity[k]
        total += min(reach)
    return total, polarity


def positive_words(layout: Layout, cell: int, polarity: int) -> str:
    """Where the positive terminal of a cell is: "+y", or "+y, towards +x" with both on one end."""
    sign = "+" if polarity > 0 else "−"
    if not layout.size.same_end:
        return f"{sign}{AXES[layout.axis]}"
    across = lateral_axes(layout.axis)
    along = across[int(np.argmax(layout.extents_mm[cell, list(across)]))]
    return f"+{AXES[layout.axis]}, towards {sign}{AXES[along]}"
