"""Ways to build what stands between the cells and the controller, reduced before they multiply.

Strips, wires, BMS, fuses, cases and layouts act on a pack only through a few numbers. One option is a row of
those numbers, each so signed that less is never worse; an option that another one equals or beats in every
number can be left out without losing any row of the front, because the score is monotone in each of them
(tests/search/test_monotone.py asserts that, column by column; `unproven` in base.figures names the exceptions).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from numba.extending import register_jitable

from optimizer.base.arrays import Floats, Ints
from optimizer.base.kernels import kernel
from optimizer.front.dominance import unbeaten
from optimizer.front.pareto import nondominated
from optimizer.pack.bill import Line

# How two parts of one option combine, column by column: resistances, masses, costs and lengths add up; of
# current limits (kept negative, so that less is better) the tighter one holds; so does the worse factor.
ADD, WORST = "add", "worst"
COLUMNS: dict[str, str] = {
    "resistance_ohm": ADD,
    "mass_kg": ADD,
    "cost": ADD,
    "power_wire_mm": ADD,
    "neg_peak_a": WORST,
    "neg_continuous_a": WORST,
    "neg_charge_a": WORST,
    "neg_ride_a": WORST,
    "neg_regen_a": WORST,
    "spread_ohm": WORST,
    "hot_rise_k_per_w": WORST,
    "ride_rise_k_per_w": WORST,
    "hot_sun_rise_k_per_w": WORST,
    "ride_sun_rise_k_per_w": WORST,
    "box_k_per_w": WORST,
    "plates_k_per_a2": WORST,
    "filler_j_k": ADD,
    # Work of building: filled in where the brief asks for one of them, else 0, so that they tell nothing apart.
    "pieces": ADD,
    "distinct_pieces": ADD,
    "distinct_plates": ADD,
    "welds": ADD,
    "folds": ADD,
    "build_min": ADD,
}
INDEX = {name: k for k, name in enumerate(COLUMNS)}
_WORST = np.array([rule == WORST for rule in COLUMNS.values()])
NEUTRAL = np.where(_WORST, -np.inf, 0.0)

# From so many options on a tree is quicker than comparing all pairs.
LONG = 1000


@dataclass(frozen=True, eq=False)
class Options:
    """Rows of the COLUMNS numbers with the choices behind them.

    Parameters
    ----------
    values : ndarray, shape (n, len(COLUMNS))
    picks : ndarray of int, shape (n, k)
        One column per choice made so far, an index into the list the choice was made from.
    """

    values: Floats
    picks: Ints

    def __len__(self) -> int:
        return len(self.values)

    def take(self, rows: Ints | Sequence[int]) -> Options:
        """Some of the rows."""
        return Options(self.values[rows], self.picks[rows])

    def column(self, name: str) -> Floats:
        """One of COLUMNS, shape (n,)."""
        out: Floats = self.values[:, INDEX[name]]
        return out


def options(count: int, **columns: npt.ArrayLike) -> Options:
    """Options of one choice: the columns given, the others neutral, the pick being the row's number.

    Raises
    ------
    KeyError
        If a column is not one of COLUMNS.
    """
    # Column by column, which lie together in memory, and turned once.
    values = np.empty((len(COLUMNS), count))
    for name, neutral in zip(COLUMNS, NEUTRAL, strict=True):
        values[INDEX[name]] = columns.pop(name, neutral)
    if columns:
        raise KeyError(", ".join(columns))
    return Options(np.ascontiguousarray(values.T), np.arange(count, dtype=np.int64)[:, None])


def of_line(line: Line, count: int, **columns: npt.ArrayLike) -> Options:
    """As `options`, with resistance, mass and cost of a part."""
    return options(count, resistance_ohm=line.ohm, mass_kg=line.mass_kg, cost=line.cost, **columns)


def combine(left: Options, right: Options) -> Options:
    """Every option of one choice with every option of the other, left-major.

    Parameters
    ----------
    left, right : Options, n and m rows

    Returns
    -------
    Options, n·m rows
    """
    a = np.repeat(left.values, len(right), axis=0)
    b = np.tile(right.values, (len(left), 1))
    values = np.where(_WORST, np.maximum(a, b), a + b)
    picks = np.hstack([np.repeat(left.picks, len(right), axis=0), np.tile(right.picks, (len(left), 1))])
    return Options(values, picks)


def reduce(choice: Options, *, equal_mass: bool = False, also: npt.NDArray[np.generic] | None = None) -> Options:
    """Only the options that no other one equals or beats in every column; of equal ones the first.

    Parameters
    ----------
    equal_mass : bool
        Let an option be beaten by one of the same mass only: for rides on which mass may help.
    also : ndarray, shape (n, k), optional
        Further columns in which an option must not be worse than what it beats.
    """
    values = np.where(np.isinf(choice.values), -1e300, choice.values)
    if also is not None:
        values = np.column_stack([values, also])
    keep = np.ones(len(values), dtype=bool)
    rows = np.arange(len(values))
    if equal_mass:
        # Where all masses differ, as they mostly do, nothing needs comparing.
        _, kind, count = np.unique(values[:, INDEX["mass_kg"]], return_inverse=True, return_counts=True)
        rows = np.flatnonzero(count[kind.ravel()] > 1)
        values = np.column_stack([values, -values[:, INDEX["mass_kg"]]])[rows]
    # A column in which all are equal tells none apart.
    telling = np.ptp(values, axis=0) > 0 if len(values) else np.ones(values.shape[1], dtype=bool)
    values = values[:, telling] if telling.any() else values[:, :1]
    keep[rows] = unbeaten(values) if len(values) > LONG else nondominated(values)
    return Options(choice.values[keep], choice.picks[keep])


def bunched(choice: Options, *, size: int) -> Options:
    """The same options in an order in which `size` neighbours are alike.

    Halved along the widest column again and again, so that the best of each number in a bunch is not far from
    its members.
    """
    if not len(choice):
        return choice
    finite = np.where(np.isinf(choice.values), 0.0, choice.values)
    spread = np.ptp(finite, axis=0)
    order = _bunched(finite / np.where(spread > 0, spread, 1.0), size)
    return Options(choice.values[order], choice.picks[order])


@kernel(rows=5_000)
def _bunched(scaled: Floats, size: int) -> Ints:
    """Order of the rows; cuts fall on multiples of the size, so that bunches don't straddle them."""
    n, d = scaled.shape
    order, spare = np.empty(n, np.int64), np.empty(n, np.int64)
    starts, ends = np.zeros(n + 1, np.int64), np.zeros(n + 1, np.int64)
    for row in range(n):
        order[row] = row
    ends[0], waiting = n, 1
    while waiting > 0:
        waiting -= 1
        start, end = starts[waiting], ends[waiting]
        if end - start <= size:
            continue
        widest, most = 0, -1.0
        for k in range(d):
            low = high = scaled[order[start], k]
            for row in range(start + 1, end):
                low, high = min(low, scaled[order[row], k]), max(high, scaled[order[row], k])
            if high - low > most:
                widest, most = k, high - low
        _sort(scaled, widest, order, spare, start, end)
        middle = start + max(1, round((end - start) / 2 / size)) * size
        starts[waiting], ends[waiting] = start, middle
        starts[waiting + 1], ends[waiting + 1] = middle, end
        waiting += 2
    return order


@register_jitable
def _sort(scaled: Floats, column: int, order: Ints, spare: Ints, start: int, end: int) -> None:
    """Sort a stretch of the order by a column, equal rows as they stood; NumPy's own takes seconds to compile."""
    width = 1
    while width < end - start:
        for left in range(start, end, 2 * width):
            middle, right = min(left + width, end), min(left + 2 * width, end)
            a, b = left, middle
            for place in range(left, right):
                if a < middle and (b >= right or scaled[order[a], column] <= scaled[order[b], column]):
                    spare[place] = order[a]
                    a += 1
                else:
                    spare[place] = order[b]
                    b += 1
        for place in range(start, end):
            order[place] = spare[place]
        width *= 2


def joined(values: Floats, row: Floats) -> Floats:
    """Every row of values with the one row, or each with its own, as `combine` would join them.

    Parameters
    ----------
    values : ndarray, shape (n, len(COLUMNS))
    row : ndarray, shape (len(COLUMNS),) or (n, len(COLUMNS))
    """
    out: Floats = np.where(_WORST, np.maximum(values, row), values + row)
    return out


def capped(choice: Options, **limits: float) -> Options:
    """Options whose current limits are no larger than anything else in the pack could use.

    A wire for 200 A is worth no more than one for 90 A behind a controller that draws 80 A; saying so here
    lets the lighter one win. The part's real rating is looked up again for whatever is reported.

    Parameters
    ----------
    limits : float
        Column name (neg_peak_a …) to the largest useful current [A].
    """
    values = choice.values.copy()
    for name, most in limits.items():
        column = INDEX[name]
        values[:, column] = np.maximum(values[:, column], -most)
    return Options(values, choice.picks)


def wired(
    choice: Options, wire: Options, *, ohm_per_mm: Floats, kg_per_mm: Floats, cost_per_mm: Floats
) -> Options:
    """Combine with wires, whose resistance, mass and cost grow with the length each option needs.

    Parameters
    ----------
    choice : Options, n rows
    wire : Options, w rows
    ohm_per_mm, kg_per_mm, cost_per_mm : ndarray, shape (w,)
    """
    both = combine(choice, wire)
    length = both.column("power_wire_mm")
    pick = np.tile(np.arange(len(wire)), len(choice))
    values = both.values.copy()
    values[:, INDEX["resistance_ohm"]] += length * ohm_per_mm[pick]
    values[:, INDEX["mass_kg"]] += length * kg_per_mm[pick]
    values[:, INDEX["cost"]] += length * cost_per_mm[pick]
    # From here on the length has had its effect and must not keep options apart.
    values[:, INDEX["power_wire_mm"]] = 0.0
    return Options(values, both.picks)


def ideal(parts: Sequence[Options]) -> Floats:
    """A row that no option of the parts' product beats in any column; it need not exist.

    Parameters
    ----------
    parts : sequence of Options, each with at least one row

    Returns
    -------
    ndarray, shape (len(COLUMNS),)
    """
    row = NEUTRAL.copy()
    for part in parts:
        best = part.values.min(axis=0)
        row = np.where(_WORST, np.maximum(row, best), row + best)
    return row
