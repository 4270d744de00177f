"""Table of errors of the fitted cell against the full electrochemical reference, and how long a fit takes.

Run by hand: python -m tests.bench.bench_cell
"""

from __future__ import annotations

import platform
import time
from pathlib import Path

import numpy as np

from optimizer.base.problems import Problem
from optimizer.cell.curves import read_curves, read_pulses, read_table
from optimizer.cell.fit import fit_model
from optimizer.cell.measured import Curve, Fit, Pulse
from optimizer.cell.model import voltage
from optimizer.cell.steps import LoadRun, run_constant, run_profile

FOLDER = Path(__file__).parents[1] / "outside" / "reference"
CASES = ("current 0.5", "power 0.5", "power 1.0", "current 2.0", "current 3.0")


def truths(name: str) -> list[dict[str, str]]:
    """Rows of truth.csv."""
    header, *lines = (FOLDER / name / "truth.csv").read_text().splitlines()
    return [dict(zip(header.split(","), line.split(","), strict=True)) for line in lines]


def read(name: str) -> tuple[list[Curve], list[Pulse]]:
    """Curves and pulses of a set."""
    problems: list[Problem] = []
    return read_curves(FOLDER / name / "curves.csv", problems), read_pulses(FOLDER / name / "pulses.csv", problems)


def plain(curves: list[Curve]) -> tuple[np.ndarray, np.ndarray, float]:
    """The rival: OCV from the slow curve, one series resistance fitted on the energy of the fast one."""
    slow, fast = curves
    energy = np.trapezoid(fast.voltage_v, fast.capacity_ah)
    lo, hi = 0.0, 2.0 / fast.current_a
    for _ in range(60):
        ohm = 0.5 * (lo + hi)
        volt = slow.voltage_v - ohm * fast.current_a
        kept = volt >= fast.voltage_v[-1]
        lo, hi = (ohm, hi) if np.trapezoid(volt[kept], slow.capacity_ah[kept]) > energy else (lo, ohm)
    return slow.capacity_ah, slow.voltage_v, ohm


def line(name: str, fit: Fit, ride: np.ndarray) -> str:
    """One row of the table: energy error for each case, capacity error at 2C, ride, sag and drop."""
    model, cells = fit.model, []
    by_case = {t["case"]: t for t in truths(name) if not t["case"].startswith("drop")}
    runs: dict[str, LoadRun] = {}
    for case in CASES:
        if case not in by_case:
            cells.append("–")
            continue
        value = float(by_case[case]["value"])
        kind = {"current_a": value} if case.startswith("current") else {"power_w": value}
        runs[case] = run_constant(model, **kind)
        cells.append(f"{100 * (runs[case].energy_wh / float(by_case[case]['energy_wh']) - 1):+.2f}")
    twice = 100 * (runs["current 2.0"].capacity_ah / float(by_case["current 2.0"]["capacity_ah"]) - 1)
    cells.insert(4, f"{twice:+.2f}")
    truth = by_case["ride"]
    run = run_profile(model, time_s=ride[0], power_w=ride[1] * float(truth["value"]), start_soc=0.95)
    cells.append(f"{100 * (run.energy_wh / float(truth['energy_wh']) - 1):+.2f}")
    lowest = float(truth["lap_min_voltage_v"].split()[0])
    cells.append(f"{1000 * (run.lap_min_voltage_v[0] - lowest):+.0f}")
    for t in (t for t in truths(name) if t["case"] == "drop 2C"):
        soc, amp = float(t["value"]), 2 * model.reference_current_a
        volt = voltage(model, soc=soc - amp / 360 / model.capacity_ah, current_a=amp, seconds=10.0)
        drop = float(np.interp(soc, model.soc, model.ocv_v) - volt)
        cells.append(f"{100 * (drop / float(t['lap_min_voltage_v']) - 1):+.1f}")
    return f"| {name} | " + " | ".join(cells) + " |"


def rival_line(name: str, curves: list[Curve]) -> str:
    """Energy errors of the plain series resistance at 0.5C and 2C, and its capacity error at 2C."""
    charge, volt, ohm = plain(curves)
    by_case = {t["case"]: t for t in truths(name)}
    out = []
    for case in ("current 0.5", "current 2.0"):
        amp = float(by_case[case]["value"])
        sagged = volt - ohm * amp
        kept = sagged >= curves[1].voltage_v[-1]
        out.append(100 * (np.trapezoid(sagged[kept], charge[kept]) / float(by_case[case]["energy_wh"]) - 1))
        last = 100 * (charge[kept][-1] / float(by_case[case]["capacity_ah"]) - 1)
    return f"| {name} | {out[0]:+.2f} | {out[1]:+.2f} | {last:+.2f} |"


def main() -> None:
    """Print machine, table and times."""
    print(f"{platform.machine()} python {platform.python_version()} numpy {np.__version__}")
    problems: list[Problem] = []
    table = read_table(FOLDER / "ride.csv", ("time_s", "power_c"), problems)
    assert table is not None
    ride = np.array([table[0]["time_s"], table[0]["power_c"]])
    names = sorted(path.parent.name for path in FOLDER.glob("*/truth.csv"))
    print("| set | 0.5C Wh % | 0.5 P Wh % | 1 P Wh % | 2C Wh % | 2C Ah % | 3C Wh % | ride Wh % | lowest mV "
          "| drop 80 % SoC % | 50 % | 20 % |")  # fmt: skip
    print("|---" * 12 + "|")
    seconds, rivals = [], []
    for name in names:
        curves, pulses = read(name)
        begin = time.perf_counter()
        fit = fit_model(curves, pulses=pulses)
        seconds.append(time.perf_counter() - begin)
        print(line(name, fit, ride), flush=True)
        rivals.append(rival_line(name, curves))
    print(f"fit: median {np.median(seconds):.1f} s, longest {max(seconds):.1f} s")
    print("plain series resistance:\n| set | 0.5C Wh % | 2C Wh % | 2C Ah % |\n|---|---|---|---|")
    print("\n".join(rivals))


if __name__ == "__main__":
    main()
