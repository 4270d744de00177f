"""No charge goes back into a cell that is too cold to be charged."""

from dataclasses import replace

import numpy as np
import pytest

from optimizer import api
from optimizer.base.problems import BadInput
from optimizer.catalog import builtin_catalogs
from optimizer.score.cold import charge_part, least_charge_c
from optimizer.score.score import Block, score


def test_charging_stops_below_the_cells_own_limit():
    cells = api.load(builtin_catalogs() / "briefs" / "quick-36v.toml").inputs.cells
    rows = np.arange(4)
    none = np.full((len(cells), 1), np.nan)
    cells = replace(
        cells, chemistry=np.array(["NMC", "NMC", "LTO", "LTO"]), charge_temp_min_c=np.array([-80.0, 12.0, -80.0, 12.0]),
        charge_from_c=none, charge_c_rate=none,
    )  # fmt: skip
    assert charge_part(cells, rows, 10.0).tolist() == [0.4, 0.0, 1.0, 0.0]
    assert charge_part(cells, rows, -1.0).tolist() == [0.0, 0.0, 1.0, 0.0]
    assert least_charge_c(cells, 0) == 0.0 and least_charge_c(cells, 1) == 12.0


STEPS = "-5:0.05;0:0.1;15:0.5"


def with_limits(folder, text=STEPS, *, charge_c=25.0, ride_c=20.0, chargers=True):
    """The small brief over one cell of 2.9 Ah and 1.45 A, with charge_limits in its row."""
    source = builtin_catalogs()
    head, *rows = [line for line in (source / "cells.csv").read_text().splitlines() if not line.startswith("#")]
    row = next(line for line in rows if line.startswith("amber-18650-e29"))
    row = f"{row},{text}"
    (folder / "cells.csv").write_text(f"{head},charge_limits\n{row}\n")
    brief = (source / "briefs" / "quick-36v.toml").read_text()
    brief = brief.replace('"../cells.csv"', '"cells.csv"').replace('"../', f'"{source}/')
    brief = brief.replace('fuses.csv"', f'fuses.csv"\nchargers = "{source}/chargers.csv"') if chargers else brief
    brief = brief.replace("[electrical]", f"[electrical]\nregen_current_a = 20.0\ncharge_temp_c = {charge_c}")
    brief = brief.replace("[ride]", f"[ride]\ntemp_c = {ride_c}")
    brief = brief.replace('cells = ["amber-18650-*", "birch-18650-*", "amber-21700-*", "cinder-21700-*"]', "")
    path = folder / "brief.toml"
    path.write_text(brief)
    return api.load(path)


def test_steps_of_the_cell_table_bound_charge_and_braking(tmp_path):
    """As the steps say, the last at or below the temperature; none below the first; never over current_charge_a."""
    space = with_limits(tmp_path)
    cells, want = space.inputs.cells, {-5.1: 0.0, -5.0: 0.05, -0.1: 0.05, 0.0: 0.1, 14.9: 0.1, 15.0: 0.5, 40.0: 0.5}
    found = {at: float(charge_part(cells, np.array([0]), at)[0]) for at in want}
    assert found == pytest.approx({at: min(rate * 2.9 / 1.45, 1.0) for at, rate in want.items()})
    assert least_charge_c(cells, 0) == -5.0
    # Colder is never more.
    parts = [float(charge_part(cells, np.array([0]), at)[0]) for at in np.linspace(-20, 50, 141)]
    assert np.all(np.diff(parts) >= 0)


def test_they_slow_charges_and_braking(tmp_path):
    """Figures of a pack: 0.1C at 5 °C in place of 0.5C at 25 °C; nothing at −10 °C."""
    found = {}
    for at in (25.0, 5.0, -10.0):
        space = with_limits(tmp_path, charge_c=at, ride_c=at)
        context = space.context
        assert context.cells.charge_a[0] == pytest.approx({25.0: 1.45, 5.0: 0.29, -10.0: 0.0}[at])
        assert context.cells.regen_a[0] == context.cells.charge_a[0]
        one = np.ones(1)
        caps = dict.fromkeys(("peak_cap_a", "continuous_cap_a", "charge_cap_a", "ride_cap_a", "regen_cap_a"), 99 * one)
        rises = dict.fromkeys(("hot_rise_k_per_w", "ride_rise_k_per_w"), 60.0 * one)
        block = Block(
            cell=np.array([0]), series=np.array([10]), parallel=np.array([8]), extra_ohm=0.01 * one, parts_kg=one,
            parts_cost=one, cells_cost=one, **caps, spread_ohm=0.0 * one, **rises, hot_sun_rise_k_per_w=0.0 * one,
            ride_sun_rise_k_per_w=0.0 * one, box_k_per_w=0.5 * one, plates_k_per_a2=1e-4 * one, filler_j_k=0.0 * one,
        )  # fmt: skip
        chargers = replace(context.chargers, voltage_v=np.array([42.0, 42.0]), current_a=np.array([2.0, 8.0]),
                           price=np.array([1.0, 2.0]), taper_a=np.full(2, np.nan))  # fmt: skip
        found[at] = score(block, context=replace(context, chargers=chargers), figures=frozenset({"charge_min"}))
    minutes = [float(found[at]["charge_min"][0]) for at in (25.0, 5.0, -10.0)]
    # 2 A in place of 8 A: nearly four times as long up to the voltage limit.
    assert 2.0 * minutes[0] < minutes[1] < 4.0 * minutes[0] and np.isinf(minutes[2])


@pytest.mark.parametrize("text", ["0:0.1;0:0.2", "0:0.3;10:0.2", "0:0.1;10:0.9", "0=0.1", "0:-0.1", "900:0.1", "0:"])
def test_bad_steps_are_named(tmp_path, text):
    with pytest.raises(BadInput) as bad:
        with_limits(tmp_path, text)
    assert {(p.code, p.field, p.where) for p in bad.value.problems} == {("charge-limit", "charge_limits", "row 2")}
