"""Plates: all strip that joins one series group to the next, or a group to a lead, as resistor networks."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from optimizer.fit.chain.groups import Chain
from optimizer.fit.region.layout import Layout
from optimizer.pack.plates.factors import PlateFactors, best_taps, chain_plates, end_green
from optimizer.pack.plates.geometry import ChainGeometry, chain_geometry
from optimizer.pack.plates.network import solve_network
from optimizer.pack.plates.strips import StripBuild

__all__ = [
    "ChainResult",
    "Plate",
    "PlateFactors",
    "PlateResult",
    "chain_plates",
    "plate_layers",
    "plates_of",
    "solve_chain",
    "solve_plate",
]

Ints = NDArray[np.int64]
Floats = NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class Plate:
    """One plate, before any material.

    Parameters
    ----------
    label : str
        "1-2" between groups 1 and 2; "start of 1", "end of 20" at the ends of a chain and at links.
    cells : ndarray of int, shape (m,)
        Cells of the layout whose terminals it joins: P at an end, 2 P between groups, earlier group first.
    parallel : int
        P.
    edges : ndarray of int, shape (e, 2)
        Pieces of strip, as rows of `cells`.
    length_mm : ndarray, shape (e,)
        Between weld centres [mm].
    series : ndarray of bool, shape (e,)
        Whether a piece goes from group to group.
    end : bool
        Whether it is an end plate: current gathers at the taps.
    taps : ndarray of int
        Rows of `cells` where the lead is attached; empty between groups.
    """

    label: str
    cells: Ints
    parallel: int
    edges: Ints
    length_mm: Floats
    series: NDArray[np.bool_]
    end: bool
    taps: Ints


@dataclass(frozen=True, eq=False)
class PlateResult:
    """A solved plate.

    Parameters
    ----------
    resistance_ohm : float
        Heat in strips and welds over the square of the current [ohm].
    share : ndarray, shape (m,)
        Current of each cell over the mean of its group [-].
    segment_current_a : ndarray, shape (e,)
        In all layers of a piece [A].
    hottest_a, hottest_a_mm2 : float
        Current in one layer of the piece that carries most per layer [A], and its density [A/mm²].
    loss_w : float
        [W]
    """

    resistance_ohm: float
    share: Floats
    segment_current_a: Floats
    hottest_a: float
    hottest_a_mm2: float
    loss_w: float


def plates_of(
    layout: Layout, chain: Chain, *, cell_gap_mm: float, taps: int = 1, before: int = 0
) -> list[Plate]:
    """Every plate of a chain in the order in which the current passes them.

    Parameters
    ----------
    layout : Layout
    chain : Chain
    cell_gap_mm : float
        As the chain was made with [mm].
    taps : int
        Cells over which the lead at each end is split; those that give the least heat.
    before : int
        Groups of the pack before this chain, from which the labels count on.

    Returns
    -------
    list of Plate

    Raises
    ------
    ValueError
        If the chain is empty or of another layout.
    """
    made = chain_geometry(layout, chain, cell_gap_mm=cell_gap_mm)
    spots = best_taps(end_green(made), taps)
    plates = [_end_plate(made, 0, f"start of {before + 1}", spots)]
    for k in range(made.groups - 1):
        if made.linked[k]:
            plates.append(_end_plate(made, k, f"end of {before + k + 1}", spots))
            plates.append(_end_plate(made, k + 1, f"start of {before + k + 2}", spots))
        else:
            plates.append(_series_plate(made, k, f"{before + k + 1}-{before + k + 2}"))
    return [*plates, _end_plate(made, made.groups - 1, f"end of {before + made.groups}", spots)]


def _end_plate(made: ChainGeometry, g: int, label: str, spots: Ints) -> Plate:
    """Plate at an end of a chain or at a link."""
    own = made.across_at == g
    count = int(own.sum())
    return Plate(label, made.members[g], made.parallel, made.across_slots[own], made.across_mm[own],
                 np.zeros(count, dtype=bool), True, spots[g])  # fmt: skip


def _series_plate(made: ChainGeometry, k: int, label: str) -> Plate:
    """Plate between group k and k + 1."""
    size = made.parallel
    series, near, far = made.series_at == k, made.across_at == k, made.across_at == k + 1
    edges = [
        made.series_slots[series] + np.array([0, size]),
        made.across_slots[near],
        made.across_slots[far] + size,
    ]
    length = [made.series_mm[series], made.across_mm[near], made.across_mm[far]]
    return Plate(
        label=label,
        cells=np.concatenate([made.members[k], made.members[k + 1]]),
        parallel=size,
        edges=np.concatenate(edges),
        length_mm=np.concatenate(length),
        series=np.repeat([True, False], [len(edges[0]), len(edges[1]) + len(edges[2])]),
        end=False,
        taps=np.zeros(0, dtype=np.int64),
    )


def plate_layers(plate: Plate, build: StripBuild) -> Ints:
    """Layers of each piece of a plate.

    Parameters
    ----------
    plate : Plate
    build : StripBuild

    Returns
    -------
    ndarray of int, shape (e,)
    """
    if plate.end:
        return np.full(len(plate.edges), build.end_layers, dtype=np.int64)
    return np.where(plate.series, build.layers_series, build.layers_across).astype(np.int64)


def solve_plate(
    plate: Plate, build: StripBuild, *, current_a: float = 1.0, cell_resistance_ohm: float | None = None
) -> PlateResult:
    """Resistance, shares, hottest piece and heat of one plate.

    Without a cell resistance every cell of a group carries an equal share, as it nearly does while strips are
    small beside cells. With one, cells share as the network has it, the far ends of the cells of a group
    taken as one potential.

    Parameters
    ----------
    plate : Plate
    build : StripBuild
    current_a : float
        Through the plate [A].
    cell_resistance_ohm : float or None
        Of one cell, above 0 [ohm].

    Returns
    -------
    PlateResult

    Raises
    ------
    ValueError
        If the cell resistance is not above 0.
    """
    layers = plate_layers(plate, build)
    ohm = build.ohm_per_mm * plate.length_mm / layers
    size, count = plate.parallel, len(plate.cells)
    out = np.zeros(count)
    if plate.end:
        np.add.at(out, plate.taps, -1.0 / len(plate.taps))
    even = np.repeat([1.0, -1.0], [size, count - size]) / size
    if cell_resistance_ohm is None:
        share = np.ones(count)
        solved = solve_network(plate.edges, resistance_ohm=ohm, injection_a=even + out)
        current = solved.current_a
    else:
        share, current = _shared(plate, ohm, out, cell_resistance_ohm + build.weld_ohm)
    loss = float(np.sum(current**2 * ohm) + build.weld_ohm * np.sum((share / size) ** 2))
    per_layer = float(np.max(np.abs(current) / layers, initial=0.0)) * abs(current_a)
    return PlateResult(
        resistance_ohm=loss,
        share=share,
        segment_current_a=current * current_a,
        hottest_a=per_layer,
        hottest_a_mm2=per_layer / build.section_mm2,
        loss_w=loss * current_a**2,
    )


def _shared(plate: Plate, ohm: Floats, out: Floats, branch_ohm: float) -> tuple[Floats, Floats]:
    """Shares and piece currents when each cell feeds the plate through `branch_ohm` from its group's rail."""
    size, count = plate.parallel, len(plate.cells)
    rails = count + np.arange(1 if plate.end else 2)
    spokes = np.column_stack([np.repeat(rails, size), np.arange(count)])
    feed = np.concatenate([out, [1.0] if plate.end else [1.0, -1.0]])
    edges = np.concatenate([plate.edges, spokes])
    branch = np.full(count, branch_ohm)
    solved = solve_network(edges, resistance_ohm=np.concatenate([ohm, branch]), injection_a=feed)
    pieces = len(plate.edges)
    return np.abs(solved.current_a[pieces:]) * size, solved.current_a[:pieces]


@dataclass(frozen=True, eq=False)
class ChainResult:
    """A chain of cells and plates solved as one network.

    Parameters
    ----------
    resistance_ohm : float
        Cells, strips and welds: heat over the square of the current [ohm].
    plates_ohm : float
        The part of strips and welds [ohm].
    share : ndarray, shape (n,)
        Current of each cell over the mean of its group; 0 for cells left over [-].
    hottest_a_mm2 : float
        Density in one layer of the piece that carries most per layer, at 1 A [A/mm²].
    """

    resistance_ohm: float
    plates_ohm: float
    share: Floats
    hottest_a_mm2: float


def solve_chain(
    layout: Layout,
    chain: Chain,
    build: StripBuild,
    *,
    cell_gap_mm: float,
    cell_resistance_ohm: float,
    plates: Sequence[Plate] | None = None,
) -> ChainResult:
    """All cells and plates of a chain in one network: the true shares, for the few designs looked at.

    Cells have equal EMF and resistance; links between modules are left out (wires of the harness) and carry
    the pack current from tap to tap.

    Parameters
    ----------
    layout : Layout
    chain : Chain
    build : StripBuild
    cell_gap_mm : float
        As the chain was made with [mm].
    cell_resistance_ohm : float
        Of one cell, above 0 [ohm].
    plates : sequence of Plate or None
        As `plates_of` gives them, with other taps where the leads are to leave elsewhere; None: those.

    Returns
    -------
    ChainResult

    Raises
    ------
    ValueError
        If the chain is empty or of another layout, or the cell resistance not above 0.
    """
    if plates is None:
        plates = plates_of(layout, chain, cell_gap_mm=cell_gap_mm, taps=build.taps)
    negative, positive = np.arange(layout.cells), layout.cells + np.arange(layout.cells)
    used = np.flatnonzero(chain.group >= 0)
    cells = np.column_stack([negative[used], positive[used]])
    feed = np.zeros(2 * layout.cells)
    edges, ohms, layers = [cells], [np.full(len(used), cell_resistance_ohm + 2.0 * build.weld_ohm)], []
    for plate in plates:
        start = plate.label.startswith("start")
        node = negative[plate.cells] if start else positive[plate.cells]
        if not plate.end:
            node[plate.parallel :] = negative[plate.cells[plate.parallel :]]
        else:
            np.add.at(feed, node[plate.taps], (1.0 if start else -1.0) / len(plate.taps))
        layers.append(plate_layers(plate, build))
        edges.append(node[plate.edges])
        ohms.append(build.ohm_per_mm * plate.length_mm / layers[-1])
    ohm = np.concatenate(ohms)
    solved = solve_network(np.concatenate(edges), resistance_ohm=ohm, injection_a=feed)
    share = np.zeros(layout.cells)
    share[used] = solved.current_a[: len(used)] * chain.parallel
    heat_in_cells = cell_resistance_ohm * float(np.sum((share / chain.parallel) ** 2))
    per_layer = np.abs(solved.current_a[len(used) :]) / np.concatenate(layers)
    return ChainResult(
        resistance_ohm=solved.loss_w,
        plates_ohm=solved.loss_w - heat_in_cells,
        share=share,
        hottest_a_mm2=float(np.max(per_layer, initial=0.0)) / build.section_mm2,
    )
