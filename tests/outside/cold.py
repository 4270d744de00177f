"""What the references over temperature hold, and how far a fitted cell is from them (see reference/make_cold.py)."""

from __future__ import annotations

import csv
from collections.abc import Callable, Iterator
from pathlib import Path

import numpy as np

from optimizer.base.problems import Problem
from optimizer.cell.charging import charge, peak_power_w
from optimizer.cell.curves import read_curves, read_pulses
from optimizer.cell.measured import Curve, Pulse
from optimizer.cell.model import CellModel
from optimizer.cell.steps import Heat, run_profile

FOLDER = Path(__file__).parent / "reference"
# Aims: rides 2 % at 10, 4 % at 0 and -5, 6 % at -10 degC; ten-second power 8 %; charge times 5 %.
LIMITS: dict[str, Callable[[float], float]] = {
    "ride": lambda temp_c: 0.02 if temp_c > 5 else 0.04 if temp_c > -7 else 0.06,
    "peak": lambda temp_c: 0.08,
    "charge": lambda temp_c: 0.05,
}


def rows(path: Path) -> list[dict[str, str]]:
    """Rows of a CSV."""
    with path.open(newline="", encoding="utf-8") as handle:
        return list(csv.DictReader(handle))


def names() -> list[str]:
    """Sets that have a truth."""
    return sorted(path.parent.name for path in (FOLDER / "cold").glob("*/truth.csv"))


def read(name: str) -> tuple[list[Curve], list[Pulse]]:
    """Curves and pulses of a set."""
    problems: list[Problem] = []
    folder = FOLDER / "cold" / name
    out = read_curves(folder / "curves.csv", problems), read_pulses(folder / "pulses.csv", problems)
    assert problems == []
    return out


def judged(name: str, model: CellModel) -> Iterator[tuple[float, str, str, float]]:
    """Temperature, case, kind of figure, and relative error, of everything that was not fitted."""
    ride = np.array([[float(r["time_s"]), float(r["power_c"])] for r in rows(FOLDER / "ride.csv")])
    numbers = rows(FOLDER / "cold" / name / "set.csv")[0]
    warm = Heat(float(numbers["heat_capacity_j_k"]), float(numbers["cooling_w_k"]))
    for row in rows(FOLDER / "cold" / name / "truth.csv"):
        temp_c, case, value = float(row["temp_c"]), row["case"], float(row["value"])
        kind, number = case.split()
        if kind == "charge":
            done = charge(model, current_a=value, start_soc=0.2, temp_c=temp_c)
            if float(row["time_80_min"]) < float(row["time_min"]) - 0.01:
                yield temp_c, f"{case}, to 80 %", "charge", done.minutes_to(0.8) / float(row["time_80_min"]) - 1
            yield temp_c, f"{case}, to the end", "charge", done.minutes / float(row["time_min"]) - 1
        elif kind == "peak":
            yield temp_c, case, "peak", peak_power_w(model, soc=float(number), temp_c=temp_c) / value - 1
        else:
            share = 1.0 if kind == "warm" else float(number)
            run = run_profile(model, time_s=ride[:, 0], power_w=ride[:, 1] * share * value, start_soc=0.95,
                              temp_c=temp_c, heat=warm if kind == "warm" else None)  # fmt: skip
            yield temp_c, case, "ride", run.energy_wh / float(row["energy_wh"]) - 1
