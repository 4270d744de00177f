"""The demo's invented data are plausible: classes of cells, curves, wires and rides that could exist.

Bands are the ranges printed in cell makers' data sheets for each class, from memory, unless a source
stands beside the check.
"""

from __future__ import annotations

import re
from pathlib import Path

import numpy as np
import pytest

from optimizer.brief import load_brief, require_for_search, series_problems
from optimizer.catalog import (
    Cells,
    builtin_catalogs,
    matching,
    read_bms,
    read_cells,
    read_chargers,
    read_fuses,
    read_ride,
    read_strips,
    read_wires,
)

CATALOGS = builtin_catalogs()
FILES = sorted(path for path in CATALOGS.rglob("*") if path.is_file())

# Energy per mass of each chemistry [Wh/kg], least and most over all types.
ENERGY_BANDS = {"NMC": (150, 280), "NCA": (180, 280), "LFP": (85, 155), "LTO": (50, 85), "Na-ion": (90, 145)}
# Window of each chemistry [V]: least and most of the bottom, least and most of the top (see the sources of
# the reference values: vendor specifications and data sheets).
WINDOWS = {
    "NMC": (2.5, 2.75, 4.15, 4.25), "NCA": (2.5, 2.75, 4.15, 4.25), "LFP": (2.0, 2.5, 3.6, 3.65),
    "LTO": (1.5, 1.8, 2.7, 2.8), "Na-ion": (1.5, 2.0, 3.95, 4.1),
}  # fmt: skip
# Largest diameter and length [mm] and mass [g] of each format.
FORMATS = {
    "18650": (18.2, 18.6, 65.0, 65.5, 34, 50), "21700": (21.1, 21.7, 70.2, 70.9, 58, 73),
    "26650": (26.2, 26.7, 65.2, 65.8, 70, 97), "32700": (32.2, 32.6, 70.3, 71.0, 120, 150),
}  # fmt: skip


@pytest.fixture(scope="module")
def cells() -> Cells:
    return read_cells(CATALOGS / "cells.csv")


class TestCells:
    def test_every_class_is_there(self, cells: Cells) -> None:
        assert len(cells) >= 60
        assert set(cells.format) == {"18650", "21700", "26650", "32700", "prismatic", "pouch"}
        assert set(cells.chemistry) == {"NMC", "NCA", "LFP", "LTO", "Na-ion"}
        kinds = {str(name).rsplit("-", 1)[1][0] for name in cells.id}
        assert kinds == {"e", "b", "p"}

    def test_few_distinct_sizes(self, cells: Cells) -> None:
        columns = (cells.diameter_mm, cells.length_mm, cells.width_mm, cells.thickness_mm)
        sizes = {tuple(np.nan_to_num(row)) for row in np.column_stack(columns)}
        assert len(sizes) == 12

    def test_sizes_and_masses_of_the_formats(self, cells: Cells) -> None:
        for name, (thin, thick, short, long, light, heavy) in FORMATS.items():
            rows = cells.format == name
            assert ((cells.diameter_mm[rows] >= thin) & (cells.diameter_mm[rows] <= thick)).all()
            assert ((cells.length_mm[rows] >= short) & (cells.length_mm[rows] <= long)).all()
            assert ((cells.mass_g[rows] >= light) & (cells.mass_g[rows] <= heavy)).all()

    def test_energy_per_mass(self, cells: Cells) -> None:
        energy = cells.capacity_ah * cells.voltage_nominal_v / cells.mass_g * 1000
        for chemistry, (low, high) in ENERGY_BANDS.items():
            band = energy[cells.chemistry == chemistry]
            assert (band >= low).all(), chemistry
            assert (band <= high).all(), chemistry

    def test_windows(self, cells: Cells) -> None:
        for chemistry, (bottom, bottom_most, top, top_most) in WINDOWS.items():
            rows = cells.chemistry == chemistry
            assert ((cells.voltage_min_v[rows] >= bottom) & (cells.voltage_min_v[rows] <= bottom_most)).all()
            assert ((cells.voltage_max_v[rows] >= top) & (cells.voltage_max_v[rows] <= top_most)).all()

    def test_nominal_voltage_is_near_the_curves_mean(self, cells: Cells) -> None:
        mean = np.array([curve.mean_v for curve in cells.curves])[cells.curve]
        np.testing.assert_allclose(cells.voltage_nominal_v, mean, rtol=0.03)

    def test_curves_lie_in_the_window(self, cells: Cells) -> None:
        ends = cells.ocv_v(np.array([0.0, 1.0]))
        assert (ends[:, 0] >= cells.voltage_min_v).all()
        assert (ends[:, 1] <= cells.voltage_max_v).all()

    def test_sag_at_the_rated_currents(self, cells: Cells) -> None:
        """A rating that drops over a fifth of the voltage would never be printed."""
        continuous = cells.current_continuous_a * cells.dcir_mohm / 1000 / cells.voltage_nominal_v
        pulse = cells.current_pulse_a * cells.dcir_mohm / 1000 / cells.voltage_nominal_v
        assert (continuous < 0.15).all()
        assert (pulse < 0.20).all()
        assert (pulse > continuous).all()

    def test_types_differ_as_they_should(self, cells: Cells) -> None:
        """Power types carry more current for their capacity and resist less than energy types."""
        kind = np.array([str(name).rsplit("-", 1)[1][0] for name in cells.id])
        rate = cells.current_continuous_a / cells.capacity_ah
        assert rate[kind == "p"].min() >= 5 > rate[kind == "e"].max()
        rest = cells.dcir_mohm * cells.capacity_ah
        for chemistry in ("NMC", "LFP"):
            rows = cells.chemistry == chemistry
            assert np.median(rest[rows & (kind == "p")]) < 0.6 * np.median(rest[rows & (kind == "e")])

    def test_prices_with_and_without_breaks_and_stock(self, cells: Cells) -> None:
        breaks = np.isfinite(cells.break_quantity[:, 1])
        assert 0 < breaks.sum() < len(cells)
        assert 0 < np.isfinite(cells.stock).sum() < len(cells)

    def test_charge_rates(self, cells: Cells) -> None:
        rate = cells.current_charge_a / cells.capacity_ah
        assert (rate >= 0.4).all()
        assert (rate[cells.chemistry == "LTO"] >= 4).all()
        assert (rate[cells.chemistry != "LTO"] <= 4).all()


class TestParts:
    def test_every_table_is_read(self) -> None:
        assert len(read_strips(CATALOGS / "strips.csv")) >= 10
        assert len(read_bms(CATALOGS / "bms.csv")) >= 10
        assert len(read_fuses(CATALOGS / "fuses.csv")) >= 10
        assert len(read_chargers(CATALOGS / "chargers.csv")) >= 10

    def test_wires_are_those_of_the_standard(self) -> None:
        """IEC 60228, class 5, plain copper, greatest resistance at 20 °C [ohm/km] (published)."""
        standard = {
            0.5: 39.0,
            0.75: 26.0,
            1.0: 19.5,
            1.5: 13.3,
            2.5: 7.98,
            4.0: 4.95,
            6.0: 3.30,
            10.0: 1.91,
            16.0: 1.21,
            25.0: 0.78,
        }
        wires = read_wires(CATALOGS / "wires.csv")
        listed = wires.area_mm2 >= 0.5
        assert set(wires.area_mm2[listed]) == set(standard)
        for area, resistance in zip(wires.area_mm2[listed], wires.resistance_ohm_per_km[listed], strict=True):
            assert resistance == standard[area]
        # Thinner than the standard's list: no more over pure copper than its 0.5 mm2.
        excess = wires.resistance_ohm_per_km[~listed] * wires.area_mm2[~listed] / 17.241
        assert len(excess) >= 3
        assert ((excess > 1.0) & (excess <= 39.0 * 0.5 / 17.241)).all()
        assert (wires.mass_g_per_m > 8.89 * wires.area_mm2 * 0.9).all()

    def test_thin_wires_are_as_thick_as_in_the_standards(self) -> None:
        """Between light and thin walls, over the insulation [mm].

        SAE AS22759/32 (light wall, cross-linked ETFE), finished diameter of AWG 26, 24, 22; ISO 6722-1, thin wall,
        greatest diameter of 0.13, 0.22, 0.35 mm²; both from memory.
        """
        wires = read_wires(CATALOGS / "wires.csv")
        least, most = ([0.128, 0.205, 0.325], [0.81, 0.94, 1.09]), ([0.13, 0.22, 0.35], [1.05, 1.2, 1.4])
        thin = wires.area_mm2 < 0.5
        for area, outer in zip(wires.area_mm2[thin], wires.outer_mm[thin], strict=True):
            assert np.interp(area, *least) <= outer <= np.interp(area, *most) + 1e-9, area

    def test_outer_diameters_left_out_are_usual_ones(self) -> None:
        """Flexible silicone wire, makers' data sheets: 1 mm² about 2.7 mm, 6 mm² about 5.3, 16 mm² about 8 (common
        practice, no published source)."""
        wires = read_wires(CATALOGS / "wires.csv")
        for area, outer in ((1.0, 2.7), (6.0, 5.31), (16.0, 8.1)):
            assert wires.outer_mm[wires.area_mm2 == area] == pytest.approx(outer, abs=0.01)

    def test_strip_materials_keep_their_order(self) -> None:
        strips = read_strips(CATALOGS / "strips.csv")
        usual = {
            str(name): value for name, value in zip(strips.material, strips.resistivity_ohm_m, strict=True)
        }
        assert usual["copper"] < usual["aluminium"] < usual["nickel"] < usual["nickel_plated_steel"]
        assert usual["nickel_plated_steel"] / usual["copper"] == pytest.approx(8.3, rel=0.01)

    def test_boards_and_chargers_serve_the_briefs(self) -> None:
        bms, chargers = read_bms(CATALOGS / "bms.csv"), read_chargers(CATALOGS / "chargers.csv")
        for series, chemistry, full in (
            (20, "NMC", 84.0),
            (23, "LFP", 83.95),
            (21, "Na-ion", 82.95),
            (24, "LTO", 64.8),
        ):
            rows = bms.suits(series, chemistry)
            assert rows.any(), chemistry
            assert (bms.voltage_max_v[rows] >= full).any()
        assert {42.0, 84.0} <= set(chargers.voltage_v)

    def test_boards_can_take_their_own_full_pack(self) -> None:
        bms = read_bms(CATALOGS / "bms.csv")
        for row, names in enumerate(bms.chemistries):
            if names <= {"NMC", "NCA"}:
                assert bms.voltage_max_v[row] >= 4.2 * bms.series_max[row], bms.id[row]


class TestRides:
    @pytest.mark.parametrize("name", ["urban-hills", "delivery-round", "steady-25"])
    def test_plausible_and_closed(self, name: str) -> None:
        ride = read_ride(CATALOGS / "rides" / f"{name}.csv")
        rate = np.diff(ride.speed_kmh) / 3.6
        metres = (ride.speed_kmh[1:] + ride.speed_kmh[:-1]) / 2 / 3.6
        climb = np.sum((ride.grade_pct[1:] + ride.grade_pct[:-1]) / 200 * metres)
        assert np.array_equal(np.diff(ride.time_s), np.ones(len(ride.time_s) - 1))
        assert ride.speed_kmh.max() <= 45.0
        assert np.abs(ride.grade_pct).max() <= 10.0
        assert -2.0 < rate.min() < rate.max() < 1.5
        assert ride.speed_kmh[0] == ride.speed_kmh[-1] == 0.0
        assert abs(climb) < 0.5
        assert 500 <= ride.time_s[-1] <= 1200


class TestBriefs:
    @pytest.mark.parametrize("name", ["cargo-scooter", "quick-36v"])
    def test_a_search_can_start(self, name: str) -> None:
        brief = load_brief(CATALOGS / "briefs" / f"{name}.toml")
        assert require_for_search(brief) == []
        cells = read_cells(brief.files()["catalog.cells"])
        rows = matching(cells.id, brief.vary.cells)
        assert rows.any()
        top, bottom = cells.voltage_max_v[rows], cells.voltage_min_v[rows]
        assert series_problems(brief, voltage_max_v=top, voltage_min_v=bottom) == []

    def test_each_chemistry_finds_a_series_count_in_the_demo(self) -> None:
        brief = load_brief(CATALOGS / "briefs" / "cargo-scooter.toml")
        cells = read_cells(brief.files()["catalog.cells"])
        for chemistry in sorted(set(cells.chemistry)):
            rows = cells.chemistry == chemistry
            top, bottom = cells.voltage_max_v[rows], cells.voltage_min_v[rows]
            assert series_problems(brief, voltage_max_v=top, voltage_min_v=bottom) == [], chemistry

    def test_rolling_and_drag_are_in_published_bands(self) -> None:
        """Rolling 0.008-0.036 for small tyres (Stilwell et al., Proc. Design Society 2023, abstract: 3.5-6
        times a bicycle tyre; lower end from secondary guides); drag area 0.47 m2 upright cyclist (Sports
        Engineering s12283-021-00345-2, table 1) to 0.8 m2 (standing, from memory)."""
        for name in ("cargo-scooter", "quick-36v"):
            vehicle = load_brief(CATALOGS / "briefs" / f"{name}.toml").vehicle
            assert vehicle is not None
            assert 0.008 <= vehicle.crr <= 0.036
            assert 0.47 <= vehicle.cda_m2 <= 0.8


class TestFiles:
    @pytest.mark.parametrize(
        "path", [path for path in FILES if path.suffix == ".csv"], ids=lambda path: path.name
    )
    def test_says_that_it_is_invented(self, path: Path) -> None:
        head = path.read_text(encoding="utf-8").splitlines()[:2]
        assert head[0].startswith("# invented data")
        assert "stands for" in " ".join(head)

    def test_ids_are_words_of_our_own(self) -> None:
        """A colour, stone or tree, the format, and the type with its size: no part number of anyone."""
        for name in read_cells(CATALOGS / "cells.csv").id:
            assert re.fullmatch(r"[a-z]+-(\d{5}|prismatic|pouch)-[ebp]\d{2}", str(name)), name
