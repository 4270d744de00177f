"""Make the reference CSVs of the cell over temperature: PyBaMM's DFN away from 25 degC, isothermal and lumped.

Each set gets a folder under `cold` with

curves.csv   temp_c, current_a, capacity_ah, voltage_v: discharges at C/2 and 1C at 25, 0 and -10 degC, and C/20 at 25
pulses.csv   temp_c, soc, current_a, time_s, voltage_before_v, voltage_v: 0.1 s and 10 s of 1C at those temperatures
truth.csv    temp_c, case, value, energy_wh, time_80_min, time_min: what a fit must predict

Cases: `ride N` repeats N times the power of ride.csv from 95 % to the cut-off (value: the power of 1 [W]);
`warm ride` the same in a cell that warms by its own heat (heat_capacity_j_k, cooling_w_k in set.csv);
`peak S` the constant power that reaches the cut-off after 10 s at a state of charge S (value [W]);
`charge C` from 20 % at C times the capacity, then held at the upper voltage down to 0.05C (value: the current [A]).

Run by hand: python make_cold.py [set ...] ; needs the extra `reference` (pip install pybamm).
"""

from __future__ import annotations

import csv
import sys
import warnings
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
from make_reference import HERE, PARTICLE_POINTS, Row, ride_c, simulation, write_csv
from numpy.typing import NDArray

SETS = ("Ecker2015", "Marquis2019", "Mohtat2020", "NCA_Kim2011", "OKane2022", "ORegan2022", "Ramadass2004",
        "Chen2020", "Prada2013")  # fmt: skip
FIT_C, JUDGE_C, WARM_C = (25.0, 0.0, -10.0), (10.0, 0.0, -5.0, -10.0), (0.0, -10.0)
CHARGE_C = (10.0, 25.0, 40.0)
PULSE_SOC = (0.8, 0.5, 0.2)
POINTS = 50
GAS = 8.314462618
CONDUCTIVITY, DIFFUSIVITY = "Electrolyte conductivity [S.m-1]", "Electrolyte diffusivity [m2.s-1]"
KINETICS = tuple(f"{side} electrode exchange-current density [A.m-2]" for side in ("Negative", "Positive"))
PARTICLES = tuple(f"{side} particle diffusivity [m2.s-1]" for side in ("Negative", "Positive"))
# Changed sets: (set, factor of numbers, {function: (factor, further activation energy [J/mol])}).
VARIANTS: dict[str, tuple[str, dict[str, float], dict[str, tuple[float, float]]]] = {
    "OKane2022-steep": (
        "OKane2022",
        {"Negative electrode thickness [m]": 0.8, "Positive electrode thickness [m]": 0.8,
         "Nominal cell capacity [A.h]": 0.8},
        {CONDUCTIVITY: (0.8, 6e3), DIFFUSIVITY: (0.9, 8e3), KINETICS[0]: (1.5, 15e3), KINETICS[1]: (2.0, 20e3)},
    ),
    "Chen2020-cold": (
        "Chen2020",
        {"Negative electrode thickness [m]": 0.75, "Positive electrode thickness [m]": 0.75,
         "Nominal cell capacity [A.h]": 0.75},
        {CONDUCTIVITY: (1.0, 16e3), DIFFUSIVITY: (1.0, 16e3), KINETICS[1]: (1.5, 20e3), PARTICLES[0]: (1.5, 25e3),
         PARTICLES[1]: (2.0, 20e3)},
    ),
    "Prada2013-cold": (
        "Prada2013",
        {"Negative particle radius [m]": 0.8},
        {CONDUCTIVITY: (1.0, 15e3), DIFFUSIVITY: (1.0, 17e3), PARTICLES[0]: (1.0, 30e3), PARTICLES[1]: (1.0, 20e3)},
    ),
    "Ecker2015-mild": (
        "Ecker2015",
        {"Negative particle radius [m]": 0.8, "Positive particle radius [m]": 0.7},
        {PARTICLES[1]: (1.0, -35e3), KINETICS[0]: (1.0, -15e3), DIFFUSIVITY: (1.2, 0.0)},
    ),
    # Not made yet, but for OKane2022-power, Mohtat2020-thick and Chen2020-thick: for a test that nobody has looked at.
    "Chen2020-thick": (
        "Chen2020",
        {"Negative electrode thickness [m]": 1.1, "Positive electrode thickness [m]": 1.1,
         "Nominal cell capacity [A.h]": 1.1},
        {CONDUCTIVITY: (1.8, 14e3), DIFFUSIVITY: (2.0, 14e3), KINETICS[0]: (1.0, 8e3), KINETICS[1]: (0.7, 22e3),
         PARTICLES[0]: (2.0, 18e3), PARTICLES[1]: (1.5, 30e3)},
    ),
    "Marquis2019-mild": (
        "Marquis2019",
        {"Negative electrode thickness [m]": 0.7, "Positive electrode thickness [m]": 0.7,
         "Nominal cell capacity [A.h]": 0.7},
        {KINETICS[0]: (1.6, -12e3), KINETICS[1]: (0.8, 8e3), PARTICLES[0]: (0.8, -12e3)},
    ),
    "Mohtat2020-thick": (
        "Mohtat2020",
        {"Negative electrode thickness [m]": 1.15, "Positive electrode thickness [m]": 1.15,
         "Nominal cell capacity [A.h]": 1.15},
        {KINETICS[0]: (0.6, 10e3), PARTICLES[0]: (1.5, -15e3), PARTICLES[1]: (2.0, 15e3), CONDUCTIVITY: (1.2, -14e3)},
    ),
    "ORegan2022-thin": (
        "ORegan2022",
        {"Negative electrode thickness [m]": 0.7, "Positive electrode thickness [m]": 0.7,
         "Nominal cell capacity [A.h]": 0.7},
        {KINETICS[0]: (0.7, 8e3), KINETICS[1]: (0.5, 14e3), PARTICLES[0]: (1.0, 12e3)},
    ),
    "OKane2022-power": (
        "OKane2022",
        {"Negative electrode thickness [m]": 0.6, "Positive electrode thickness [m]": 0.6,
         "Nominal cell capacity [A.h]": 0.6, "Negative particle radius [m]": 0.7},
        {KINETICS[0]: (0.5, 12e3), KINETICS[1]: (0.7, 24e3), PARTICLES[0]: (1.0, 10e3)},
    ),
    "Prada2013-power": (
        "Prada2013",
        {"Negative electrode thickness [m]": 0.85, "Positive electrode thickness [m]": 0.85,
         "Nominal cell capacity [A.h]": 0.85},
        {CONDUCTIVITY: (0.8, 16e3), DIFFUSIVITY: (1.0, 20e3), KINETICS[0]: (0.8, 10e3), PARTICLES[1]: (1.0, 15e3)},
    ),
    "Ecker2015-thin": (
        "Ecker2015",
        {"Negative electrode thickness [m]": 0.8, "Positive electrode thickness [m]": 0.8,
         "Nominal cell capacity [A.h]": 0.8},
        {PARTICLES[1]: (1.3, -25e3), KINETICS[1]: (0.6, -8e3), CONDUCTIVITY: (0.7, 4e3)},
    ),
}  # fmt: skip


def scaled(old: Any, factor: float, energy_j_mol: float) -> Callable[..., Any]:
    """A parameter times a factor and a further Arrhenius law; the temperature is its last argument."""
    import pybamm  # type: ignore[import-untyped, unused-ignore]

    def new(*args: Any) -> Any:
        value = old(*args) if callable(old) else old
        return value * factor * pybamm.exp(energy_j_mol / GAS * (1 / 298.15 - 1 / args[-1]))

    return new


class Cell:
    """One parameter set at one temperature."""

    model = "DFN"
    points: int | None = PARTICLE_POINTS  # None: the simulation's own mesh

    def __init__(self, name: str, temp_c: float) -> None:
        import pybamm

        self.pb = pybamm
        base, factors, laws = VARIANTS.get(name, (name, {}, {}))
        self.values = pybamm.ParameterValues(base)
        self.values.update({key: float(self.values[key]) * factor for key, factor in factors.items()})
        self.values.update({key: scaled(self.values[key], *law) for key, law in laws.items()})
        self.capacity_ah = float(self.values["Nominal cell capacity [A.h]"])
        self.cut_v = float(self.values["Lower voltage cut-off [V]"])
        self.top_v = float(self.values["Upper voltage cut-off [V]"])
        kelvin = temp_c + 273.15
        self.values.update({"Ambient temperature [K]": kelvin, "Initial temperature [K]": kelvin})

    def _simulation(self, options: dict[str, str], extra: dict[str, Any], rtol: float) -> Any:
        pb = self.pb
        values = self.values.copy()
        # Braking from 95 % may go over the upper voltage in the cold, which ends no ride.
        over = {"Upper voltage cut-off [V]": self.top_v + 0.5} if options.get("operating mode") == "power" else {}
        values.update(extra | over, check_already_exists=False)
        solver = pb.IDAKLUSolver(rtol=rtol, atol=rtol * 1e-2)
        return self._meshed(options, parameter_values=values, solver=solver)

    def _meshed(self, options: dict[str, str], **given: Any) -> Any:
        model = getattr(self.pb.lithium_ion, self.model)(options)
        return simulation(self.pb, model, points=self.points, **given)

    def run(
        self, time_s: NDArray[np.float64], load: Any, *, soc: float, power: bool = False,
        heat: tuple[float, float] | None = None, rtol: float = 1e-5,
    ) -> Any:  # fmt: skip
        """Solve under a current or power; heat is (heat capacity [J/K], cooling [W/K]) of a cell that warms."""
        options = {"operating mode": "power"} if power else {}
        key = "Power function [W]" if power else "Current function [A]"
        extra = {key: load if np.isscalar(load) else self.pb.Interpolant(time_s, load, self.pb.t)}
        if heat is not None:
            options |= {"thermal": "lumped", "cell geometry": "arbitrary", "use lumped thermal capacity": "true"}
            extra |= {"Cell volume [m3]": 1e-5, "Cell heat capacity [J.K-1.m-3]": heat[0] / 1e-5,
                      "Cell cooling surface area [m2]": 1.0, "Total heat transfer coefficient [W.m-2.K-1]": heat[1],
                      "Cell thermal mass [J/K]": heat[0]}  # fmt: skip
        for tolerance in (rtol, 1e-4, 1e-3):
            try:
                return self._simulation(options, extra, tolerance).solve(time_s, initial_soc=soc, t_interp=time_s)
            except self.pb.SolverError as error:
                last = error
        raise last

    def peak_w(self, soc: float, seconds: float = 10.0) -> float:
        """Constant power that reaches the cut-off, or that no current gives any more, after some seconds."""
        run = self._simulation({"operating mode": "power"}, {"Power function [W]": "[input]"}, 1e-5)
        time_s = np.linspace(0, seconds, 21)
        low, high = 0.0, self.capacity_ah * self.top_v * 40.0
        for _ in range(14):
            middle = 0.5 * (low + high) if low else 0.3 * high
            try:
                load = {"Power function [W]": middle}
                solved = run.solve(time_s, initial_soc=soc, t_interp=time_s, inputs=load)
                lasts = bool(solved["Time [s]"].entries[-1] >= seconds - 1e-6)
            except self.pb.SolverError:
                lasts = False
            low, high = (middle, high) if lasts else (low, middle)
            if high - low < 2e-3 * high:
                break
        return 0.5 * (low + high)

    def charge_min(self, rate: float, start_soc: float, window_ah: float) -> tuple[float, float]:
        """Minutes of a charge to 80 %, and until the current has fallen to 0.05C at the upper voltage."""
        pb = self.pb
        values = self.values.copy()
        steps = (f"Charge at {rate}C until {self.top_v} V", f"Hold at {self.top_v} V until {0.05 * rate / rate}C")
        experiment = pb.Experiment([steps], period="20 seconds")
        solver = pb.IDAKLUSolver(rtol=1e-5, atol=1e-7)
        run = self._meshed({}, parameter_values=values, experiment=experiment, solver=solver)
        solved = run.solve(initial_soc=start_soc)
        charge = -solved["Discharge capacity [A.h]"].entries
        time_min = solved["Time [s]"].entries / 60.0
        return float(np.interp((0.8 - start_soc) * window_ah, charge, time_min)), float(time_min[-1])

    def window_ah(self) -> float:
        """Charge between rest at the two voltage limits [Ah]."""
        pb = self.pb
        low, high = (pb.lithium_ion.get_initial_stoichiometries(soc, self.values)[0] for soc in (0.0, 1.0))
        lithium = pb.LithiumIonParameters()
        return float((high - low) * self.values.evaluate(lithium.n.prim.Q_init))


def thinned(charge: NDArray[np.float64], volt: NDArray[np.float64]) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """A curve on evenly spaced charges."""
    grid = np.linspace(0, charge[-1], POINTS)
    return grid, np.interp(grid, charge, volt)


def curve_rows(name: str, make: type[Cell] = Cell) -> list[Row]:
    """Discharge curves from full."""
    rows: list[Row] = []
    for temp_c in FIT_C:
        cell = make(name, temp_c)
        for rate in (0.05, 0.5, 1.0) if temp_c == 25.0 else (0.5, 1.0):
            amp = rate * cell.capacity_ah
            time_s = np.linspace(0, 2.2 * 3600 / rate, 801)
            solved = cell.run(time_s, amp, soc=1.0)
            if solved["Time [s]"].entries[-1] < 30.0:
                continue  # ends at once
            charge, volt = solved["Discharge capacity [A.h]"].entries, solved["Voltage [V]"].entries
            rows += [
                {"temp_c": temp_c, "current_a": amp, "capacity_ah": round(float(a), 6), "voltage_v": round(float(v), 4)}
                for a, v in zip(*thinned(charge, volt), strict=True)
            ]
    return rows


def slow_mean_v(path: Path) -> float:
    """Mean voltage of the curve at C/20."""
    with path.open(newline="", encoding="utf-8") as handle:
        rows = [{k: float(v) for k, v in row.items()} for row in csv.DictReader(handle)]
    slow = [r for r in rows if r["current_a"] == min(q["current_a"] for q in rows)]
    charge, volt = ([r[k] for r in slow] for k in ("capacity_ah", "voltage_v"))
    return float(np.trapezoid(volt, charge) / charge[-1])


def pulse_rows(name: str, make: type[Cell] = Cell) -> list[Row]:
    """Pulses of 1C, of 0.5C where 1C ends before 10 s."""
    rows: list[Row] = []
    for temp_c in FIT_C:
        cell = make(name, temp_c)
        for soc in PULSE_SOC:
            rest = float(cell.run(np.linspace(0, 1, 3), 0.0, soc=soc)["Voltage [V]"].entries[0])
            for rate in (1.0, 0.5, 0.25):
                amp = rate * cell.capacity_ah
                time_s = np.linspace(0, 10, 101)
                solved = cell.run(time_s, amp, soc=soc)
                if solved["Time [s]"].entries[-1] < 9.999:
                    continue
                volt = solved["Voltage [V]"].entries
                head = {"temp_c": temp_c, "soc": soc, "current_a": amp}
                rows += [
                    {**head, "time_s": t, "voltage_before_v": round(rest, 5),
                     "voltage_v": round(float(np.interp(t, time_s, volt)), 5)}
                    for t in (0.1, 10.0)
                ]  # fmt: skip
                break
    return rows


def row(temp_c: float, case: str, value: float, energy_wh: Any = "", early: Any = "", late: Any = "") -> Row:
    return {"temp_c": temp_c, "case": case, "value": round(value, 6), "energy_wh": energy_wh, "time_80_min": early,
            "time_min": late}  # fmt: skip


def ride_row(cell: Cell, temp_c: float, case: str, watt: float, share: float, heat: tuple[float, float] | None) -> Row:
    """Energy of the ride repeated to the cut-off."""
    # Some sets hold far more than their nominal capacity; a run that ends with its last lap tells nothing.
    ride, laps = ride_c(), int(np.ceil(24 / share))
    time_s = np.concatenate([ride[:-1, 0] + 600 * lap for lap in range(laps)])
    solved = cell.run(time_s, np.tile(ride[:-1, 1] * share, laps) * watt, soc=0.95, power=True, heat=heat, rtol=1e-4)
    volt, amp = solved["Voltage [V]"].entries, solved["Current [A]"].entries
    if volt[-1] > cell.cut_v + 0.05:
        raise ValueError(f"the ride at {temp_c:g} degC did not end at the cut-off")
    energy = float(np.trapezoid(volt * amp, solved["Time [s]"].entries)) / 3600
    return row(temp_c, case, watt, round(energy, 6))


def truth_rows(name: str, mean_v: float) -> tuple[list[Row], list[Row]]:
    """What a fit must predict, and the numbers of the set."""
    rows: list[Row] = []
    hot = Cell(name, 25.0)
    watt, window = hot.capacity_ah * mean_v, hot.window_ah()
    heat = (5.0 * watt, 5.0 * watt / 2400.0)  # 1 kJ/kg K at 200 Wh/kg; cools with a time constant of 40 min
    for temp_c in JUDGE_C:
        cell = Cell(name, temp_c)
        jobs: list[Callable[[], list[Row]]] = [
            lambda c=cell, t=temp_c: [ride_row(c, t, "ride 1", watt, 1.0, None)],
            *(lambda c=cell, t=temp_c, s=soc: [row(t, f"peak {s}", c.peak_w(s))] for soc in PULSE_SOC),
            lambda c=cell, t=temp_c: [charge_row(c, t, 0.5, window)],
        ]
        if temp_c in WARM_C:
            jobs.append(lambda c=cell, t=temp_c: [ride_row(c, t, "ride 0.5", watt, 0.5, None)])
            jobs.append(lambda c=cell, t=temp_c: [ride_row(c, t, "warm ride", watt, 1.0, heat)])
        rows += done(name, jobs)
    for temp_c in CHARGE_C:
        cell = Cell(name, temp_c)
        rows += done(name, [lambda c=cell, t=temp_c, r=rate: [charge_row(c, t, r, window)] for rate in (0.1, 1.0)])
    numbers = [{"capacity_ah": window, "heat_capacity_j_k": round(heat[0], 4), "cooling_w_k": round(heat[1], 6)}]
    return rows, numbers


def charge_row(cell: Cell, temp_c: float, rate: float, window: float) -> Row:
    early, late = cell.charge_min(rate, 0.2, window)
    return row(temp_c, f"charge {rate:g}", rate * cell.capacity_ah, "", round(early, 3), round(late, 3))


def done(name: str, jobs: list[Callable[[], list[Row]]]) -> list[Row]:
    """Rows of all jobs; one that the solver cannot do is named and left out."""
    rows: list[Row] = []
    for job in jobs:
        try:
            rows += job()
        except Exception as error:
            print(f"{name}: left out, {str(error)[:120]}", flush=True)
    return rows


def main() -> None:
    """Make all sets, or those named."""
    only_curves = "--curves" in sys.argv
    for name in [a for a in sys.argv[1:] if a != "--curves"] or (*SETS, *VARIANTS):
        folder = HERE / "cold" / name
        folder.mkdir(parents=True, exist_ok=True)
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            if not (folder / "pulses.csv").exists():
                write_csv(folder / "curves.csv", curve_rows(name))
                write_csv(folder / "pulses.csv", pulse_rows(name))
                print(name, "curves", flush=True)
            if only_curves:
                continue
            mean_v = slow_mean_v(folder / "curves.csv")
            rows, numbers = truth_rows(name, mean_v)
            write_csv(folder / "truth.csv", rows)
            write_csv(folder / "set.csv", numbers)
        print(name, flush=True)


if __name__ == "__main__":
    main()
