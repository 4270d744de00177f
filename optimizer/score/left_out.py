"""Cells that some situation leaves out, since they are not made for its temperatures."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from optimizer.base.problems import Problem
from optimizer.brief import Brief
from optimizer.catalog import Cells
from optimizer.cell.fade import PUBLISHED

Rows = npt.NDArray[np.int64]


def in_window(
    brief: Brief, cells: Cells | None, rows: Rows, problems: list[Problem]
) -> tuple[Rows, dict[str, str]]:
    """Cells that are made for the temperatures of all situations, and why the others are left out.

    Parameters
    ----------
    brief : Brief
    cells : Cells or None
    rows : ndarray of int
        Those that [vary] allows.
    problems : list of Problem
        Added to where no cell is left, code temp-window, or none has a published fade, code no-fade.

    Returns
    -------
    ndarray of int, dict of id to str
    """
    if cells is None or not len(rows) or not brief.situation:
        return rows, {}
    left_out: dict[str, str] = {}
    good = np.ones(len(rows), dtype=bool)
    for item in brief.situation:
        if item.years and not np.isin(cells.chemistry[rows], list(PUBLISHED)).any():
            text = f"needs fade that is published for {', '.join(PUBLISHED)} only; [ageing] takes factors of your own"
            field = f"situation[{item.name}].years"
            problems.append(Problem("no-fade", str(brief.path), "", field, f"{item.years:g}", text))
        least, most = cells.temp_min_c[rows], cells.temp_max_c[rows]
        for key in ("temp_c", "start_temp_c"):
            value = getattr(item, key)
            if value is None:
                continue
            inside = (least <= value) & (value <= most)
            for at in np.flatnonzero(~inside & good):
                window = f"{least[at]:g} to {most[at]:g} °C"
                left_out[str(cells.id[rows[at]])] = f"situation {item.name}: {value:g} °C is outside {window}"
            if good.any() and not (good & inside).any():
                field = f"situation[{item.name}].{key}"
                text = f"is outside every cell's window; the widest is {least.min():g} to {most.max():g} °C"
                problems.append(Problem("temp-window", str(brief.path), "", field, f"{value:g}", text))
            good &= inside
    return rows[good], left_out
