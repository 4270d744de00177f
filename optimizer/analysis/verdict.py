"""The verdict on a front: one pick, two alternatives of another kind, and what it costs to switch, in figures.

`search`, `shortlist` and the page all read it, so that they recommend the same pack.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from optimizer.base.figures import FIGURES
from optimizer.front.ranking import pick_different

if TYPE_CHECKING:
    import pandas as pd

Row = Mapping[str, Any]

# Figures that a switch between packs is told in, beside the objectives: what a rider notices.
TOLD = ("charge_min",)
# Changes below this part of the pick's own figure are not told [-].
SMALL = 0.01

METHOD_WORDS = {
    "topsis": "by closeness to the ideal pack and distance from the worst (TOPSIS)",
    "weighted_sum": "by the weighted mean of the losses against the best of each objective",
    "knee": "by how far each pack bulges from the plane through the best of each objective",
}


@dataclass(frozen=True)
class Change:
    """One figure that differs between the pick and an alternative.

    Parameters
    ----------
    figure : str
        Name in the table of figures, or "boxes".
    amount : float
        Alternative less pick, in the figure's unit.
    better : bool
        Whether the alternative is better in it.
    """

    figure: str
    amount: float
    better: bool


@dataclass(frozen=True, eq=False)
class Alternative:
    """Another pack worth a look, and what it costs to switch to it."""

    row: Row
    name: str
    changes: tuple[Change, ...]


@dataclass(frozen=True, eq=False)
class Verdict:
    """What to look at first.

    Parameters
    ----------
    row : mapping
        The picked row of the front, with rank and merit.
    name : str
        Such as "20S4P amber-21700-e50 · #2", see `pack_names`.
    weakest : (str, float) or None
        The constraint that holds by the least part of its bound, and that part [-].
    alternatives : tuple of Alternative
        At most two, of another cell, count or sharing-out than the pick and each other.
    method : str
        How the front was ranked.
    weights : mapping or None
        Of the objectives; None when all weigh alike.
    """

    row: Row
    name: str
    weakest: tuple[str, float] | None
    alternatives: tuple[Alternative, ...]
    method: str
    weights: Mapping[str, float] | None

    def ranked_by(self) -> str:
        """One sentence that says how the front was ranked."""
        if self.weights is None:
            how = "all objectives weigh alike"
        else:
            how = ", ".join(f"{FIGURES[name].label} × {value:g}" for name, value in self.weights.items())
        return f"Ranked {METHOD_WORDS[self.method]}; {how}."


def pack_names(front: pd.DataFrame) -> dict[str, str]:
    """A name that people can say for every design_id, such as "20S4P amber-21700-e50 · #2".

    The number counts the packs of the same cell and counts in the front's order; a pack alone has none.
    """
    packs = [
        f"{s}S{p}P {cell}" for s, p, cell in zip(front["series"], front["parallel"], front["cell_id"], strict=True)
    ]
    seen: dict[str, int] = {}
    total = {pack: packs.count(pack) for pack in set(packs)}
    found = {}
    for design, pack in zip(front["design_id"].astype(str), packs, strict=True):
        seen[pack] = seen.get(pack, 0) + 1
        found[design] = f"{pack} · #{seen[pack]}" if total[pack] > 1 else pack
    return found


def groups_of(row: Row) -> dict[str, int]:
    """Groups in each compartment that holds any, from a split; names may hold blanks.

    >>> groups_of({"split": "rear box:14 stem:0 deck:6"})
    {'rear box': 14, 'deck': 6}
    """
    pairs = re.findall(r"(\S.*?):(\d+)(?=\s|$)", str(row.get("split", "")))
    return {name: int(groups) for name, groups in pairs if int(groups)}


def _boxes(row: Row) -> set[str]:
    """Compartments that hold groups, all zones of one counted once."""
    return {re.sub(r" zone [23]$", "", name) for name in groups_of(row)}


def changes(pick: Row, other: Row, *, objectives: Sequence[str]) -> tuple[Change, ...]:
    """What differs between two packs: gains first, then what they cost, each in the order of the objectives.

    Figures that differ by less than SMALL of the pick's are left out.
    """
    found = []
    for name in dict.fromkeys((*objectives, *TOLD)):
        here, there = pick.get(name), other.get(name)
        if here is None or there is None or here != here or there != there:
            continue
        amount = float(there) - float(here)
        if abs(amount) > SMALL * abs(float(here)):
            found.append(Change(name, amount, (amount > 0) == bool(FIGURES[name].more_is_better)))
    boxes = len(_boxes(other)) - len(_boxes(pick))
    if boxes:
        found.append(Change("boxes", float(boxes), boxes < 0))
    return tuple(sorted(found, key=lambda change: not change.better))


def weakest_margin(row: Row, *, constraints: Mapping[str, float | None]) -> tuple[str, float] | None:
    """The constraint of a row that holds by the least part of its bound, and that part [-]; bounds of 0 pass."""
    parts = {
        name: float(row[f"margin_{name}"]) / abs(bound)
        for name, bound in constraints.items()
        if bound and f"margin_{name}" in row
    }
    return min(parts.items(), key=lambda item: item[1]) if parts else None


def verdict(
    front: pd.DataFrame,
    *,
    objectives: Sequence[str],
    constraints: Mapping[str, float | None],
    method: str = "topsis",
    weights: Mapping[str, float] | None = None,
) -> Verdict | None:
    """One pick and two alternatives of a front, by a key of front.ranking.METHODS; None for an empty front."""
    picked = pick_different(front, 3, objectives=objectives, method=method, weights=weights)
    if not len(picked):
        return None
    names = pack_names(front)
    rows = [{str(key): value for key, value in row.items()} for row in picked.to_dict("records")]
    first = rows[0]
    others = tuple(
        Alternative(row, names[str(row["design_id"])], changes(first, row, objectives=objectives)) for row in rows[1:]
    )
    weak = weakest_margin(first, constraints=constraints)
    return Verdict(first, names[str(first["design_id"])], weak, others, method, weights)
