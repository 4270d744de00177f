"""The harness of one design, wire by wire, and its connectors."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike

from optimizer.base.arrays import Floats
from optimizer.pack.wiring.harness import Places, run_length, sensor_modules, taps

COLUMNS = (
    "from",
    "to",
    "purpose",
    "length_mm",
    "wire",
    "area_mm2",
    "resistance_mohm",
    "mass_g",
    "cost",
    "connector",
    "pins",
    "pin",
)


@dataclass(frozen=True)
class WireKind:
    """One row of a wire catalog.

    Parameters
    ----------
    id : str
    area_mm2, resistance_ohm_per_km, mass_g_per_m, price_per_m : float
        [mm²], [ohm/km], [g/m], [currency/m]
    """

    id: str
    area_mm2: float
    resistance_ohm_per_km: float
    mass_g_per_m: float
    price_per_m: float


@dataclass(frozen=True)
class _Module:
    """One case: compartment, number and groups there, as boundaries; groups of the pack before the compartment."""

    place: int
    number: int
    first: int
    last: int
    groups: int
    name: str
    before: int


def harness_table(
    split: Sequence[int],
    *,
    names: Sequence[str],
    places: Places,
    order: Sequence[int],
    bms: int,
    power: WireKind,
    lead: WireKind,
    sensors: int = 2,
    share_balance_leads: bool = False,
    slack_mm: float = 50.0,
    past_bms: bool = False,
) -> pd.DataFrame:
    """One row per wire of a pack; its sums equal the figures of `harness_block`.

    Parameters
    ----------
    split : sequence of int, length m
        Groups in each compartment.
    names : sequence of str, length m
        Of the compartments.
    places : Places
    order : sequence of int, length m
        Order in which the chain runs through the compartments, as `harness_block` chose it.
    bms : int
        Compartment of the BMS.
    power, lead : WireKind
        Wire of the pack current; wire of balance leads and sensors.
    sensors : int
        Temperature sensors in the pack.
    share_balance_leads : bool
        Whether modules of a compartment share the lead where they meet.
    slack_mm : float
        Added to every wire [mm].
    past_bms : bool
        Whether the discharge goes past the BMS: the negative wire ends at the pack's connector, which lies beside it.

    Returns
    -------
    DataFrame
        Columns COLUMNS: purpose is "power", "balance" or "sensor"; pins is 1 for a wire in a connector, 0
        for one that is bolted or welded; pin is its place there from 1, balance leads from the negative end
        first, 0 where there is no connector.

    Raises
    ------
    ValueError
        If the pack has no group.
    """
    chain = _modules(split, names, places, order)
    if not chain:
        raise ValueError("the pack has no group")
    rows = _power_rows(chain, places, bms, past_bms) + _balance_rows(chain, places, bms, share_balance_leads)
    rows += _sensor_rows(chain, places, bms, sensors)
    table = []
    taken: Counter[str] = Counter()
    for start, end, purpose, length, connector in rows:
        taken[connector] += 1
        kind = power if purpose == "power" else lead
        metres = (length + slack_mm) / 1000.0
        table.append(
            (
                start,
                end,
                purpose,
                length + slack_mm,
                kind.id,
                kind.area_mm2,
                metres * kind.resistance_ohm_per_km,
                metres * kind.mass_g_per_m,
                metres * kind.price_per_m,
                connector,
                int(bool(connector)),
                taken[connector] if connector else 0,
            )
        )
    return pd.DataFrame(table, columns=list(COLUMNS))


def connector_table(harness: pd.DataFrame) -> pd.DataFrame:
    """Connectors of a harness with their pins.

    Parameters
    ----------
    harness : DataFrame
        From `harness_table`.

    Returns
    -------
    DataFrame
        Columns connector, balance_leads, sensor_wires, pins; one row per connector, in chain order.
    """
    plugged = harness[harness["connector"] != ""]
    groups = plugged.groupby("connector", sort=False)["purpose"]
    return pd.DataFrame(
        [
            (name, int((purposes == "balance").sum()), int((purposes == "sensor").sum()), len(purposes))
            for name, purposes in groups
        ],
        columns=["connector", "balance_leads", "sensor_wires", "pins"],
    )


_Row = tuple[str, str, str, float, str]


def _modules(
    split: Sequence[int], names: Sequence[str], places: Places, order: Sequence[int]
) -> list[_Module]:
    """Cases with groups in them, along the chain."""
    chain: list[_Module] = []
    before = 0
    for place in order:
        groups = int(split[place])
        size = places.groups_per_module[place] or max(groups, 1)
        for number, first in enumerate(range(0, groups, size)):
            name = f"{names[place]} module {number + 1}" if groups > size else names[place]
            chain.append(_Module(place, number, first, min(first + size, groups), groups, name, before))
        before += groups
    return chain


def _at(places: Places, module: _Module, boundary: float) -> Floats:
    """Position of a group boundary of the module's compartment."""
    start, end = places.starts_mm[module.place], places.ends_mm[module.place]
    return np.asarray(start + boundary / module.groups * (end - start))


def _power_rows(chain: list[_Module], places: Places, bms: int, past_bms: bool) -> list[_Row]:
    site = places.bms_mm[bms]
    first, last = chain[0], chain[-1]
    to = "pack connector, past the BMS" if past_bms else "BMS"
    rows: list[_Row] = [(f"{first.name} −", to, "power", _run(places.starts_mm[first.place], site), "")]
    for one, two in pairwise(chain):
        if one.place == two.place:
            inside = _run(places.starts_mm[one.place], places.ends_mm[one.place])
            length = inside / sum(module.place == one.place for module in chain)
        else:
            length = _run(places.ends_mm[one.place], places.starts_mm[two.place])
        rows.append((f"{one.name} +", f"{two.name} −", "power", length, ""))
    end = _run(places.ends_mm[last.place], site)
    return [*rows, (f"{last.name} +", "pack connector at BMS", "power", end, "")]


def _balance_rows(chain: list[_Module], places: Places, bms: int, shared: bool) -> list[_Row]:
    rows: list[_Row] = []
    for module in chain:
        leads = taps(module.groups, per_module=places.groups_per_module[module.place], shared=shared)
        for number, boundary in leads:
            if number != module.number:
                continue
            group, pole = (boundary, "+") if boundary > module.first else (boundary + 1, "−")
            length = _run(_at(places, module, boundary), places.bms_mm[bms])
            # By the number through the pack, as on the drawings: a lead one group off destroys a BMS.
            start = f"{module.name} group {module.before + group} {pole}"
            rows.append((start, "BMS", "balance", length, module.name))
    return rows


def _sensor_rows(chain: list[_Module], places: Places, bms: int, sensors: int) -> list[_Row]:
    rows: list[_Row] = []
    for number, index in enumerate(sensor_modules(len(chain), sensors=sensors)):
        module = chain[int(index)]
        length = _run(_at(places, module, (module.first + module.last) / 2.0), places.bms_mm[bms])
        name = f"{module.name} sensor {number + 1}"
        rows += [(f"{name} wire {wire}", "BMS", "sensor", length, module.name) for wire in (1, 2)]
    return rows


def _run(start_mm: ArrayLike, end_mm: ArrayLike) -> float:
    return float(run_length(start_mm, end_mm=end_mm))
