"""The fitted cell against PyBaMM's isothermal DFN at 25 degC (second implementation), on what was not fitted.

reference/make_reference.py made the CSVs. Aims: issue 4; a looser bound is regression only and
says so. The model's constants were settled while looking at the ten published sets; the four changed ones
(VARIANTS in the script) were made afterwards and are held out.
"""

import csv
import importlib.util
import sys
from functools import cache
from pathlib import Path
from types import ModuleType

import numpy as np
import pytest

from optimizer.base.problems import Problem
from optimizer.cell.curves import read_curves, read_profile, read_pulses
from optimizer.cell.fit import fit_model
from optimizer.cell.measured import Fit
from optimizer.cell.model import voltage
from optimizer.cell.steps import LoadRun, run_constant, run_profile

FOLDER = Path(__file__).parent / "reference"
SETS = sorted(path.parent.name for path in FOLDER.glob("*/truth.csv"))
# Not met: the diffusivity in ORegan2022's negative particles changes two thousandfold with charge. Its looser bounds
# are regression only, set on what the model reaches; the aims of issue 4 are missed at 0.5C by 0.03 %, at 2C, in drops.
WEAK = ("ORegan2022",)


def rows(path: Path) -> list[dict[str, str]]:
    """Rows of a CSV."""
    with path.open(newline="", encoding="utf-8") as handle:
        return list(csv.DictReader(handle))


@cache
def fitted(name: str) -> Fit:
    """The fit of a set's curves and pulses."""
    problems: list[Problem] = []
    curves = read_curves(FOLDER / name / "curves.csv", problems)
    pulses = read_pulses(FOLDER / name / "pulses.csv", problems)
    assert problems == []
    return fit_model(curves, pulses=pulses)


def predicted(name: str, row: dict[str, str]) -> LoadRun:
    """The run of one case of truth.csv."""
    kind, value, model = row["case"].split()[0], float(row["value"]), fitted(name).model
    if kind == "current":
        return run_constant(model, current_a=value)
    if kind == "power":
        return run_constant(model, power_w=value)
    ride = np.array([[float(r["time_s"]), float(r["power_c"])] for r in rows(FOLDER / "ride.csv")])
    return run_profile(model, time_s=ride[:, 0], power_w=ride[:, 1] * value, start_soc=0.95)


def truth(name: str, case: str) -> dict[str, str]:
    """One row of truth.csv."""
    return next(row for row in rows(FOLDER / name / "truth.csv") if row["case"] == case)


def energy_aim(name: str) -> float:
    """0.5 %, 1 % for iron phosphate; 0.6 % for the weak set."""
    return 0.006 if name in WEAK else 0.01 if name.startswith("Prada2013") else 0.005


@pytest.mark.parametrize("case", ["current 0.5", "power 0.5", "power 1.0"])
@pytest.mark.parametrize("name", SETS)
def test_energy_between_and_beside_the_fitted_curves(name: str, case: str):
    row = truth(name, case)
    assert predicted(name, row).energy_wh == pytest.approx(float(row["energy_wh"]), rel=energy_aim(name))


@pytest.mark.parametrize("name", [n for n in SETS if n not in WEAK])
def test_twice_the_highest_fitted_current(name: str):
    # ORegan2022 left out: 11 % of energy short, which the command calls extrapolation.
    row = truth(name, "current 2.0")
    run = predicted(name, row)
    assert run.energy_wh == pytest.approx(float(row["energy_wh"]), rel=0.02)
    assert run.capacity_ah == pytest.approx(float(row["capacity_ah"]), rel=0.01)


@pytest.mark.parametrize("name", SETS)
def test_ride_to_cutoff(name: str):
    row = truth(name, "ride")
    run = predicted(name, row)
    assert run.energy_wh == pytest.approx(float(row["energy_wh"]), rel=0.02)
    lowest = [float(v) for v in row["lap_min_voltage_v"].split()]
    assert run.lap_min_voltage_v[0] == pytest.approx(lowest[0], abs=0.06)
    # From this project's own margin: the sag is far inside the aim, so that a plain resistance cannot pass.
    assert run.lap_min_voltage_v[0] == pytest.approx(lowest[0], abs=0.025)


@pytest.mark.parametrize("name", SETS)
def test_drop_after_ten_seconds_at_twice_the_pulse(name: str):
    # Aim 5 %. Regression only where it is missed: ORegan2022, and Ecker2015 at 80 %, whose diffusion depends on charge.
    model = fitted(name).model
    for row in (r for r in rows(FOLDER / name / "truth.csv") if r["case"] == "drop 2C"):
        soc, drop = float(row["value"]), float(row["lap_min_voltage_v"])
        amp = 2.0 * model.reference_current_a
        found = np.interp(soc, model.soc, model.ocv_v) - voltage(
            model, soc=soc - amp * 10 / 3600 / model.capacity_ah, current_a=amp, seconds=10.0
        )
        missed = name in WEAK or (name, soc) == ("Ecker2015", 0.8)
        limit = 0.12 if missed else 0.05
        assert found == pytest.approx(drop, rel=limit), soc


@pytest.mark.nightly
@pytest.mark.parametrize("name", ["Prada2013"])
def test_script_makes_the_stored_curves_again(name: str, tmp_path: Path):
    pytest.importorskip("pybamm")
    script = load_script()
    reference = script.Reference(name)
    made, mean_v = script.curve_rows(reference)
    stored = rows(FOLDER / name / "curves.csv")
    # Capacity within 0.1 % and voltage within 3 mV: solver tolerances, and the grid of the stored points.
    for current in {float(r["current_a"]) for r in stored}:
        old = np.array([[float(r["capacity_ah"]), float(r["voltage_v"])] for r in stored
                        if float(r["current_a"]) == current])  # fmt: skip
        new = np.array([[r["capacity_ah"], r["voltage_v"]] for r in made if r["current_a"] == pytest.approx(current)])
        assert new[-1, 0] == pytest.approx(old[-1, 0], rel=1e-3)
        inner = old[:, 0] < 0.95 * old[-1, 0]
        assert np.interp(old[inner, 0], new[:, 0], new[:, 1]) == pytest.approx(old[inner, 1], abs=3e-3)
    assert float(truth(name, "power 1.0")["value"]) == pytest.approx(reference.capacity_ah * mean_v, rel=1e-3)


def load_script() -> ModuleType:
    """make_reference.py as a module."""
    spec = importlib.util.spec_from_file_location("make_reference", FOLDER / "make_reference.py")
    assert spec is not None and spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    sys.modules["make_reference"] = module
    spec.loader.exec_module(module)
    return module


def test_profile_file_gives_the_same_ride(tmp_path: Path):
    row = truth("Chen2020", "ride")
    path = tmp_path / "ride.csv"
    lines = [f"{r['time_s']},{float(r['power_c']) * float(row['value'])!r}" for r in rows(FOLDER / "ride.csv")]
    path.write_text("time_s,power_w\n" + "\n".join(lines) + "\n")
    problems: list[Problem] = []
    time_s, power_w = read_profile(path, problems)
    run = run_profile(fitted("Chen2020").model, time_s=time_s, power_w=power_w, start_soc=0.95)
    assert run.energy_wh == pytest.approx(predicted("Chen2020", row).energy_wh, rel=1e-9)
