"""Discharge curves, pulses and power profiles read from CSV: every fault named with its row, all at once."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from optimizer.base.arrays import Floats
from optimizer.base.problems import Problem
from optimizer.cell.laws import REFERENCE_TEMP_C
from optimizer.cell.measured import Curve, Pulse, noise_of
from optimizer.cell.table import read_table

CURVE_COLUMNS = ("current_a", "capacity_ah", "voltage_v")
PULSE_COLUMNS = ("soc", "current_a", "time_s", "voltage_before_v", "voltage_v")
TEMP_COLUMN = {"temp_c": REFERENCE_TEMP_C}
# A cell's own temperature during a measurement; cells are not discharged beyond.
TEMP_C = (-45.0, 85.0)
PROFILE_COLUMNS = ("time_s", "power_w")
SAME_CURRENT = 0.03
SAME_TEMP_K = 1.0
LEAST_VOLT, MOST_VOLT = 0.3, 10.0
IN_TEMP_C = f"must be {TEMP_C[0]:g} to {TEMP_C[1]:g}; is this in degrees Celsius?"
IN_VOLTS = f"must be {LEAST_VOLT:g} to {MOST_VOLT:g} V (one cell)"
MOST_AH = 1000.0
MOST_A = 5000.0
# Currents over capacity, resistance, and times that a cell's data sheet may show.
C_RATES = (0.005, 200.0)
PULSE_MOHM = (0.05, 5000.0)
PULSE_S = 3600.0
# What tells one pulse from another, and what its repeats may differ by: cells of one batch spread by less.
SAME_PULSE, PULSE_SPREAD = ("soc", "current_a", "temp_c", "time_s"), 1.5
PROFILE_S = 90_000.0
MOST_W = 1e6
MOST_S = 1e11
LEAST_ROWS = 4
# A cell near depletion of its electrolyte recovers in mid-discharge: full electrochemical simulations of a
# published set at 1C rise by 45 mV over many rows, or by 31 mV between two rows where rows are few.
RECOVERY_V = 0.06
STEP_V = 0.04
PEAK_V = 0.02
# In the cold a cell dips and recovers by more: by its own heat as on data sheets (common practice, no published
# source), and as its electrolyte does in simulations, by 127 mV between two of fifty rows (O'Regan 2022, 1C, -10 degC).
COLD_C, COLD_FACTOR = 15.0, 5.0


def _steps(values: Floats, width: Floats) -> list[NDArray[np.int64]]:
    """Row indices of values that lie together: neighbours are no further apart than the width of the lower one."""
    order = np.argsort(values, kind="stable")
    jumps = np.flatnonzero(np.diff(values[order]) > width[order][:-1]) + 1
    return [np.sort(part) for part in np.split(order, jumps)]


def _groups(current_a: Floats, temp_c: Floats) -> list[NDArray[np.int64]]:
    """Row indices of each temperature and current, in rising order of current, the warmest first.

    Measured values scatter: neighbours within 1 K are one temperature, within 3 % one current.
    """
    out = []
    for here in _steps(temp_c, np.full(len(temp_c), SAME_TEMP_K)):
        out += [here[part] for part in _steps(current_a[here], SAME_CURRENT * current_a[here])]
    return sorted(out, key=lambda rows: (float(np.median(current_a[rows])), -float(np.median(temp_c[rows]))))


def read_curves(path: Path, problems: list[Problem], *, rated_ah: float | None = None) -> list[Curve]:
    """Discharge curves from full, one for each current at each temperature.

    Parameters
    ----------
    path : Path
        CSV with current_a, capacity_ah, voltage_v, and temp_c [degC] where it is not 25; rows of one current are
        put in order of capacity. Currents that are all negative count as discharge too.
    problems : list of Problem
        What is wrong is added to it.
    rated_ah : float, optional
        Capacity of the catalog row [Ah]; no curve may go more than 15 % beyond it.

    Returns
    -------
    list of Curve
        In rising order of current; of no use when problems were added.
    """
    table = read_table(path, CURVE_COLUMNS, problems, usual=TEMP_COLUMN)
    if table is None:
        return []
    columns, rows = table
    problems += _few(_row_faults(path, columns, rows))
    volt_fine = (columns["voltage_v"] >= LEAST_VOLT) & (columns["voltage_v"] <= MOST_VOLT)
    amp_fine = (columns["current_a"] != 0) & (np.abs(columns["current_a"]) <= MOST_A)
    volt_fine &= (columns["temp_c"] >= TEMP_C[0]) & (columns["temp_c"] <= TEMP_C[1])
    fine = np.flatnonzero(volt_fine & amp_fine & (columns["capacity_ah"] >= 0) & (columns["capacity_ah"] <= MOST_AH))
    columns, rows = {name: values[fine] for name, values in columns.items()}, [rows[i] for i in fine]
    if not len(fine):
        return []
    amp = np.abs(columns["current_a"])
    curves = []
    for index in _groups(amp, columns["temp_c"]):
        order = index[np.argsort(columns["capacity_ah"][index], kind="stable")]
        charge, volt = columns["capacity_ah"][order], columns["voltage_v"][order]
        temp_c = float(np.median(columns["temp_c"][order]))
        problems += _curve_faults(path, float(np.median(amp[index])), charge, volt, [rows[i] for i in order], temp_c)
        keep = np.concatenate([[True], np.diff(charge) > 1e-9 * max(charge[-1], 1e-9)])
        temp_c = float(np.median(columns["temp_c"][index]))
        curves.append(Curve(float(np.median(amp[index])), charge[keep], volt[keep], temp_c))
    problems += _set_faults(path, curves, columns, rows, rated_ah)
    return curves


def _row_faults(path: Path, columns: dict[str, Floats], rows: list[int]) -> list[Problem]:
    """Faults of single rows: currents of mixed sign or zero, charge below 0, voltages no cell has."""
    faults = []
    amp = columns["current_a"]
    sign = 1.0 if np.sum(amp > 0) >= np.sum(amp < 0) else -1.0
    for i, row in enumerate(rows):
        charge, temp, volt = (columns[name][i] for name in ("capacity_ah", "temp_c", "voltage_v"))
        if amp[i] == 0:
            faults.append(_fault(path, row, "zero-current", "current_a", 0.0, "must not be 0"))
        elif amp[i] * sign < 0:
            expected = "must have the sign of the other currents"
            faults.append(_fault(path, row, "mixed-sign", "current_a", amp[i], expected))
        if charge < 0:
            faults.append(_fault(path, row, "negative", "capacity_ah", charge, "must be at least 0"))
        for field, most, unit in (("current_a", MOST_A, "amperes"), ("capacity_ah", MOST_AH, "ampere-hours")):
            if abs(columns[field][i]) > most:
                faults.append(_fault(path, row, "wrong-scale", field, columns[field][i], f"is this in {unit}?"))
        if not TEMP_C[0] <= temp <= TEMP_C[1]:
            faults.append(_fault(path, row, "out-of-range", "temp_c", temp, IN_TEMP_C))
        if not LEAST_VOLT <= volt <= MOST_VOLT:
            faults.append(_fault(path, row, "out-of-range", "voltage_v", volt, IN_VOLTS))
    return faults


def _fault(path: Path, row: int | None, code: str, field: str, value: float, expected: str) -> Problem:
    """What is wrong with a value of a row, or of the table as a whole."""
    return Problem(code, str(path), "" if row is None else f"row {row}", field, f"{value:g}", expected)


def rising_rows(volt: Floats, temp_c: float = REFERENCE_TEMP_C) -> NDArray[np.int64]:
    """Rows before those at which a curve begins to rise: by more than its noise and a cell's own recovery.

    Parameters
    ----------
    volt : ndarray, shape (n,)
        In order of capacity [V].
    temp_c : float
        Of the cell [degC].

    Returns
    -------
    ndarray of int
        Index i where row i + 1 is the first of a rise.
    """
    if len(volt) < 2:
        return np.zeros(0, dtype=np.int64)
    noise = min(6.0 * noise_of(volt), 0.04)
    rise = volt[1:] - np.minimum.accumulate(volt)[:-1]
    step = np.diff(volt)
    peak = np.minimum(step, np.append(-step[1:], np.inf))
    recovery, most, spike = np.array([RECOVERY_V, STEP_V, PEAK_V]) * (COLD_FACTOR if temp_c < COLD_C else 1.0)
    bad = (rise > max(recovery, noise)) | (step > max(most, noise)) | (peak > max(spike, noise))
    return np.flatnonzero(bad & ~np.concatenate([[False], bad[:-1]])).astype(np.int64)


def _few(problems: list[Problem], most: int = 10) -> list[Problem]:
    """The first faults of each kind, and how many more there are."""
    out: list[Problem] = []
    for code in dict.fromkeys(problem.code for problem in problems):
        same = [problem for problem in problems if problem.code == code]
        out += same[:most]
        if len(same) > most:
            last = same[-1]
            out.append(Problem(code, last.file, last.where, last.field, "", f"{len(same) - most} more like these"))
    return out


def _curve_faults(
    path: Path, amp: float, charge: Floats, volt: Floats, rows: list[int], temp_c: float
) -> list[Problem]:
    """Faults of one curve: too few rows, no charge, voltage that rises by more than its noise."""
    faults = []
    name = f"(curve of {amp:g} A)"
    if len(charge) < LEAST_ROWS or charge[-1] <= charge[0]:
        expected = f"must have {LEAST_ROWS} different values or more {name}"
        faults.append(_fault(path, rows[0], "too-few-rows", "capacity_ah", len(np.unique(charge)), expected))
    for i in rising_rows(volt, temp_c):
        expected = f"must not rise with capacity {name}, was {volt[: i + 1].min():g} before"
        faults.append(_fault(path, rows[i + 1], "curve-rises", "voltage_v", volt[i + 1], expected))
    return faults


def _set_faults(
    path: Path, curves: list[Curve], columns: dict[str, Floats], rows: list[int], rated_ah: float | None
) -> list[Problem]:
    """Faults between curves: fewer than two currents, more charge than the slowest curve or the row has."""
    faults = []
    if len(curves) < 2:
        expected = "must have two different values or more, or temp_c must"
        faults.append(_fault(path, None, "too-few-currents", "current_a", len(curves), expected))
    charge = float(curves[0].capacity_ah[-1])
    for curve in curves if charge > 0 else ():
        rate = curve.current_a / charge
        if not C_RATES[0] <= rate <= C_RATES[1]:
            question = f"is this in amperes, and capacity_ah in ampere-hours? it makes {rate:.3g} C"
            faults.append(_fault(path, None, "wrong-scale", "current_a", curve.current_a, question))
    for curve in curves:
        limits = [
            (o.capacity_ah[-1] * 1.03, f"charge of the curve of {o.current_a:g} A at {o.temp_c:g} degC")
            for o in curves
            if o is not curve and o.current_a <= 1.03 * curve.current_a and o.temp_c >= curve.temp_c
        ]
        limits += [] if rated_ah is None else [(rated_ah * 1.15, f"rated capacity {rated_ah:g} Ah")]
        for limit, name in limits:
            if curve.capacity_ah[-1] > limit:
                amp = np.abs(columns["current_a"])
                near = np.abs(amp - curve.current_a) <= SAME_CURRENT * curve.current_a
                near &= np.abs(columns["temp_c"] - curve.temp_c) <= SAME_TEMP_K
                at = int(np.argmax(np.where(near, columns["capacity_ah"], -1.0)))
                expected = f"must not go beyond the {name}"
                faults.append(_fault(path, rows[at], "capacity-beyond", "capacity_ah", curve.capacity_ah[-1], expected))
                break
    tops = [float(c.voltage_v[0]) for c in curves]
    if len(curves) > 1 and max(tops[1:]) > tops[0] + 0.02 * tops[0]:
        expected = f"must not start above the slowest curve ({tops[0]:g} V): all start from full"
        faults.append(_fault(path, None, "curves-cross", "voltage_v", max(tops[1:]), expected))
    return faults


def read_pulses(path: Path, problems: list[Problem]) -> list[Pulse]:
    """Pulses from rest, grouped by state of charge and current.

    Parameters
    ----------
    path : Path
        CSV with soc, current_a, time_s, voltage_before_v, voltage_v. Voltage must fall in a discharge and rise
        in a charge; either sign may stand for discharge.
    problems : list of Problem
        What is wrong is added to it.

    Returns
    -------
    list of Pulse
        Of no use when problems were added.
    """
    table = read_table(path, PULSE_COLUMNS, problems, usual=TEMP_COLUMN)
    if table is None:
        return []
    columns, rows = table
    with np.errstate(over="ignore"):  # voltages that no cell has are named below
        drop = columns["voltage_before_v"] - columns["voltage_v"]
    way = np.sign(drop) * np.sign(columns["current_a"])
    sign = -1.0 if np.sum(way < 0) > len(drop) / 2 else 1.0
    faults = _pulse_faults(path, columns, rows, way * sign)
    problems += _few(faults)
    if faults:
        return []
    fields = np.column_stack(
        [columns["soc"], columns["current_a"] * sign, columns["voltage_before_v"], columns["temp_c"]]
    )
    out = []
    for soc, amp, rest, temp in np.unique(fields, axis=0):
        here = np.flatnonzero((fields == (soc, amp, rest, temp)).all(axis=1))
        order = here[np.argsort(columns["time_s"][here], kind="stable")]
        out.append(Pulse(float(soc), float(amp), columns["time_s"][order], drop[order], float(rest), float(temp)))
    return out


def _pulse_faults(path: Path, columns: dict[str, Floats], rows: list[int], power: Floats) -> list[Problem]:
    """Faults of pulse rows."""

    def outside(name: str, low: float, high: float) -> NDArray[np.bool_]:
        return ~((columns[name] >= low) & (columns[name] <= high))

    rules: tuple[tuple[str, str, NDArray[np.bool_], str], ...] = (
        ("out-of-range", "soc", outside("soc", 0.0, 1.0), "must be between 0 and 1"),
        ("zero-current", "current_a", columns["current_a"] == 0, "must not be 0"),
        ("wrong-scale", "current_a", np.abs(columns["current_a"]) > MOST_A, "is this in amperes?"),
        ("not-positive", "time_s", columns["time_s"] <= 0, "must be above 0"),
        ("wrong-scale", "time_s", columns["time_s"] > PULSE_S, "is this in seconds?"),
        ("out-of-range", "voltage_before_v", outside("voltage_before_v", LEAST_VOLT, MOST_VOLT), IN_VOLTS),
        ("out-of-range", "temp_c", outside("temp_c", *TEMP_C), IN_TEMP_C),
        ("out-of-range", "voltage_v", outside("voltage_v", LEAST_VOLT, MOST_VOLT), IN_VOLTS),
        (
            "wrong-way",
            "voltage_v",
            (power <= 0) & (columns["current_a"] != 0),
            "must fall below voltage_before_v in a discharge and rise in a charge, like the other rows",
        ),
    )
    with np.errstate(all="ignore"):
        drop = np.abs(columns["voltage_before_v"] - columns["voltage_v"])
        milliohm = 1000.0 * drop / np.abs(columns["current_a"])
    # Rows of one pulse, with its temperature: a drop that is not the others' belongs to another one.
    same = pd.Series(drop).groupby([columns[name] for name in SAME_PULSE])
    apart = np.asarray(same.transform("max") > PULSE_SPREAD * same.transform("min"))
    expected = f"must make a drop within {PULSE_SPREAD:g} times of rows with the same {', '.join(SAME_PULSE)}"
    rules += (("pulses-differ", "voltage_v", apart, expected),)
    odd = ~((milliohm >= PULSE_MOHM[0]) & (milliohm <= PULSE_MOHM[1]))
    if odd.any() and not any(bad.any() for _, _, bad, _ in rules):
        expected = f"is this in amperes? expected a resistance of {PULSE_MOHM[0]:g} to {PULSE_MOHM[1]:g} mohm"
        rules += (("wrong-scale", "current_a", odd, expected),)
    return [
        _fault(path, rows[i], code, field, columns[field][i], expected)
        for code, field, bad, expected in rules for i in np.flatnonzero(bad)
    ]  # fmt: skip


def read_profile(path: Path, problems: list[Problem]) -> tuple[Floats, Floats]:
    """A power profile: times and power, discharge positive.

    Parameters
    ----------
    path : Path
        CSV with time_s, power_w.
    problems : list of Problem
        What is wrong is added to it.

    Returns
    -------
    tuple of ndarray
        [s], [W]; of no use when problems were added.
    """
    table = read_table(path, PROFILE_COLUMNS, problems)
    if table is None:
        return np.empty(0), np.empty(0)
    columns, rows = table
    time_s, power = columns["time_s"], columns["power_w"]
    if len(time_s) < 2:
        problems.append(_fault(path, None, "too-few-rows", "time_s", len(time_s), "must have two rows or more"))
        return time_s, power
    for field, values, most, unit in (("time_s", time_s, MOST_S, "seconds"), ("power_w", power, MOST_W, "watts")):
        for i in np.flatnonzero(np.abs(values) > most)[:10].tolist():
            problems.append(_fault(path, rows[i], "wrong-scale", field, values[i], f"is this in {unit}?"))
    if np.abs(time_s).max() > MOST_S or np.abs(power).max() > MOST_W:
        return time_s, power
    span = float(time_s[-1] - time_s[0])
    if span > PROFILE_S:
        question = f"is this in seconds? it makes a lap of {span / 3600:.3g} h"
        problems.append(_fault(path, None, "wrong-scale", "time_s", time_s[-1], question))
    for i in np.flatnonzero(np.diff(time_s) <= 0):
        expected = f"must be above {time_s[i]:g} of the row before"
        problems.append(_fault(path, rows[i + 1], "not-increasing", "time_s", time_s[i + 1], expected))
    if np.all(np.diff(time_s) > 0) and np.trapezoid(power, time_s) <= 0:
        problems.append(
            Problem(
                "no-discharge",
                str(path),
                "",
                "power_w",
                f"{np.trapezoid(power, time_s):g} J a lap",
                "must take more from the cell than it gives back, or the run never ends",
            )
        )
    return time_s, power
