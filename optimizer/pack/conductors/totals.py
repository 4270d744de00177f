"""What the metal of a chain comes to for its first 1, 2 … groups: metrics that the search multiplies by each stock."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from optimizer.base.arrays import Flags, Floats
from optimizer.pack.conductors.chained import ChainMetal, laid_counts
from optimizer.pack.conductors.joints import Joint
from optimizer.pack.conductors.making import TABBED, Way
from optimizer.pack.conductors.pieces import Metal
from optimizer.pack.conductors.sites import SERIES, Site
from optimizer.pack.conductors.solved import figures

ELECTRIC = ("squares", "dense", "spread", "metal_mm2", "bought_mm2", "cut_mm", "second_mm")
HEIGHT = ("stack", "stack_under")
WORK = ("pieces", "distinct_pieces", "distinct_plates", "welds", "folds")
WARM = ("heated",)
METRICS = (*ELECTRIC, *HEIGHT, *WARM, *WORK)
RULES = ("add", "worst", "worst", *["add"] * 4, "worst", "worst", "worst", *["add"] * 5)


def chain_figures(
    made: ChainMetal, *, groups: int, parallel: int, by_cell_k_per_w: Floats | None = None
) -> Floats:
    """METRICS of the first 1 … G groups of a chain; infinite where its conductors cannot be laid.

    Parameters
    ----------
    groups, parallel : int
        Of the chain.
    by_cell_k_per_w : ndarray, shape (groups, n), optional
        Rise of the hottest cell by a watt in each, see thermal.packed.Heating [K/W].

    Returns
    -------
    ndarray, shape (groups, len(METRICS))
        squares: resistance over that of a square of one layer [-]; dense: current per width of one layer of the
        densest section over the pack's [1/mm]; spread: largest drop of a cell's share, over r / (squares of one
        layer) [-]; metal and stock [mm²]; contour, and tabs or collectors [mm]; most layers on each other at a weld,
        and those under a joint to another layer, 0 without one; rise of the hottest cell over the box by the square of
        the pack's current, where a square of one layer has 1 ohm [K/W]; pieces and places welded, all layers counted,
        shapes of
        pieces and of plates that differ in more than place and turn, folds [-].
    """
    out = np.zeros((groups, len(METRICS)))
    able = laid_counts(made.faults, groups)
    enter: dict[int, Floats] = {}
    leave: dict[int, list[tuple[Site, Floats]]] = {}
    for site, metal in zip(made.sites, made.metals, strict=True):
        span = slice(site.first - 1, site.last)
        if metal is None or not able[site.first : site.last + 1].any():
            continue
        each = figures(metal, site.positive)
        sums = (each.squares, each.metal_mm2, each.bought_mm2, each.cut_mm, each.second_mm)
        out[span, 0] += sums[0]
        out[span, 1] = np.maximum(out[span, 1], max(each.dense_per_mm, each.bar_per_mm))
        out[span, 3:7] += np.array(sums[1:])
        if site.kind != "exit":
            enter[site.group + (site.kind == SERIES)] = each.potential[~site.positive]
        if site.kind != "entry":
            leave.setdefault(site.group, []).append((site, each.potential[site.positive]))
    out[:, 1] = np.maximum(out[:, 1], tab_per_mm(made.way, parallel=parallel))
    for joint in made.joints:
        out[joint.first - 1 :, : len(ELECTRIC)] += _joined(joint, made.way.layers)
        dense = 1.0 / (joint.width_mm * made.way.layers)
        out[joint.first - 1 :, 1] = np.maximum(out[joint.first - 1 :, 1], dense)
    for group, ways in leave.items():
        for site, ahead in ways:
            if group in enter:
                drop = enter[group] - ahead
                worst = parallel * float((drop - drop.mean()).max())
                span = slice(site.first - 1, site.last)
                out[span, 2] = np.maximum(out[span, 2], worst)
    out[:, METRICS.index(HEIGHT[0]) : METRICS.index(HEIGHT[-1]) + 1] = _heights(made, groups)
    if by_cell_k_per_w is not None:
        out[:, METRICS.index(WARM[0])] = _heated(made, by_cell_k_per_w, able)
    out[:, -len(WORK) :] = _work(made, groups)
    # What is cut and counted stays a number, so that no price of 0 meets infinity.
    out[~able[1:], :5] = np.inf
    return out


def _heated(made: ChainMetal, by_cell_k_per_w: Floats, able: Flags) -> Floats:
    """WARM of the first 1 … G groups, shape (G,): a plate warms the cells that it joins, all alike, a joint those of
    both its ends; plates that no number of groups has that can be laid are left out.
    """
    out = np.zeros(len(by_cell_k_per_w))
    for site, metal in zip(made.sites, made.metals, strict=True):
        if metal is not None and able[site.first : site.last + 1].any():
            span = slice(site.first - 1, site.last)
            out[span] += figures(metal, site.positive).squares * by_cell_k_per_w[span][:, site.cells].mean(axis=1)
    for joint in made.joints:
        cells = np.concatenate([joint.exit.cells, joint.entry.cells])
        squares = joint.length_mm / (joint.width_mm * made.way.layers)
        out[joint.first - 1 :] += squares * by_cell_k_per_w[joint.first - 1 :][:, cells].mean(axis=1)
    return out


def tab_per_mm(way: Way, *, parallel: int) -> float:
    """Of tabs on sheet, the current per width that one of the sheet stands for, over the pack's [1/mm]; 0 without.

    A cell's share leaves its tab on both sides.
    """
    return way.tab[1] / (2.0 * way.width_mm * parallel) if way.form == TABBED else 0.0


def _joined(joint: Joint, layers: int) -> Floats:
    """ELECTRIC that a joint adds, but for its density."""
    area = sum(joint.lengths_mm) * joint.width_mm * layers
    contour = 2.0 * (sum(joint.lengths_mm) + joint.width_mm * len(joint.lengths_mm)) * layers
    squares = joint.length_mm / (joint.width_mm * layers)
    return np.array([squares, 0.0, 0.0, area, area, contour, 0.0])


def stacked_layers(metal: Metal) -> int:
    """Most layers of a plate that lie on each other at a weld, tabs not counted; pieces cross nowhere else."""
    if any(p.is_tab for p in metal.pieces):
        return max(p.layers for p in metal.pieces if not p.is_tab)
    welds = np.concatenate([p.welds for p in metal.pieces])
    layers = np.repeat([p.layers for p in metal.pieces], [len(p.welds) for p in metal.pieces])
    return int(np.bincount(welds, weights=layers, minlength=1).max())


def _heights(made: ChainMetal, groups: int) -> Floats:
    """HEIGHT of the first 1 … G groups, shape (G, len(HEIGHT))."""
    out = np.zeros((groups, len(HEIGHT)))
    for site, metal in zip(made.sites, made.metals, strict=True):
        if metal is not None:
            span = slice(site.first - 1, site.last)
            out[span, 0] = np.maximum(out[span, 0], stacked_layers(metal))
    first = min((joint.first for joint in made.joints), default=groups + 1)
    out[first - 1 :, 1] = out[first - 1 :, 0]
    return out


def _work(made: ChainMetal, groups: int) -> Floats:
    """WORK of the first 1 … G groups, shape (G, len(WORK))."""
    out = np.zeros((groups, len(WORK)))
    plates = [_shapes(metal) if metal is not None else None for metal in made.metals]
    for g in range(1, groups + 1):
        here = [plates[k] for k in made.present(g)]
        known = [one for one in here if one is not None]
        joints = [joint for joint in made.joints if joint.first <= g]
        kinds = {key for one in known for key in one.pieces}
        kinds |= {("joint", joint.width_mm, length) for joint in joints for length in joint.lengths_mm}
        out[g - 1] = (
            sum(one.count for one in known) + made.way.layers * sum(len(joint.lengths_mm) for joint in joints),
            len(kinds),
            len({one.plate for one in known}) + len({joint.lengths_mm for joint in joints}),
            sum(one.welds for one in known),
            sum(joint.folds for joint in joints),
        )
    return out


@dataclass(frozen=True)
class _Shapes:
    """What tells plates apart for whoever cuts them: equal for moved, turned and turned-over copies."""

    plate: bytes
    pieces: frozenset[tuple[object, ...]]
    count: int
    welds: int


def _shapes(metal: Metal) -> _Shapes:
    joints = () if metal.bar is None else metal.bar.joints_mm
    keys = frozenset(
        (round(p.width_mm, 2), round(p.length_mm, 2), p.is_tab, shape_key(np.concatenate(p.contours_mm)))
        for p in metal.drawn
    )  # fmt: skip
    return _Shapes(
        shape_key(np.concatenate([contour for p in metal.drawn for contour in p.contours_mm])),
        keys,
        sum(p.layers for p in metal.drawn),
        # A tab is joined to its sheet on both sides, too, and a collector to its plate.
        sum(p.layers * (len(p.welds) + 2 * p.is_tab) for p in metal.pieces) + len(joints),
    )


def shape_key(points_mm: Floats) -> bytes:
    """Equal for points that are a moved, turned or mirrored copy: their distances from the middle, to 0.2 mm."""
    middle = (points_mm.min(axis=0) + points_mm.max(axis=0)) / 2 if len(points_mm) < 3 else points_mm.mean(axis=0)
    far = np.sort(np.linalg.norm(points_mm - middle, axis=1))
    # Off any number that a length would round to, so that a hair does not tell equal shapes apart.
    return np.floor(far * 5.0 + 0.1371).astype(np.int64).tobytes()
