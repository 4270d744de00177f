"""Cells that a brief leaves out: outside of their temperature window, or without the fade model that it asks for."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import numpy.typing as npt

from optimizer.base.figures import ANY, split_name
from optimizer.base.problems import Problem
from optimizer.brief import Brief
from optimizer.brief.situations import USE_FIGURES
from optimizer.catalog import Cells
from optimizer.cell.fade import MOST_YEARS, PUBLISHED

Rows = npt.NDArray[np.int64]


def usable(
    brief: Brief, cells: Cells | None, rows: Rows, problems: list[Problem]
) -> tuple[Rows, dict[str, str]]:
    """Cells that can be judged in all situations, and why the others are left out.

    Parameters
    ----------
    cells : Cells or None
    rows : ndarray of int
        Those that [vary] allows.
    problems : list of Problem
        Added to where no cell is left, code temp-window, or none has a published fade, code no-fade.

    Returns
    -------
    ndarray of int, dict of id to str
    """
    if cells is None or not len(rows):
        return rows, {}
    left_out: dict[str, str] = {}
    kept = _faded(brief, cells, _in_window(brief, cells, rows, problems, left_out), problems, left_out)
    return kept, left_out


def _in_window(brief: Brief, cells: Cells, rows: Rows, problems: list[Problem], left_out: dict[str, str]) -> Rows:
    """Cells that are made for the temperatures of all situations."""
    good = np.ones(len(rows), dtype=bool)
    least, most = cells.temp_min_c[rows], cells.temp_max_c[rows]
    for item in brief.situation:
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
    return rows[good]


def asked_of_fade(brief: Brief) -> str:
    """The first objective or constraint that rests on fade; "" where none does."""
    old = {item.name for item in brief.situation if item.years}
    old |= {ANY} if old else set()
    return next((n for n in sorted(brief.figures_asked()) if n in USE_FIGURES or split_name(n)[1] in old), "")


def unfaded(cells: Cells, rows: Rows) -> Rows:
    """Cells of chemistries whose fade is not published in the form used here."""
    return rows[~np.isin(cells.chemistry[rows], list(PUBLISHED))]


def _faded(brief: Brief, cells: Cells, rows: Rows, problems: list[Problem], left_out: dict[str, str]) -> Rows:
    """Cells with a published fade, where an objective or constraint rests on it: what is not known can't be judged."""
    asked, unknown = asked_of_fade(brief) if brief.use is not None else "", unfaded(cells, rows)
    if not asked or not len(unknown):
        return rows
    known = f"fade is published here for {', '.join(PUBLISHED)} only"
    if len(unknown) == len(rows):
        first = f"{cells.id[rows[0]]} ({cells.chemistry[rows[0]]})"
        more = f" and {len(rows) - 1} more" if len(rows) > 1 else ""
        text = f"asks for the fade of {first}{more}; {known}, and [ageing] takes factors of your own"
        problems.append(Problem("no-fade", str(brief.path), "", asked, "", text))
    for row in unknown:
        left_out[str(cells.id[row])] = f"{asked} rests on the fade of {cells.chemistry[row]}; {known}"
    return np.setdiff1d(rows, unknown)


def fade_notes(brief: Brief, cells: Cells, rows: Rows) -> list[str]:
    """What the fade of the chosen cells rests on, by chemistry: the published cells, or that there is none."""
    if brief.use is None:
        return []
    notes = [
        f"{name}: {'; '.join(f'{each.cell} ({each.source}; {each.range})' for each in PUBLISHED[str(name)])}"
        + ("" if len(PUBLISHED[str(name)]) > 1 else "; one published cell, so no band")
        for name in np.unique(cells.chemistry[rows]) if str(name) in PUBLISHED
    ]  # fmt: skip
    unknown = unfaded(cells, rows)
    if len(unknown):
        names = ", ".join(f"{cells.id[row]} ({cells.chemistry[row]})" for row in unknown)
        notes.append(f"not published for {names}: figures after years stay empty")
    notes.append(f"lives end at {MOST_YEARS:g} years, beyond which no cell is trusted")
    return notes


def left_out_note(left_out: Mapping[str, str]) -> list[str]:
    """One line on cells that a search does not try; nothing where it tries all."""
    if not left_out:
        return []
    name, reason = min(left_out.items())
    return [f"{len(left_out)} cells are left out, such as {name}: {reason}; `check` names all"]
