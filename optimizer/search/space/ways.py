"""How many ways there are to share groups out, counted before a search begins: too many take memory and time."""

from __future__ import annotations

import time

import numpy as np

from optimizer.base.problems import BadInput, Problem, Stopped
from optimizer.fit.placement.modules import MOST_LAYOUTS
from optimizer.pack.wiring.harness import TRIED_COMPARTMENTS
from optimizer.search.space.contents import lead_wire
from optimizer.search.space.counts import product_by_groups
from optimizer.search.space.layingout import Told
from optimizer.search.space.offering import Task
from optimizer.search.space.space import Space
from optimizer.search.space.splits import MOST_KEPT, Shares

# Ways of one task that are gone through, those that others beat in a compartment left out. Blocks of them are
# reduced at once, so that this bounds the time, some minutes; what is kept bounds the memory.
MOST_WAYS = 5_000_000

# Splits of one task with each strip, or strip and wire, that are held at a time: some 300 bytes each.
MOST_BUILT = 3_500_000


def shares_of(space: Space, task: Task, *, most_kept: int = MOST_KEPT) -> Shares:
    """Ways to share groups out for a task."""
    brief = space.brief
    return Shares(
        space.rooms, fills=space.fills(task), rules=brief.harness, sensors=brief.parts.sensors,
        known=space.harnesses, links=space.links(task.stand), board=space.board(task.stand), most_kept=most_kept,
        lead_mm2=float(space.wires_mm2[lead_wire(space.inputs)]),
    )  # fmt: skip


def limit(space: Space, *, mass_may_help: bool) -> int:
    """Most ways of a task.

    Where mass may help, none is left out, so that each is kept with every strip and wire; a search through few
    compartments, which has fewer ways, is left its memory.
    """
    if not mass_may_help or len(space.rooms) <= TRIED_COMPARTMENTS:
        return MOST_WAYS
    return min(MOST_KEPT, MOST_BUILT // max(len(space.builds) * len(space.inputs.wire_rows), 1))


def most_kept(space: Space, builds: int, *, mass_may_help: bool) -> int:
    """Splits of a task that may be kept, each of which comes with so many strips."""
    return limit(space, mass_may_help=True) if mass_may_help else min(MOST_KEPT, MOST_BUILT // max(builds, 1))


def series_of(space: Space, task: Task) -> range:
    """Numbers of groups that the voltage and [vary] allow the cells of a task, as far as they go."""
    low, high = space.window
    members = np.flatnonzero(space.size_of == task.size)
    return range(int(low[members].min()), int(high[members].max()) + 1)


def check_task(space: Space, task: Task, shares: Shares, *, mass_may_help: bool) -> None:
    """Refuse a task with too many ways.

    Raises
    ------
    BadInput
        Code too-many-ways.
    """
    found = _excess(space, task, shares, mass_may_help)
    if found:
        raise BadInput([problem(space, task, found, most=limit(space, mass_may_help=mass_may_help))])


def check(space: Space, *, report: Told | None = None, until: float | None = None) -> None:
    """Refuse a space with too many ways to share groups out in some task, before anything is searched.

    Fills are found for those tasks alone whose layouts don't rule it out at once; the space and the cache keep them.

    Parameters
    ----------
    space : Space
        With its layouts.
    until : float, optional
        By time.monotonic() [s].

    Raises
    ------
    BadInput
        Code too-many-ways: the task with the most.
    Stopped
        When the time is up.
    """
    may_help = space.mass_may_help
    most = limit(space, mass_may_help=may_help)
    doubtful = [task for task in space.tasks() if _at_most(space, task) > most]
    worst: tuple[int, Task] | None = None
    for done, task in enumerate(doubtful):
        if until is not None and time.monotonic() > until:
            raise Stopped(f"The time was up after the ways of {done} of {len(doubtful)} tasks; they are in the cache.")
        found = _excess(space, task, shares_of(space, task), may_help)
        if found and (worst is None or found > worst[0]):
            worst = found, task
        if report is not None and len(doubtful) > 1:
            report.step(f"{100 * (done + 1) // len(doubtful):3d} % of the ways to share groups out counted")
    if worst is not None:
        raise BadInput([problem(space, worst[1], worst[0], most=most)])


def problem(space: Space, task: Task, found: int, *, most: int, kept: bool = False) -> Problem:
    """What is said of a task with too many ways, and what makes them fewer."""
    size, members = space.sizes[task.size], np.flatnonzero(space.size_of == task.size)
    cell = str(space.inputs.cells.id[space.context.cells.row[members[0]]])
    if size.shape == "block":
        sizes = f"{size.length_mm:g} x {size.width_mm:g} x {size.thickness_mm:g} mm"
    else:
        sizes = f"{size.diameter_mm:g} x {size.length_mm:g} mm"
    series = series_of(space, task)
    span = f"{series[0]} groups" if len(series) == 1 else f"{series[0]} to {series[-1]} groups"
    expected = (
        f"must leave at most {most:,} ways {'that no other beats ' if kept else ''}to share {span} of {task.parallel} "
        f"cells of {sizes} ({cell}, with spacing) out over {len(space.rooms)} compartments: leave out or join some, "
        "allow one placement and one of the ways in [fit], or narrow down [vary] series or parallel"
    )
    return Problem("too-many-ways", str(space.brief.path), "", "compartment", f"{found:,}", expected)


def _excess(space: Space, task: Task, shares: Shares, mass_may_help: bool) -> int:
    """Ways of a task when they are too many, else 0."""
    series = series_of(space, task)
    held = shares.held(reduced=not mass_may_help, up_to=series[-1]) if len(series) else []
    found = sum(held[series[0] :])
    return found if found > limit(space, mass_may_help=mass_may_help) else 0


def _at_most(space: Space, task: Task) -> int:
    """Ways of a task if every layout that there could be held as many cells as the fullest one."""
    series = series_of(space, task)
    if not len(series):
        return 0
    blocks = space.sizes[task.size].shape == "block"
    counts = []
    for room, cells in enumerate(space.most_cells(task.size, task.stand)):
        ways = 0
        if "tray" in space.brief.fit.ways or blocks:
            # A chain and its bands along either way of the rows.
            ways = 3 * len(space.layouts(room, task.size, task.stand))
        ways += MOST_LAYOUTS if "modules" in space.brief.fit.ways else 0
        counts.append([ways] * min(cells // task.parallel, series[-1]))
    return sum(product_by_groups(counts, up_to=series[-1])[series[0] :])
