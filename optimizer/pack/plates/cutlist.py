"""Cut list: the pieces of strip that the plates of a chain are made of."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components

from optimizer.fit.chain.groups import Chain
from optimizer.fit.region.layout import Layout
from optimizer.pack.plates.geometry import STRAIGHT_COS
from optimizer.pack.plates.plates import Plate, plate_layers, plates_of
from optimizer.pack.plates.strips import StripBuild

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class CutPiece:
    """Equal pieces of strip of one plate.

    Parameters
    ----------
    plate : str
        Label of the plate, such as "1-2" or "start of 1".
    direction : str
        "series", "across" or "end".
    pieces : int
        Pieces to cut, all layers counted.
    material : str
    thickness_mm, width_mm, length_mm : float
        Of one piece; the length has half a strip width beyond the weld centre at both ends [mm].
    layers : int
        Pieces on top of each other.
    """

    plate: str
    direction: str
    pieces: int
    material: str
    thickness_mm: float
    width_mm: float
    length_mm: float
    layers: int


def cut_list(
    layout: Layout, chain: Chain, build: StripBuild, *, cell_gap_mm: float, before: int = 0
) -> list[CutPiece]:
    """Every piece of strip of a chain; straight runs inside a group are one piece.

    Parameters
    ----------
    layout : Layout
    chain : Chain
    build : StripBuild
    cell_gap_mm : float
        As the chain was made with [mm].
    before : int
        Groups of the pack before this chain, from which the labels count on.

    Returns
    -------
    list of CutPiece
        In the order of the plates; equal pieces of a plate on one line, lengths to 0.1 mm.

    Raises
    ------
    ValueError
        If the chain is empty or of another layout.
    """
    lines = []
    for plate in plates_of(layout, chain, cell_gap_mm=cell_gap_mm, taps=build.taps, before=before):
        layers = plate_layers(plate, build)
        found: Counter[tuple[str, float, int]] = Counter()
        for rows in _runs(plate, layout):
            length = round(float(plate.length_mm[rows].sum()) + build.width_mm, 1)
            direction = "end" if plate.end else "series" if plate.series[rows[0]] else "across"
            found[direction, length, int(layers[rows[0]])] += int(layers[rows[0]])
        lines += [
            CutPiece(
                plate.label, way, pieces, build.material, build.thickness_mm, build.width_mm, length, deep
            )
            for (way, length, deep), pieces in found.items()
        ]
    return lines


def _runs(plate: Plate, layout: Layout) -> list[NDArray[np.int64]]:
    """Rows of edges that are laid as one piece each."""
    count = len(plate.edges)
    if not count:
        return []
    place = layout.centres_mm[plate.cells]
    way = place[plate.edges[:, 1]] - place[plate.edges[:, 0]]
    way /= np.linalg.norm(way, axis=1, keepdims=True)
    a, b = np.triu_indices(count, 1)
    inside = ~plate.series[a] & ~plate.series[b]
    a, b = a[inside], b[inside]
    # Two pieces that leave a shared terminal point against each other where the line goes straight on.
    straight = np.zeros(len(a), dtype=bool)
    for p in (0, 1):
        for q in (0, 1):
            shared = plate.edges[a, p] == plate.edges[b, q]
            against = np.sum(way[a] * way[b], axis=1) * (1 if p == q else -1) < -STRAIGHT_COS
            straight |= shared & against
    links = coo_array((np.ones(int(straight.sum())), (a[straight], b[straight])), shape=(count, count))
    runs, run = connected_components(links.tocsr(), directed=False)
    return [np.flatnonzero(run == number) for number in range(runs)]
