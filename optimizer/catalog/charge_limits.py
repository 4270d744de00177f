"""Column charge_limits of the cell catalog: most charge current, as steps over temperature."""

from __future__ import annotations

from itertools import pairwise

import numpy as np

from optimizer.base.arrays import Floats
from optimizer.catalog.columns import Columns
from optimizer.catalog.tables import parse_number, short

FIELD = "charge_limits"
# Beyond these some unit must be wrong [°C], [1/h].
TEMPS_C, MOST_C_RATE = (-60.0, 80.0), 60.0


def charge_limits(parsed: Columns) -> tuple[Floats, Floats]:
    """Temperatures and rates of every row, padded to one width, see Cells; faults are told to the columns.

    Colder cells take no more, so both rise from step to step; no rate is over current_charge_a, which holds wherever
    no step says less.
    """
    rows, plain = [], []
    most = parsed.numbers("current_charge_a") / parsed.numbers("capacity_ah")
    for row, text in enumerate(parsed.texts(FIELD).tolist()):
        steps = _steps(parsed, row, text)
        for (cold_c, low), (warm_c, high) in pairwise(steps):
            if warm_c <= cold_c or high < low:
                parsed.complain("charge-limit", row, FIELD, short(text), "must rise in temperature, and not fall in C")
                break
        if steps and steps[-1][1] > most[row] * (1.0 + 1e-3):
            expected = f"must be within current_charge_a, {most[row]:.3g}C"
            parsed.complain("charge-limit", row, FIELD, short(text), expected)
        rows.append(steps or [(np.nan, np.nan)])
        plain.append(";".join(f"{temp_c!r}:{rate!r}" for temp_c, rate in steps))
    # As a design.json has it, whatever the table's decimal mark.
    parsed.values[FIELD] = np.array(plain)
    width = max(len(steps) for steps in rows)
    both = np.array([steps + [(np.inf, steps[-1][1])] * (width - len(steps)) for steps in rows], dtype=np.float64)
    return both[:, :, 0], both[:, :, 1]


def _steps(parsed: Columns, row: int, text: str) -> list[tuple[float, float]]:
    steps = []
    for part in filter(None, (piece.strip() for piece in text.split(";"))):
        temp, _, rate = part.partition(":")
        temp_c, code, _ = parse_number(temp.strip(), decimal=parsed.table.decimal)
        c_rate, rate_code, _ = parse_number(rate.strip(), decimal=parsed.table.decimal)
        good = not code and not rate_code and TEMPS_C[0] <= temp_c <= TEMPS_C[1] and 0.0 <= c_rate <= MOST_C_RATE
        if not good:
            expected = 'must look like "0:0.1;10:0.5" (from a temperature in °C on, at most so many C)'
            parsed.complain("charge-limit", row, FIELD, short(text), expected)
            return []
        steps.append((temp_c, c_rate))
    return steps
