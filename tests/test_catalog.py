"""Catalogs and traces: spreadsheet habits are handled or named, and every fault has its code and place."""

from __future__ import annotations

import io
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from optimizer.base.problems import BadInput, Problem
from optimizer.catalog import (
    builtin_catalogs,
    matching,
    ocv_curve,
    pattern_problems,
    read_bms,
    read_cells,
    read_chargers,
    read_fuses,
    read_ocv,
    read_ride,
    read_strips,
    read_wires,
)
from optimizer.catalog.tables import parse_number

CATALOGS = builtin_catalogs()
CELLS = [
    line for line in (CATALOGS / "cells.csv").read_text(encoding="utf-8").splitlines() if line[0] != "#"
][:4]
HEADER = CELLS[0]
PLAIN = "\n".join(CELLS) + "\n"
SEMICOLON = "\n".join(
    ";".join(f'"{cell}"' if ";" in cell else cell for cell in line.split(",")) for line in CELLS
)


def put(folder: Path, content: str | bytes, name: str = "table.csv") -> Path:
    path = folder / name
    path.write_bytes(content if isinstance(content, bytes) else content.encode("utf-8"))
    return path


def faults(reader: Callable[[Path], object], path: Path) -> list[Problem]:
    with pytest.raises(BadInput) as caught:
        reader(path)
    return caught.value.problems


def cell_faults(folder: Path, content: str | bytes) -> list[tuple[str, str, str]]:
    return [(item.code, item.where, item.field) for item in faults(read_cells, put(folder, content))]


def changed(old: str, new: str) -> str:
    assert old in PLAIN, old
    return PLAIN.replace(old, new, 1)


class TestHabits:
    """Ways in which spreadsheets save the same table: all give the same cells."""

    @pytest.mark.parametrize(
        "content",
        [
            pytest.param(PLAIN.encode(), id="plain"),
            pytest.param(PLAIN.replace("\n", "\r\n").encode(), id="windows line ends"),
            pytest.param(PLAIN.replace("\n", "\r").encode(), id="old line ends"),
            pytest.param(b"\xef\xbb\xbf" + PLAIN.encode(), id="byte-order mark"),
            pytest.param(PLAIN.encode("utf-16"), id="utf-16"),
            pytest.param(PLAIN.encode("utf-16-le"), id="utf-16 without mark"),
            pytest.param(SEMICOLON.encode(), id="semicolons"),
            pytest.param(SEMICOLON.replace(".", ",").encode(), id="semicolons, decimal commas"),
            pytest.param(("sep=;\n" + SEMICOLON).encode(), id="separator hint"),
            pytest.param(PLAIN.replace(",", "\t").encode(), id="tabs"),
            pytest.param(PLAIN.replace(",", " , ").encode(), id="spaces around cells"),
            pytest.param(PLAIN.replace(",", "\u00a0,").encode(), id="no-break spaces"),
            pytest.param(PLAIN.replace("\n", "\n\n").encode(), id="blank rows"),
            pytest.param(PLAIN.replace("\n", ",,,\n").encode(), id="empty columns on the right"),
            pytest.param(("# a note, with commas\n\n" + PLAIN).encode(), id="comment lines"),
            pytest.param(
                ('"# a note, with commas",,,\n' + PLAIN).encode(), id="comment saved by a spreadsheet"
            ),
            pytest.param(PLAIN.replace(",18650,", ",18650.0,").encode(), id="format as a number"),
        ],
    )
    def test_handled(self, tmp_path: Path, content: bytes) -> None:
        cells = read_cells(put(tmp_path, content))
        plain = read_cells(put(tmp_path, PLAIN, "plain.csv"))
        assert cells.id.tolist() == plain.id.tolist()
        assert cells.format.tolist() == ["18650"] * 3
        for name in (
            "diameter_mm",
            "length_mm",
            "capacity_ah",
            "dcir_mohm",
            "mass_g",
            "price",
            "break_price",
        ):
            np.testing.assert_array_equal(getattr(cells, name), getattr(plain, name))

    @pytest.mark.parametrize(
        ("text", "decimal", "value"),
        [
            ("1234.5", ".", 1234.5), ("1,234.5", ".", 1234.5), ("1,234,567", ".", 1234567.0),
            ("1 234.5", ".", 1234.5), ("1'234.5", ".", 1234.5), ("-3", ".", -3.0), ("1e-8", ".", 1e-8),
            (".5", ".", 0.5), ("5.", ".", 5.0), ("1234,5", ",", 1234.5), ("1.234,5", ",", 1234.5),
            ("1 234,5", ",", 1234.5), ("1,234", ",", 1.234), ("7", ",", 7.0),
        ],
    )  # fmt: skip
    def test_numbers_that_are_clear(self, text: str, decimal: str, value: float) -> None:
        assert parse_number(text, decimal=decimal) == (value, "", "")

    @pytest.mark.parametrize(
        ("text", "decimal", "code"),
        [
            ("1,234", ".", "unclear-number"), ("1.234", ",", "unclear-number"),
            ("18,5", ".", "decimal-comma"),
            ("#REF!", ".", "excel-error"), ("#N/A", ".", "excel-error"), ("nan", ".", "not-finite"),
            ("-inf", ".", "not-finite"), ("1e999", ".", "not-finite"), ("46 g", ".", "not-a-number"),
            ("4_6", ".", "not-a-number"), ("1,2,3", ".", "not-a-number"), ("0x10", ".", "not-a-number"),
            ("--1", ".", "not-a-number"), ("1.2.3", ",", "not-a-number"),
        ],
    )  # fmt: skip
    def test_numbers_that_are_named(self, text: str, decimal: str, code: str) -> None:
        value, found, expected = parse_number(text, decimal=decimal)
        assert np.isnan(value)
        assert found == code
        assert expected

    def test_parquet_gives_the_same(self, tmp_path: Path) -> None:
        frame = pd.read_csv(io.StringIO(PLAIN))
        frame.to_parquet(tmp_path / "cells.parquet")
        cells, plain = read_cells(tmp_path / "cells.parquet"), read_cells(put(tmp_path, PLAIN))
        assert cells.format.tolist() == plain.format.tolist()
        np.testing.assert_array_equal(cells.capacity_ah, plain.capacity_ah)
        np.testing.assert_array_equal(cells.break_price, plain.break_price)

    def test_rows_are_counted_as_a_spreadsheet_shows_them(self, tmp_path: Path) -> None:
        text = "# a note\n# another\n" + changed("46.0", "-46.0")
        assert cell_faults(tmp_path, text) == [("not-positive", "row 4", "mass_g")]


class TestBrokenTables:
    @pytest.mark.parametrize(
        ("content", "code"),
        [
            (b"", "no-header"),
            (b"# only a note\n", "no-header"),
            (HEADER.encode(), "empty-catalog"),
            (PLAIN.replace("mass_g", "dcir_mohm", 1).encode(), "duplicate-column"),
            ((PLAIN + "x,y\n").encode(), "row-length"),
            (PLAIN.replace("amber", '"amber', 1).encode(), "csv"),
            (PLAIN.replace("amber", "am\0ber", 1).encode(), "encoding"),
            (PLAIN.replace("amber", "ambé", 1).encode("latin-1"), "encoding"),
            (b"PK\x03\x04 a workbook", "not-a-table"),
            (b"PAR1 broken", "not-a-table"),
            (",".join(f"c{n}" for n in range(10_000)).encode(), "not-a-table"),
            (PLAIN.replace("46.0", "4" * 100_000 + "x", 1).encode(), "not-a-number"),
        ],
    )
    def test_named(self, tmp_path: Path, content: bytes, code: str) -> None:
        assert code in {item[0] for item in cell_faults(tmp_path, content)}

    def test_missing_file(self, tmp_path: Path) -> None:
        assert faults(read_cells, tmp_path / "none.csv")[0].code == "missing-file"
        assert faults(read_cells, tmp_path)[0].code == "unreadable-file"

    def test_missing_columns_are_all_named_with_the_nearest(self, tmp_path: Path) -> None:
        text = PLAIN.replace("mass_g", "mass", 1).replace("chemistry", "chem", 1)
        found = {item.field: item.expected for item in faults(read_cells, put(tmp_path, text))}
        assert 'is "mass" meant?' in found["mass_g"]
        assert 'is "chem" meant?' in found["chemistry"]

    def test_a_misspelt_optional_column_is_not_ignored(self, tmp_path: Path) -> None:
        text = PLAIN.replace("price_breaks", "price_break", 1)
        assert cell_faults(tmp_path, text) == [("unknown-column", "", "price_break")]

    def test_columns_of_the_users_own_are_kept_and_told(self, tmp_path: Path) -> None:
        cells = read_cells(put(tmp_path, PLAIN.replace("stock", "shelf", 1)))
        assert cells.ignored_columns == ("shelf",)
        assert "shelf" in cells.frame

    def test_many_faults_of_a_kind_are_counted_not_listed(self, tmp_path: Path) -> None:
        rows = [CELLS[1].replace("amber-18650-e29", f"c{n}").replace("46.0", "-1") for n in range(100)]
        problems = faults(read_cells, put(tmp_path, "\n".join([HEADER, *rows])))
        assert len(problems) == 21
        assert "80 more" in problems[-1].expected


# Text of the first cell to replace, its replacement, and the codes and columns that must be reported.
WINDOW = ("nominal", "max", "min")
CELL_FAULTS = [
    ("46.0", "#REF!", [("excel-error", "mass_g")]),
    ("46.0", "nan", [("not-finite", "mass_g")]),
    ("46.0", "1e999", [("not-finite", "mass_g")]),
    ("46.0", "", [("empty-cell", "mass_g")]),
    ("46.0", "46 g", [("not-a-number", "mass_g")]),
    ("46.0", "-46.0", [("not-positive", "mass_g")]),
    ("46.0", "0.046", [("wrong-scale", "mass_g")]),
    ("46.0", "4600", [("wrong-scale", "mass_g")]),
    ("amber-18650-e29,", ",", [("empty-cell", "id")]),
    ("amber-18650-e29", "#NAME?", [("excel-error", "id")]),
    ("amber-18650-e32", "amber-18650-e29", [("duplicate-id", "id")]),
    (",18.4,", ",0.0184,", [("wrong-scale", "diameter_mm")]),
    (",18.4,", ",1.84,", [("format-size", "diameter_mm")]),
    ("18650,cylinder,18.4,", "own,cylinder,1.84,", [("wrong-scale", "capacity_ah")]),
    (",18.4,", ",,", [("shape-dimension", "diameter_mm")]),
    ("cylinder,18.4,65.1,,", "cylinder,18.4,65.1,10,", [("shape-dimension", "width_mm")]),
    ("18650,cyl", "21700,cyl", [("format-size", "diameter_mm"), ("format-size", "length_mm")]),
    ("cylinder", "round", [("unknown-value", "shape")]),
    (",2.9,2.81", ",2900,2810", [("wrong-scale", "capacity_ah"), ("wrong-scale", "capacity_min_ah")]),
    (",2.9,2.81", ",2.9,3.1", [("capacity-order", "capacity_min_ah")]),
    ("3.65,4.2,2.5", "3.65,3.5,2.5", [("voltage-order", "voltage_nominal_v")]),
    ("3.65,4.2,2.5", "3650,4200,2500", [("wrong-scale", f"voltage_{name}_v") for name in WINDOW]),
    ("3.65,4.2,2.5", "3.2,3.65,2.5", [("ocv-nominal", "voltage_nominal_v"), ("ocv-window", "voltage_max_v")]),
    (",48,6,9,", ",0.048,6,9,", [("wrong-scale", "dcir_mohm")]),
    (",48,6,9,", ",48,9,6,", [("current-order", "current_continuous_a")]),
    (",-20,60,", ",30,20,", [("temp-order", "temp_min_c")]),
    (",-20,60,", ",-20,600,", [("wrong-scale", "temp_max_c")]),
    ("NMC", "nmc", [("unknown-chemistry", "chemistry")]),
    (",-20,60,", ",-20,60,own.csv", [("missing-file", "ocv")]),
    ("100:2.15;500:1.95", "100=2.15", [("price-break", "price_breaks")]),
    ("100:2.15;500:1.95", "500:2.15;100:1.95", [("price-break", "price_breaks")]),
    ("100:2.15;500:1.95", "100:2.5", [("price-break", "price_breaks")]),
    ("100:2.15;500:1.95,", "100:2.15,12.5", [("not-whole", "stock")]),
]  # fmt: skip


class TestCells:
    @pytest.mark.parametrize(("old", "new", "expected"), CELL_FAULTS)
    def test_one_fault_is_blamed_once(
        self, tmp_path: Path, old: str, new: str, expected: list[tuple[str, str]]
    ) -> None:
        found = [(code, field) for code, _, field in cell_faults(tmp_path, changed(old, new))]
        assert sorted(found) == sorted(expected)

    def test_scale_is_asked_for_in_words(self, tmp_path: Path) -> None:
        (problem,) = faults(read_cells, put(tmp_path, changed(",18.4,", ",0.0184,")))
        assert "is this in millimetres?" in problem.expected

    def test_top_voltage_below_bottom(self, tmp_path: Path) -> None:
        assert ("voltage-order", "row 2", "voltage_min_v") in cell_faults(
            tmp_path, changed("3.65,4.2,2.5", "3.65,2.5,4.2")
        )

    def test_all_rows_and_columns_at_once(self, tmp_path: Path) -> None:
        text = PLAIN.replace("46.0", "-1", 1).replace("48.6", "nan", 1).replace("NMC", "XYZ", 1)
        found = cell_faults(tmp_path, text)
        assert set(found) == {
            ("not-positive", "row 2", "mass_g"),
            ("not-finite", "row 4", "mass_g"),
            ("unknown-chemistry", "row 2", "chemistry"),
        }

    def test_price_breaks(self, tmp_path: Path) -> None:
        """Price 2.35, from 100 on 2.15, from 500 on 1.95 (closed form)."""
        cells = read_cells(put(tmp_path, PLAIN))
        assert cells.break_quantity[0, :3].tolist() == [1, 100, 500]
        assert cells.break_price[0, :3].tolist() == [2.35, 2.15, 1.95]
        assert cells.stock.tolist() == [np.inf] * 3

    def test_own_curve_goes_before_the_chemistrys(self, tmp_path: Path) -> None:
        put(tmp_path, "soc,ocv_v\n0,3.0\n0.5,3.7\n1,4.15\n", "own.csv")
        cells = read_cells(put(tmp_path, changed(",-20,60,", ",-20,60,own.csv")))
        assert cells.own_curve.tolist() == [True, False, False]
        assert cells.ocv_v(np.array([0.0, 0.25, 1.0]))[0].tolist() == pytest.approx([3.0, 3.35, 4.15])
        assert cells.ocv_v(np.array([1.0]))[1:, 0].tolist() == [4.18, 4.18]


def test_a_curve_is_moved_to_the_nominal_voltage_of_the_datasheet():
    """Closed form: the mean of the moved curve is the nominal voltage; its ends stay, and it never falls."""
    cells = read_cells(builtin_catalogs() / "cells.csv")
    soc = np.linspace(0.0, 1.0, 1001)
    moved, before = cells.ocv_v(soc), np.array([cells.curves[k].at(soc) for k in cells.curve])
    assert not cells.own_curve.any()
    assert np.trapezoid(moved, soc) == pytest.approx(cells.voltage_nominal_v, abs=2e-4)
    assert np.abs(cells.moved_v()).max() > 0.05
    assert moved[:, [0, -1]] == pytest.approx(before[:, [0, -1]]) and np.all(np.diff(moved) >= 0)
    assert np.trapezoid(moved - before, soc) == pytest.approx(cells.moved_v(), abs=2e-4)


@pytest.mark.parametrize("by", [-0.25, -0.1, 0.0, 0.1, 0.2])
def test_a_curve_moves_between_its_ends(by):
    curve = ocv_curve("NMC")
    other = curve.with_mean(curve.mean_v + by)
    assert other.mean_v == pytest.approx(curve.mean_v + by, abs=1e-9)
    assert other.ocv_v[[0, -1]] == pytest.approx(curve.ocv_v[[0, -1]]) and np.all(np.diff(other.ocv_v) >= 0)
    middle = (other.soc > 0.2) & (other.soc < 0.6)
    apart = other.ocv_v[middle] - curve.at(other.soc)[middle]
    assert np.ptp(apart) < 1e-12


def test_the_cells_own_curve_stays_as_it_is(tmp_path):
    (tmp_path / "own.csv").write_text("soc,ocv_v\n0,3.0\n0.5,3.7\n1,4.15\n")
    rows = (builtin_catalogs() / "cells.csv").read_text().splitlines()
    head = next(k for k, line in enumerate(rows) if line.startswith("id,"))
    names, row = rows[head].split(","), next(r for r in rows[head + 1 :] if ",NMC," in r).split(",")
    row[names.index("ocv")] = "own.csv"
    (tmp_path / "cells.csv").write_text(rows[head] + "\n" + ",".join(row) + "\n")
    cells = read_cells(tmp_path / "cells.csv")
    assert cells.ocv_v(np.array([0.0, 0.25, 0.5]))[0] == pytest.approx([3.0, 3.35, 3.7])
    assert cells.moved_v().tolist() == [0.0]

    def test_the_users_folder_of_curves_goes_first(self, tmp_path: Path) -> None:
        put(tmp_path, "soc,ocv_v\n0,3.0\n1,4.2\n", "NMC.csv")
        cells = read_cells(put(tmp_path, PLAIN), ocv_folder=tmp_path)
        assert cells.curves[0].file == str(tmp_path / "NMC.csv")

    def test_faults_of_a_curve_name_the_curves_file(self, tmp_path: Path) -> None:
        put(tmp_path, "soc,ocv_v\n0,4.0\n1,3.0\n", "NMC.csv")
        with pytest.raises(BadInput, match=r"NMC\.csv row 3: ocv_v must not fall"):
            read_cells(put(tmp_path, PLAIN), ocv_folder=tmp_path)

    def test_sizes_only_asks_nothing_of_the_electricity(self, tmp_path: Path) -> None:
        text = changed(",18.4,", ",1.13,").replace("NMC", "none", 1)
        cells = read_cells(put(tmp_path, text), sizes_only=True)
        assert cells.diameter_mm[0] == 1.13
        with pytest.raises(BadInput, match="not-positive"):
            read_cells(put(tmp_path, changed(",18.4,", ",-1,")), sizes_only=True)

    def test_ten_thousand_cells(self, tmp_path: Path) -> None:
        rows = [CELLS[1].replace("amber-18650-e29", f"cell-{n}") for n in range(10_000)]
        assert len(read_cells(put(tmp_path, "\n".join([HEADER, *rows])))) == 10_000


SECOND = {  # reader, table, text of a row to replace, replacement, code, column
    "strip material": (read_strips, "strips.csv", "nickel,0.10", "nickle,0.10", "unknown-value", "material"),
    "strip in metres": (
        read_strips,
        "strips.csv",
        "nickel,0.10",
        "nickel,0.0001",
        "wrong-scale",
        "thickness_mm",
    ),
    "strip in micro-ohm": (
        read_strips,
        "strips.csv",
        "0.10,8,,",
        "0.10,8,0.095,",
        "wrong-scale",
        "resistivity_ohm_m",
    ),
    "wire per metre": (read_wires, "wires.csv", ",13.3,", ",0.0133,", "wrong-scale", "resistance_ohm_per_km"),
    "wire too good": (read_wires, "wires.csv", ",13.3,", ",1.33,", "wrong-scale", "resistance_ohm_per_km"),
    "wire too thick": (read_wires, "wires.csv", ",150,1.0", ",150,10", "wrong-scale", "outer_mm"),
    "bms window": (read_bms, "bms.csv", "20s-80a,18,20", "20s-80a,20,18", "series-order", "series_min"),
    "bms half cell": (read_bms, "bms.csv", "20s-80a,18,20", "20s-80a,18.5,20", "not-whole", "series_min"),
    "bms peak": (read_bms, "bms.csv", "80,180,10", "180,80,10", "current-order", "current_continuous_a"),
    "fuse empty": (read_fuses, "fuses.csv", "60v-30a,30,", "60v-30a,,", "empty-cell", "current_a"),
    "fuse in ohm": (read_fuses, "fuses.csv", "30,60,2.6,", "30,60,0.0026,", "wrong-scale", "resistance_mohm"),
    "charger percent": (read_chargers, "chargers.csv", ",0.88,", ",88,", "wrong-scale", "efficiency"),
    "charger zero": (read_chargers, "chargers.csv", "42.0,2,", "42.0,0,", "not-positive", "current_a"),
}


class TestOtherCatalogs:
    @pytest.mark.parametrize("case", SECOND)
    def test_faults(self, tmp_path: Path, case: str) -> None:
        reader, name, old, new, code, field = SECOND[case]
        text = (CATALOGS / name).read_text(encoding="utf-8")
        assert old in text
        problems = faults(reader, put(tmp_path, text.replace(old, new, 1)))  # type: ignore[arg-type]
        assert (code, field) in {(item.code, item.field) for item in problems}

    def test_strip_resistivity_is_the_materials_unless_given(self, tmp_path: Path) -> None:
        text = (CATALOGS / "strips.csv").read_text(encoding="utf-8").replace("0.10,8,,", "0.10,8,7e-8,", 1)
        strips = read_strips(put(tmp_path, text))
        assert strips.resistivity_ohm_m[:2].tolist() == [7e-8, 9.5e-8]

    def test_bms_suits_by_count_and_chemistry(self) -> None:
        bms = read_bms(CATALOGS / "bms.csv")
        assert "warden-20s-80a" in bms.id[bms.suits(20, "NMC")]
        assert "warden-20s-80a" not in bms.id[bms.suits(20, "LFP")]
        assert "warden-20s-80a" not in bms.id[bms.suits(21, "NMC")]


class TestCurves:
    @pytest.mark.parametrize(
        ("rows", "code"),
        [
            ("0,3\n50,3.5\n100,4", "soc-range"),
            ("0.1,3\n1,4", "soc-range"),
            ("0,3\n0.5,3.5\n0.5,3.6\n1,4", "soc-order"),
            ("0,3\n0.5,3.6\n1,3.5", "ocv-falling"),
            ("0,3000\n1,4200", "wrong-scale"),
            ("0,3", "too-short"),
            ("0,3\n1,nan", "not-finite"),
            ("-0.1,3\n1,4", "negative"),
        ],
    )
    def test_faults(self, tmp_path: Path, rows: str, code: str) -> None:
        assert code in {item.code for item in faults(read_ocv, put(tmp_path, "soc,ocv_v\n" + rows))}

    def test_a_plateau_is_no_fault(self, tmp_path: Path) -> None:
        curve = read_ocv(put(tmp_path, "soc,ocv_v\n0,3.0\n0.5,3.3\n0.6,3.3\n1,3.4\n"))
        assert curve.mean_v == pytest.approx(0.5 * 3.15 + 0.1 * 3.3 + 0.4 * 3.35)

    def test_unknown_chemistry_offers_the_nearest(self) -> None:
        with pytest.raises(BadInput, match='is "Na-ion" meant'):
            ocv_curve("NA-ION")


class TestRides:
    @pytest.mark.parametrize(
        ("rows", "code", "field"),
        [
            ("0,0,0\n1,5,0\n1,6,0", "time-order", "time_s"),
            ("0,0,0\n2,5,0\n1,6,0", "time-order", "time_s"),
            ("0,0,0\n1,5,0\n2,6,0\n60,6,0", "time-gap", "time_s"),
            ("0,0,0\n1,-5,0", "negative", "speed_kmh"),
            ("0,0,0\n1,50,0\n2,0,0", "acceleration", "speed_kmh"),
            ("0,0,0\n1,500,0", "wrong-scale", "speed_kmh"),
            ("0,5,0\n1,5,90", "wrong-scale", "grade_pct"),
            ("0,0,0\n1,0,0", "no-motion", "speed_kmh"),
            ("0,5,0", "too-short", "time_s"),
            ("0,5,0\n1,x,0", "not-a-number", "speed_kmh"),
        ],
    )
    def test_faults(self, tmp_path: Path, rows: str, code: str, field: str) -> None:
        path = put(tmp_path, "time_s,speed_kmh,grade_pct\n" + rows)
        assert (code, field) in {(item.code, item.field) for item in faults(read_ride, path)}

    def test_a_hundred_thousand_steps(self, tmp_path: Path) -> None:
        rows = "\n".join(f"{second},20.0,0.5" for second in range(100_000))
        ride = read_ride(put(tmp_path, "time_s,speed_kmh,grade_pct\n" + rows))
        assert ride.time_s[-1] == 99_999
        assert ride.speed_kmh.shape == (100_000,)


class TestSelection:
    def test_patterns_and_ids(self) -> None:
        ids = ["amber-a", "amber-b", "birch-a"]
        assert matching(ids, ["amber-*"]).tolist() == [True, True, False]
        assert matching(ids, ["*-a", "amber-b"]).tolist() == [True, True, True]
        assert matching(ids, ["AMBER-*"]).tolist() == [False, False, False]

    def test_a_pattern_for_nothing_is_named_with_the_nearest(self) -> None:
        (problem,) = pattern_problems(
            ["amber-*", "brich-a"], ["amber-a", "birch-a"], file="b", field="vary.cells"
        )
        assert problem.code == "no-match"
        assert 'is "birch-a" meant?' in problem.expected


class TestFuzz:
    @settings(max_examples=300, deadline=None)
    @given(
        row=st.integers(0, 3), column=st.integers(0, 25),
        text=st.one_of(
            st.floats().map(repr), st.integers().map(str), st.text(max_size=6),
            st.sampled_from(
                ["#REF!", "", "1,5", "1.234,5", "-0", "0", "1e308", '"', "\n", ";", "NaN", "-1", "0.0186"]
            ),
        ),
    )  # fmt: skip
    def test_any_cell_is_taken_or_named(
        self, tmp_path_factory: pytest.TempPathFactory, row: int, column: int, text: str
    ) -> None:
        lines = [line.split(",") for line in CELLS]
        lines[row][column] = text
        content = "\n".join(",".join(line) for line in lines).encode("utf-8", "surrogatepass")
        path = put(tmp_path_factory.getbasetemp(), content, "fuzz.csv")
        problems: list[Problem] = []
        try:
            cells = read_cells(path)
        except BadInput as error:
            problems = error.problems
        if problems:
            assert all(problem.code and problem.text() for problem in problems)
        else:
            for name in ("diameter_mm", "capacity_ah", "voltage_max_v", "dcir_mohm", "mass_g"):
                assert (getattr(cells, name) > 0).all()

    @settings(max_examples=200, deadline=None)
    @given(
        content=st.one_of(
            st.binary(max_size=200), st.text(max_size=200).map(lambda t: t.encode("utf-16", "replace"))
        )
    )
    def test_any_bytes_are_named(self, tmp_path_factory: pytest.TempPathFactory, content: bytes) -> None:
        path = put(tmp_path_factory.getbasetemp(), content, "bytes.csv")
        assert faults(read_cells, path)


def test_a_title_over_the_header_is_named_once(tmp_path):
    rows = [line for line in (builtin_catalogs() / "cells.csv").read_text().splitlines() if not line.startswith("#")]
    (tmp_path / "cells.csv").write_text("\n".join(["Cells of spring", *rows]) + "\n")
    with pytest.raises(BadInput) as caught:
        read_cells(tmp_path / "cells.csv")
    assert [p.code for p in caught.value.problems] == ["title-row"]
    assert "row 1: looks like a title" in caught.value.problems[0].text()


def test_a_row_of_totals_is_named_once(tmp_path):
    rows = [line for line in (builtin_catalogs() / "cells.csv").read_text().splitlines() if not line.startswith("#")]
    (tmp_path / "cells.csv").write_text("\n".join([*rows, "Total" + "," * rows[0].count(",")]) + "\n")
    with pytest.raises(BadInput) as caught:
        read_cells(tmp_path / "cells.csv")
    assert [p.code for p in caught.value.problems] == ["totals-row"]
    assert f"row {len(rows) + 1}: looks like a row of totals; delete it" in caught.value.problems[0].text()


def test_what_to_write_for_an_unclear_number_is_clear():
    """What is offered is read as what is meant, by the same reader."""
    _, code, expected = parse_number("1,200")
    assert code == "unclear-number" and "write 1200 for that many, or 1.2000 for 1.200" in expected
    assert parse_number("1200")[0] == 1200.0 and parse_number("1.2000")[0] == 1.2
    _, code, expected = parse_number("1.200", decimal=",")
    assert code == "unclear-number" and "write 1200 for that many, or 1,2000 for 1,200" in expected
    assert parse_number("1,2000", decimal=",")[0] == 1.2


def test_a_header_is_offered_for_the_one_column_that_it_is_nearest_to(tmp_path):
    told = faults(read_cells, put(tmp_path, "id,min_v,max_v\na,2.5,4.2\n"))
    assert [item.field for item in told if '"min_v"' in item.expected] == ["voltage_min_v"]
    assert [item.field for item in told if '"max_v"' in item.expected] == ["voltage_max_v"]
