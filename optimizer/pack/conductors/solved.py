"""Figures of one plate's metal: resistance, unevenness, densest section, area; before any thickness."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import lru_cache
from typing import Any

import numpy as np
import shapely
from scipy.spatial.distance import pdist

from optimizer.base.arrays import Flags, Floats, Keyed
from optimizer.pack.conductors.collector import joined
from optimizer.pack.conductors.field import STEP_MM, WELD_MM, Field, solve_field
from optimizer.pack.conductors.pieces import Metal, Piece

# Points of a section at which the current is taken, and the distance over which it is [mm].
_SAMPLES = (np.arange(9) - 4.0) / 9.0
_APART_MM = 0.8
# Strips that cross at many angles, and slots that slant: a grid of 2 mm, which no edge follows, is 4 to 6 % low there.
FINE_STEP_MM = 1.25
# Tabs over windows: on coarser grids the gap that a tab bridges conducts like the sheet beside it.
TABBED_STEP_MM = 0.6
# Welds and leads nearer than this, as on a cell alone or on tabs of pouches: the edges of their discs count, on coarser
# grids resistance is 4 to 28 % too high.
NEAR_MM, NEAR_STEP_MM, NEAR_DISC_MM = 5.6, 0.4, 1.42


@dataclass(frozen=True, eq=False)
class Figures:
    """What one plate comes to in metal of unit resistance per square (of one layer).

    Parameters
    ----------
    squares : float
        Heat over the square of the current when each cell of a group carries an equal share [squares].
    potential : ndarray, shape (m,)
        Of the cells' welds at 1 A and equal shares [squares].
    dense_per_mm : float
        Mean current over the width of one layer in the worst section, at 1 A [A/mm per A].
    metal_mm2 : float
        Area of all layers [mm²].
    bought_mm2 : float
        Area of the stock that goes into it: strip as cut, sheet by the rectangle around the plate [mm²].
    cut_mm, second_mm : float
        Length of contour, and of tabs or a collector of another metal, which count in none of the areas [mm].
    pieces : int
        All layers counted.
    bar_per_mm : float
        As dense_per_mm, of a collector's current: where one layer of the plate would bear as much; 0 without one.
    """

    squares: float
    potential: Floats
    dense_per_mm: float
    metal_mm2: float
    bought_mm2: float
    cut_mm: float
    second_mm: float
    pieces: int
    bar_per_mm: float = 0.0


def fed(positive: Flags, taps: int) -> Floats:
    """Currents into the joints at 1 A: equal ones from positive ends, into negative ends, by the taps the rest."""
    up, down = max(int(positive.sum()), 1), max(int((~positive).sum()), 1)
    cells = np.where(positive, 1.0 / up, -1.0 / down)
    return np.concatenate([cells, np.full(taps, -cells.sum() / max(taps, 1))])


def shares(impedance_ohm: Floats, positive: Flags, taps: int, *, cell_ohm: float) -> Floats:
    """Currents into the joints at 1 A when each cell feeds the plate through its own resistance.

    The far ends of the cells of a group lie at one potential: (Z + r) i = λ over each group, Σ i = ±1.

    Parameters
    ----------
    impedance_ohm : ndarray, shape (m, m)
        Of the plate's joints, welds before taps [ohm].
    positive : ndarray of bool
        Of the welds.
    cell_ohm : float
        Above 0 [ohm].

    Returns
    -------
    ndarray, shape (m,)
        [A]
    """
    count, even = len(positive), fed(positive, taps)
    kinds = [flags for flags in (positive, ~positive) if flags.any()]
    size = count + len(kinds)
    matrix, right = np.zeros((size, size)), np.zeros(size)
    matrix[:count, :count] = impedance_ohm[:count, :count] + cell_ohm * np.eye(count)
    right[:count] = -impedance_ohm[:count, count:] @ even[count:]
    for k, flags in enumerate(kinds):
        matrix[:count, count + k] = -flags.astype(float)
        matrix[count + k, :count] = flags
        right[count + k] = even[:count][flags].sum()
    solved = np.linalg.solve(matrix, right)
    return np.concatenate([solved[:count], even[count:]])


def field_of(metal: Metal) -> Field:
    """The plate's field, joints in the order welds, taps."""
    return fields_of(metal)[0]


def fields_of(metal: Metal, currents: Floats | None = None) -> tuple[Field, Field | None]:
    """The fields of the plate and of its collector, if any, joints in the order welds, taps.

    Parameters
    ----------
    currents : ndarray, shape (m, c), optional
        Into the joints of a plate without a collector, see solve_field [A].
    """
    outlines, bar = [piece.outline_mm for piece in metal.pieces], metal.bar
    slotted = any(piece.slots_mm for piece in metal.pieces)
    step = FINE_STEP_MM if slotted or _directions(outlines) > 2 else STEP_MM
    joints = np.concatenate([metal.weld_mm, metal.tap_mm if bar is None else bar.joints_mm])
    grid: dict[str, Any] = {"step_mm": TABBED_STEP_MM if any(piece.is_tab for piece in metal.pieces) else step}
    if pdist(joints).min(initial=np.inf) < NEAR_MM:
        grid = {"step_mm": NEAR_STEP_MM, "disc_mm": NEAR_DISC_MM}
    if bar is None:
        return _solved(metal.pieces, joints, metal.weld_mm, currents, **grid), None
    plate = _solved(metal.pieces, joints, metal.weld_mm, **grid)
    own = _solved([replace(bar.piece, conduct=1.0)], bar.joints_mm, metal.weld_mm, step_mm=TABBED_STEP_MM)
    return joined(plate, own, welds=len(metal.weld_mm), lead=bar.lead, conduct=bar.piece.conduct)


def _solved(
    pieces: Sequence[Piece], joints_mm: Floats, weld_mm: Floats, currents: Floats | None = None, **grid: Any
) -> Field:
    """The field of pieces on each other; what is cut out takes away what its piece adds."""
    cut = [
        (contour, sign * piece.layers * piece.conduct)
        for piece in pieces
        for sign, contours in ((1.0, (piece.outline_mm,)), (-1.0, piece.windows_mm), (-1.0, _open(piece, weld_mm)))
        for contour in contours
    ]
    return solve_field(
        [contour for contour, _ in cut], layers=[layers for _, layers in cut], joints_mm=joints_mm,
        currents=currents, **grid,
    )  # fmt: skip


def _open(piece: Piece, weld_mm: Floats) -> list[Floats]:
    """What parts the metal of its slots: beside the welds, since both spots of a weld are on one terminal."""
    if not piece.slots_mm:
        return []
    discs = shapely.union_all(shapely.buffer(shapely.points(weld_mm), WELD_MM / 2))
    left = shapely.difference(shapely.polygons(np.array(piece.slots_mm)), discs)
    return [np.asarray(part.exterior.coords)[:-1] for part in shapely.get_parts(left) if part.area > 1e-6]


def _directions(outlines: Sequence[Floats]) -> int:
    """In how many directions strips lie, to half a degree; 0 for a sheet."""
    along = np.array([outline[1] - outline[0] for outline in outlines if len(outline) == 4]).reshape(-1, 2)
    return len(np.unique(np.round(np.degrees(np.arctan2(along[:, 1], along[:, 0])) * 2.0) % 360.0))


def figures_of(metal: Metal, positive: Flags) -> Figures:
    """Solve a plate.

    Parameters
    ----------
    positive : ndarray of bool, shape (m,)
        Which of the site's ends are positive.
    """
    feed, bar = fed(positive, len(metal.tap_mm)), metal.bar
    # Without a collector only what flows is solved: a tenth of the work of all joints one by one.
    field, over = fields_of(metal, feed[:, None])
    # With one it is fed at its joints, the lead last.
    flow = np.ones(1) if bar is None else feed
    at_joints = field.impedance @ flow
    plate = [piece for piece in metal.pieces if not piece.is_tab]
    shapes = [piece.shape for piece in plate]
    area = np.array([shape.area * piece.layers for shape, piece in zip(shapes, plate, strict=True)])
    return Figures(
        squares=float(feed @ at_joints),
        potential=at_joints[: len(positive)],
        dense_per_mm=worst_density(field, field.potential @ flow, metal.sections),
        metal_mm2=float(area.sum()),
        bought_mm2=float(sum(p.width_mm * p.length_mm * p.layers for p in plate)),
        cut_mm=float(sum(shape.length * p.layers for shape, p in zip(shapes, plate, strict=True))),
        second_mm=float(sum(p.length_mm * p.layers for p in metal.drawn if p not in plate)),
        pieces=int(sum(p.layers for p in metal.drawn)),
        bar_per_mm=0.0 if bar is None or over is None
        else bar.dense * worst_density(over, over.potential @ feed, bar.sections),
    )


def figures(metal: Metal, positive: Flags) -> Figures:
    """As figures_of, each shape of plate solved once, as it stands at home: what came before makes no difference."""
    return solved(Keyed(metal.key + b"|" + positive.tobytes(), (metal.home, positive)))


@lru_cache(maxsize=50_000)
def solved(plate: Keyed[tuple[Metal, Flags]]) -> Figures:
    """Figures of a plate at home, known by its shape."""
    return figures_of(*plate.value)


def worst_density(field: Field, potential: Floats, sections: tuple[Floats, ...]) -> float:
    """Mean current over the width of one layer in the densest section [A/mm].

    Mean over the section of the slope of the potential square to it.

    Parameters
    ----------
    potential : ndarray, shape (n,)
        Of each node [squares].
    sections : tuple of ndarray, shape (2, 2)
        [mm]
    """
    if not sections:
        return 0.0
    cuts = np.array(sections)
    along = cuts[:, 1] - cuts[:, 0]
    length = np.hypot(*along.T)[:, None]
    square = np.column_stack([-along[:, 1], along[:, 0]]) / length
    middle = cuts.mean(axis=1)
    points = middle[:, None, :] + _SAMPLES[None, :, None] * along[:, None, :]
    step = _APART_MM / 2 * square[:, None, :]
    ahead, behind = _at(field, potential, np.stack([points + step, points - step]))
    slope = (ahead - behind) / _APART_MM
    there = np.isfinite(slope)
    mean = np.abs(np.where(there, slope, 0.0).sum(axis=1)) / np.maximum(there.sum(axis=1), 1)
    return float(mean.max())


def _at(field: Field, potential: Floats, points: Floats) -> Floats:
    """Potential at points, NaN off the metal."""
    flat = points.reshape(-1, 2)
    place, part = [], []
    for axis, lines in enumerate(field.lines):
        k = np.clip(np.searchsorted(lines, flat[:, axis], side="right") - 1, 0, len(lines) - 2)
        place.append(k)
        part.append(np.clip((flat[:, axis] - lines[k]) / (lines[k + 1] - lines[k]), 0.0, 1.0))
    (i, j), (x, y) = place, part
    total = np.zeros(len(flat))
    for di, dj, weight in ((0, 0, (1 - x) * (1 - y)), (1, 0, x * (1 - y)), (1, 1, x * y), (0, 1, (1 - x) * y)):
        node = field.node[i + di, j + dj]
        total += np.where(node >= 0, weight * potential[np.maximum(node, 0)], np.where(weight > 1e-9, np.nan, 0.0))
    return np.asarray(total.reshape(points.shape[:-1]))
