"""Conductor materials: the table is whole and misuse is refused; values are checked in tests/outside."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

import optimizer
from optimizer.base.materials import MATERIALS
from optimizer.catalog import builtin_catalogs, read_strips
from optimizer.cell import default, fit, fit_params, model

HOUSE = Path(optimizer.__file__).parent

# A constant that is written out anywhere but in its table: digits of each, as code would have them.
CONSTANTS = {"gas constant": r"8\.31\d", "Faraday": r"9648\d", "Celsius": r"273\.15", "gravity": r"9\.80?6?6?5?\b",
             "air": r"287\.0\d", "pressure": r"10132[0-9]", "radiation": r"5\.67\d"}  # fmt: skip


@pytest.mark.parametrize("name", MATERIALS)
def test_every_material_says_where_its_values_come_from(name):
    assert MATERIALS[name].name == name
    assert len(MATERIALS[name].source) > 10


def test_a_strip_without_its_own_values_has_those_of_the_one_table():
    """Search and drawings, protection and bill read one nickel and one steel."""
    strips = read_strips(builtin_catalogs() / "strips.csv")
    for k, name in enumerate(strips.material):
        assert strips.resistivity_ohm_m[k] == MATERIALS[name].resistivity_ohm_m
        assert strips.density_kg_m3[k] == MATERIALS[name].density_kg_m3


def test_coefficients_of_resistance_are_the_handbooks():
    """IEC 60028 (copper), IEC 60889 (aluminium), IEC 60949 (steel: vanishes at -202 °C), makers' bulletins for nickel
    200: 0.096 µohm m at 20 °C, 0.130 at 100 °C. From memory."""
    wanted = {"copper": (0.00393, 1e-9), "aluminium": (0.00403, 1e-9), "nickel_plated_steel": (1 / 222, 1e-5),
              "nickel": ((0.130 / 0.096 - 1) / 80, 7e-4)}  # fmt: skip
    for name, (value, slack) in wanted.items():
        assert MATERIALS[name].temperature_coefficient_per_k == pytest.approx(value, abs=slack)
        assert MATERIALS[name].vanishing_c == pytest.approx(1 / MATERIALS[name].temperature_coefficient_per_k - 20)


@pytest.mark.parametrize("name", CONSTANTS)
def test_constants_stand_once(name):
    found = [
        f"{path.relative_to(HOUSE)}:{number}"
        for path in sorted(HOUSE.rglob("*.py"))
        if path.name != "constants.py"
        for number, line in enumerate(path.read_text().splitlines(), start=1)
        # Docstrings may quote; units of columns that are read in are no constants of ours.
        if re.search(rf"(?:[-+*/(=] ?){CONSTANTS[name]}", line.split("#")[0]) and '"' not in line and "·" not in line
        and "above -273.15" not in line
    ]
    assert found == []


def test_time_constants_of_a_cell_stand_once():
    """A cell known by its row alone has the model's delays; a fit keeps a first delay of its own."""
    assert default.TAU1_S == model.TAU1_S == 3.0
    assert fit.FIT_TAU1_S == fit_params.FIT_TAU1_S == 5.0
    assert default.TAU2_S == model.TAU2_S
    found = [path.name for path in sorted((HOUSE / "cell").rglob("*.py")) if re.search(r"^TAU", path.read_text(), re.M)]
    assert found == ["model.py"]
