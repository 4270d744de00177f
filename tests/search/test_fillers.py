"""Potting, pads and plates: searched like any other part, weighed, billed, and scored again from design.json."""

import json
from dataclasses import replace

import numpy as np
import pytest
from brute import objectives
from test_network import CASE, END, GAP, WALL, D, layout, warmth

from optimizer.base.problems import BadInput
from optimizer.brief import FillerSection, load_brief
from optimizer.catalog import builtin_catalogs
from optimizer.design.rescore import design_record, differences, read_design, score_row
from optimizer.design.unfold import unfold
from optimizer.fit.region.layout import Clearance
from optimizer.pack.case.outline import CaseRules
from optimizer.pack.case.volume import case_volume
from optimizer.pack.cautions import FILLERS
from optimizer.pack.thermal.filler import PADS, PLATE, POTTING, Filler
from optimizer.pack.thermal.packed import filled_mm3, heating
from optimizer.pack.thermal.webs import Webs
from optimizer.score.inputs import read_inputs
from optimizer.search.exact import rows
from optimizer.search.running.run import search
from optimizer.search.space.setup import make_space

GEL = Filler("gel", POTTING, 0.9, 3.0)
SOFT = Filler("soft pads", PADS, 3.0, 3.0)
COVERS = Filler("cool covers", PLATE, 3.0, 3.0)
CASES = CaseRules(case_mm=CASE, cell_gap_mm=GAP, end_mm=END, wall_mm=WALL)
GAPS = Clearance(wall_mm=WALL, case_mm=CASE, cell_gap_mm=GAP, end_mm=END)


def test_a_potted_cell_is_a_cylinder_in_a_medium() -> None:
    """Where filler and print conduct alike, a pair of cells has the closed form of straight ways in one medium.

    G = 2 L k ∫ dy / (2 (half − √(r² − y²))), y from 0 to the radius, by another rule of integration.
    """
    potted = Webs(D, 65.2, CASES, fill_w_per_m_k=0.25)
    half, r = (D + GAP) / 2e3, D / 2e3
    angle = np.linspace(0.0, np.pi / 2.0, 20001)
    way = np.cos(angle) * r / (2.0 * (half - r * np.cos(angle)))
    closed = 2.0 * 0.0652 * 0.25 * np.trapezoid(way, angle)
    assert float(potted.between_w_k(GAP)) == pytest.approx(closed, rel=2e-3)
    assert closed > 3.0 * float(Webs(D, 65.2, CASES).between_w_k(GAP))


@pytest.mark.parametrize("filler", [GEL, SOFT, COVERS])
def test_every_filler_cools_and_has_a_volume(filler) -> None:
    """More of it with every group, and what potting takes is the case less print and cells."""
    made, room = layout(10, 4)
    group = np.arange(made.cells) // 8
    how = {"room": room, "gaps": GAPS, "case": CASES}
    bare, filled = (heating(made, group, **how, filler=one) for one in (None, filler))
    assert np.all(filled.rise_k_per_w < bare.rise_k_per_w)
    cases = case_volume(made, group=group, rules=CASES)
    mm3, plates = filled_mm3(made, group, **how, filler=filler, open_mm3=cases.open_mm3)
    assert np.all(np.diff(mm3) > 0) and np.all(mm3 > 0)
    if filler is GEL:
        # Inside the walls: 10 by 4 cells of square rows, less cells; print inside takes some of the rest.
        inside = (10 * (D + GAP) - GAP) * (4 * (D + GAP) - GAP) * 65.2
        free = inside - 40 * np.pi / 4 * D**2 * 65.2
        assert 0.3 * free < mm3[-1] < free
    else:
        cover, area = END - 1.5, (D + GAP) ** 2
        assert mm3[-1] == pytest.approx(40 * area * 2 * (1.5 + WALL))
        assert plates[-1] == pytest.approx(40 * area * 2 * cover if filler is COVERS else 0.0)


def test_pads_reach_no_wall_that_is_far() -> None:
    made, room = layout(10, 4, spare=15.0)
    group = np.zeros(made.cells, int)
    near, far = (replace(SOFT, reach_mm=mm) for mm in (3.0, 20.0))
    rise = [float(heating(made, group, room=room, gaps=GAPS, case=CASES, filler=one).rise_k_per_w[0])
            for one in (near, far)]  # fmt: skip
    assert rise[1] < rise[0] < float(warmth(made, room).rise_k_per_w[0])


GIVEN = (
    FillerSection(name="gel", kind="potting", conductivity_w_m_k=0.9, density_kg_m3=1450.0, price_per_kg=18.0),
    FillerSection(
        name="cool covers", kind="plate", conductivity_w_m_k=3.0, density_kg_m3=2600.0, price_per_kg=60.0
    ),
)  # fmt: skip


@pytest.fixture(scope="module")
def space():
    brief = load_brief(builtin_catalogs() / "briefs" / "quick-36v.toml")
    vary = brief.vary.model_copy(update={
        "cells": ("amber-18650-*",), "strips": ("nickel-8x0.20", "copper-8x0.10"), "parallel": (2, 3),
        "wires": ("silicone-4", "silicone-6"), "fuses": ("blade-60v-*", "bolt-100v-30a"),
    })  # fmt: skip
    thermal = brief.thermal.model_copy(update={"filler": GIVEN, "sun_w_m2": 200.0, "wind_part": 0.4})
    aims = brief.objectives.model_copy(update={"use": ("hot_cell_endless_c", "pack_mass_kg", "cost"), "resolution": {}})
    changes = {"vary": vary, "thermal": thermal, "objectives": aims}
    return make_space(read_inputs(brief.model_copy(update=changes)))


@pytest.fixture(scope="module")
def found(space):
    outcome = search(space)
    kept, figures = rows.rescored(outcome.found, space=space)
    return outcome, rows.table(kept, figures, space=space)


def test_the_front_with_fillers_in_wind_and_sun_is_that_of_plain_enumeration(space, found):
    want, count = objectives(space)
    got = found[0].found.objectives
    assert count > 0
    for one, other in ((got, want), (want, got)):
        assert np.isclose(one[:, None], other[None], rtol=1e-9, atol=1e-12).all(axis=2).any(axis=1).all()


def test_the_front_trades_heat_for_mass_and_cost(found):
    """Packs alike in all else: the filled one is cooler, heavier and dearer."""
    front = found[1]
    front["filled"] = front["layout"].str.extract("(gel|cool covers)$")[0].fillna("none")
    assert set(front["filled"]) == {"none", "gel", "cool covers"}
    same = front.groupby(["cell_id", "parallel", front["layout"].str.replace(r", (gel|cool covers)$", "", regex=True)])
    pairs = 0
    for _, some in same:
        best = some.groupby("filled")[["hot_cell_endless_c", "pack_mass_kg", "cost"]].min()
        if {"none", "gel"} <= set(best.index):
            pairs += 1
            assert best.loc["gel", "hot_cell_endless_c"] < best.loc["none", "hot_cell_endless_c"] - 0.05
            assert best.loc["gel", "pack_mass_kg"] > best.loc["none", "pack_mass_kg"]
    assert pairs


def test_a_filled_design_is_billed_and_scored_again_from_its_file(space, found, tmp_path):
    front = found[1]
    row = front[front["layout"].str.endswith("cool covers")].iloc[0].to_dict() | {"design_id": "d1"}
    design = unfold(space, row)
    bill = design.bill.set_index("item")
    assert bill.loc["cool covers", "cost"] == pytest.approx(60.0 * bill.loc["cool covers", "mass_g"] / 1000.0, rel=1e-3)
    assert bill.loc["plates of cool covers", "mass_g"] > 0 and "gel" not in bill.index
    assert [kind for kind, caution in FILLERS.items() if caution.text in design.cautions] == ["plate"]
    path = tmp_path / "design.json"
    path.write_text(json.dumps(design_record(space, row, design=design)))
    again, same, _ = read_design(path)
    assert differences(row, score_row(again, same)) == {}


NEW = (
    '[[thermal.filler]]\nname = "{}"\nkind = "{}"\nconductivity_w_m_k = {}\n'
    'density_kg_m3 = 1400.0\nprice_per_kg = 9.0\n'
)  # fmt: skip


@pytest.mark.parametrize(("text", "codes"), [
    ("[thermal]\nalways_filled = true\n", {"conflict"}),
    ("[thermal]\nsun_w_m2 = 30000.0\n", {"wrong-scale"}),
    ("[thermal]\nwind_part = 1.5\n", {"out-of-range"}),
    ('[thermal]\ncolour = "blue"\n', {"unknown-value"}),
    (NEW.format("a, b", "gel", 0), {"bad-name", "unknown-value", "not-positive"}),
    (NEW.format("gel", "potting", 0.9) + NEW.format("gel", "pads", 3.0), {"duplicate-name"}),
])  # fmt: skip
def test_bad_values_are_named(tmp_path, text, codes):
    source = (builtin_catalogs() / "briefs" / "quick-36v.toml").read_text().replace("../", f"{builtin_catalogs()}/")
    path = tmp_path / "b.toml"
    path.write_text(source + text)
    with pytest.raises(BadInput) as bad:
        load_brief(path)
    assert {problem.code for problem in bad.value.problems} == codes
    assert all(problem.field.startswith("thermal.") for problem in bad.value.problems)
