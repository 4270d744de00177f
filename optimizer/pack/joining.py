"""Which method joins a stock to a cell's terminals, of those that the builder has."""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from optimizer.base.arrays import Floats
from optimizer.brief import Brief, JoiningRules
from optimizer.catalog.types import Strips

SPOT, LASER, ULTRASONIC, BOLT, SOLDER = "spot", "laser", "ultrasonic", "bolt", "solder"


#: Material of the tabs that are welded in place of the sheet that carries.
TAB = "nickel"

METHODS = {
    SPOT: "resistance spot welder",
    LASER: "laser",
    ULTRASONIC: "ultrasonic welder",
    BOLT: "bolts",
    SOLDER: "soldering iron",
}


@dataclass(frozen=True)
class Rule:
    """Up to which thickness a method joins a material.

    Parameters
    ----------
    steel_mm, stud_mm : float
        To the nickel-plated steel of a round cell, and to the stud or tab of a block; 0: not at all [mm].
    top : bool
        Whether a top of steel or nickel must lie on it, in which the heat arises.
    plate_mm : float
        To a plate that lies on no cell: collectors; 0: not at all [mm].
    """

    method: str
    material: str
    steel_mm: float
    stud_mm: float
    top: bool = False
    plate_mm: float = 0.0


# Common practice, no published source: a resistance spot welder makes its heat in the strip, which takes a material
# that resists; one of small energy manages nickel to 0.2 mm, one of large energy to 0.3 mm. Copper leads the heat away
# and is welded through a top of steel or nickel, aluminium on steel not at all. Blocks have studs and threaded
# terminals, or tabs that are welded with ultrasound.
SMALL = (
    Rule(SPOT, "nickel", 0.2, 0.0),
    Rule(SPOT, "nickel_plated_steel", 0.2, 0.0),
    Rule(SPOT, "copper", 0.1, 0.0, top=True),
)
LARGE = (
    Rule(SPOT, "nickel", 0.3, 0.0),
    Rule(SPOT, "nickel_plated_steel", 0.3, 0.0),
    Rule(SPOT, "copper", 0.2, 0.0, top=True),
)
OTHERS = (
    Rule(LASER, "nickel", 0.5, 0.5),
    Rule(LASER, "nickel_plated_steel", 0.5, 0.5),
    Rule(LASER, "copper", 0.3, 0.5),
    Rule(LASER, "aluminium", 0.5, 2.0),
    Rule(ULTRASONIC, "copper", 0.0, 0.5),
    Rule(ULTRASONIC, "aluminium", 0.0, 1.0),
    Rule(ULTRASONIC, "nickel", 0.0, 0.3),
    Rule(BOLT, "copper", 0.0, 10.0),
    Rule(BOLT, "aluminium", 0.0, 10.0),
    Rule(BOLT, "nickel", 0.0, 10.0),
    Rule(BOLT, "nickel_plated_steel", 0.0, 10.0),
    # Away from the cells, with solder that wets both; aluminium takes none.
    *(Rule(SOLDER, material, 0.0, 0.0, plate_mm=3.0) for material in ("copper", "nickel", "nickel_plated_steel")),
)


class BillPart(NamedTuple):
    """Parts of a kind: item of the bill, how many, mass [g] and price of one."""

    item: str
    pieces: Floats
    mass_g: float
    price: float


def rules_for(rules: JoiningRules) -> tuple[Rule, ...]:
    """What each method at hand joins, the first one named first."""
    known = (*(SMALL if rules.spot_energy == "small" else LARGE), *OTHERS)
    return tuple(rule for method in rules.methods for rule in known if rule.method == method)


def method_for(strips: Strips, row: int, *, block: bool, rules: JoiningRules) -> Rule | None:
    """How a stock is joined to the cells.

    Parameters
    ----------
    row : int
        Of the table.
    block : bool
        Whether the cells are blocks with studs or tabs, and not round ones of steel.

    Returns
    -------
    Rule or None
        The first method at hand that does; None where none does. A stock that names its methods in the column
        `joined_by` is joined by these alone, whatever its thickness. Only blocks are bolted, where there is room; they
        take no collector, but a further layer under the same bolts. Nothing is soldered to a cell.
    """
    material, thick = str(strips.material[row]), float(strips.thickness_mm[row])
    bar = strips.collector_mm[row] > 0
    if bar and (block or collector_rule(strips, row, rules) is None):
        return None
    if strips.form[row] == "tabbed":
        material, thick = TAB, float(strips.tab_mm[row])
    named = frozenset(filter(None, (word.strip() for word in str(strips.joined_by[row]).split(";"))))
    for rule in rules_for(rules):
        if rule.method == SOLDER or (rule.method == BOLT and not (block and rules.bolt_room is not False)):
            continue
        if named:
            if rule.method in named and rule.material == material:
                return rule
        elif rule.material == material and thick <= (rule.stud_mm if block else rule.steel_mm) + 1e-9:
            return rule
    return None


def collector_rule(strips: Strips, row: int, rules: JoiningRules) -> Rule | None:
    """How the collector of a stock is joined to its plates, before they come near a cell; None where no method does."""
    metal, thick = str(strips.collector_material[row]), float(strips.collector_mm[row])
    for rule in rules_for(rules):
        if rule.method == SOLDER and strips.material[row] == "aluminium":
            continue
        # What is welded through a top, or bolted, is a joint on a cell.
        able = rule.plate_mm or (0.0 if rule.top or rule.method == BOLT else max(rule.steel_mm, rule.stud_mm))
        if rule.material == metal and thick <= able + 1e-9:
            return rule
    return None


def is_bolted(strips: Strips, row: int, rules: JoiningRules) -> bool:
    """Whether a stock is bolted to blocks, as far as there is room."""
    rule = method_for(strips, row, block=True, rules=rules)
    return rule is not None and rule.method == BOLT


def with_bolt_room(brief: Brief, strips: Strips | None, rows: npt.NDArray[np.int64]) -> Brief:
    """A brief that says whether blocks keep room for bolts: left open, where a stock of the rows is bolted."""
    rules = brief.joining
    if rules.bolt_room is not None or strips is None:
        return brief
    room = any(is_bolted(strips, int(row), rules) for row in rows)
    return brief.model_copy(update={"joining": rules.model_copy(update={"bolt_room": room})})


def tops(rules: JoiningRules, *, cells: npt.ArrayLike) -> BillPart:
    """Tops of steel or nickel through which thin copper is welded, one on each terminal, two for each cell [-]."""
    return BillPart("weld top", 2.0 * np.asarray(cells), rules.top_g, rules.top_price)


def bolted_parts(
    rules: JoiningRules, *, cells: npt.ArrayLike, leads: npt.ArrayLike, modules: npt.ArrayLike
) -> tuple[BillPart, BillPart]:
    """Fasteners and ring lugs of a pack whose cells are bolted.

    A fastener for each terminal, two for each cell, whatever lies under it in layers; a lug for each balance lead, and
    one for each of the two ends of a case's chain, where a power wire begins.

    Parameters
    ----------
    cells, leads, modules : int or ndarray
        Cells, balance leads and cases of the pack [-].
    """
    screws, lugs = 2.0 * np.asarray(cells), np.asarray(leads) + 2.0 * np.asarray(modules)
    return (
        BillPart("terminal fastener", screws, rules.fastener_g, rules.fastener_price),
        BillPart("ring lug", lugs, rules.lug_g, rules.lug_price),
    )
