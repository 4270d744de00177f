"""Tables of the report page: plain texts with their places, ready for a template that escapes them.

`run` is the content of run.json, `row` a row of the front, `currency` the label of prices.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Any

from optimizer.base.figures import OBJECTIVES
from optimizer.design.metal_gaps import gap_rows
from optimizer.review.words import axis_label, describe, meaning, number

if TYPE_CHECKING:
    import pandas as pd

    from optimizer.design.model import Design


@dataclass(frozen=True)
class Cell:
    """One cell: its text, whether it is a figure, a bar's length in percent, whether it tells of a fault."""

    text: str
    number: bool = False
    bar: float | None = None
    bad: bool = False


@dataclass(frozen=True)
class Row:
    """One line; total lines are set apart."""

    cells: tuple[Cell, ...]
    total: bool = False


@dataclass(frozen=True)
class Grid:
    """A table with headers; a header that is a number stands to the right."""

    headers: tuple[Cell, ...]
    rows: tuple[Row, ...] = field(default=())
    caption: str = ""


def is_number(value: object) -> bool:
    """Whether a value is a figure (numpy's count, truth values do not)."""
    return hasattr(value, "__float__") and not isinstance(value, (bool, str))


def plain(headers: Sequence[str], rows: Sequence[Sequence[str]], *, numbers: Sequence[int] = ()) -> Grid:
    """A table of texts; `numbers` are the columns that hold figures."""
    return Grid(
        tuple(Cell(h, k in numbers) for k, h in enumerate(headers)),
        tuple(Row(tuple(Cell(str(c), k in numbers) for k, c in enumerate(row))) for row in rows),
    )


def of_frame(frame: pd.DataFrame, *, currency: str = "") -> Grid:
    """A frame as a table, units in its headers."""
    figures = [kind.kind in "iuf" for kind in frame.dtypes]
    headers = tuple(
        Cell(axis_label(str(name), currency=currency), figure)
        for name, figure in zip(frame.columns, figures, strict=True)
    )
    rows = []
    for record in frame.itertuples(index=False):
        cells = [
            Cell(f"{value:.4g}" if figure and value == value else str(value) if not figure else "–", figure)
            for value, figure in zip(record, figures, strict=True)
        ]
        rows.append(Row(tuple(cells)))
    return Grid(headers, tuple(rows))


def bill(frame: pd.DataFrame, *, currency: str) -> Grid:
    """The bill with bars for mass and cost, heaviest first, and a total line; columns as in pack.bill.COLUMNS."""
    frame = frame.sort_values("mass_g", ascending=False, kind="stable")
    mass, cost = float(frame["mass_g"].sum()), float(frame["cost"].sum())
    decimals = _decimals(frame["unit_price"])
    rows = []
    for _, line in frame.iterrows():
        what = f"{float(line['quantity']):.4g} {line['unit']}"
        rows.append(
            Row(
                (
                    Cell(str(line["item"])),
                    Cell(str(line["part"])),
                    Cell(what, True),
                    Cell(number(line["unit_price"], decimals=decimals), True),
                    _bar(float(line["mass_g"]), mass, decimals=0),
                    _bar(float(line["cost"]), cost, decimals=2),
                )
            )
        )
    last = (Cell("total"), Cell(""), Cell(""), Cell(""), Cell(f"{mass:.0f}", True), Cell(f"{cost:.2f}", True))
    figures = ("quantity", axis_label("unit_price", currency=currency), "mass [g]", f"cost [{currency}]")
    headers = (Cell("item"), Cell("part"), *(Cell(name, True) for name in figures))
    return Grid(headers, (*rows, Row(last, total=True)))


def _decimals(prices: pd.Series[float]) -> int:
    """Two, or as many as the smallest part of a price needs, up to four."""
    known = prices.dropna().round(4)
    return next((digits for digits in (2, 3) if known.round(digits).equals(known)), 4)


def _bar(value: float, total: float, *, decimals: int) -> Cell:
    share = 100.0 * value / total if total > 0 else 0.0
    return Cell(number(value, decimals=decimals), True, round(min(max(share, 0.0), 100.0), 1))


def margins(row: Mapping[str, Any], *, currency: str) -> Grid:
    """How far each limit is away; a negative margin misses it, one that is no number is left out."""
    rows = []
    for name, value in row.items():
        if not str(name).startswith("margin_") or not is_number(value) or float(value) != float(value):
            continue
        label, unit, decimals = describe(str(name), currency=currency)
        missed = float(value) < 0
        text = f"{number(value, decimals=decimals)} {unit}".strip()
        verdict = Cell("misses" if missed else "meets", bad=missed)
        rows.append(Row((Cell(label.removeprefix("margin, ")), Cell(text, True), verdict)))
    return Grid((Cell("limit"), Cell("margin", True), Cell("")), tuple(rows))


def tolerances(design: Design) -> Grid:
    """Gaps that the layout keeps at the cells' largest size: asked for, and proven in each box."""
    gap = design.clearance
    rows = []
    for station in design.stations:
        if station.groups == 0:
            continue
        proof = station.proof
        found = (
            ("cell to cell", gap.cell_gap_mm, proof.least_gap_cell_mm),
            ("cell to wall", gap.wall_mm + min(gap.case_mm, gap.end_mm), proof.least_gap_wall_mm),
            ("cell to keep-out", gap.wall_mm + min(gap.case_mm, gap.end_mm), proof.least_gap_keep_out_mm),
        )
        for what, asked, proven in found:
            if proven == float("inf"):
                continue
            bad = proven < asked - 1e-6
            name = Cell(f"{station.compartment.name}: {what}")
            rows.append(Row((name, Cell(f"{asked:.2f}", True), Cell(f"{proven:.2f}", True, bad=bad))))
        for what, least, gap_mm in gap_rows(station, design.conductors, gap):
            name, bad = Cell(f"{station.compartment.name}: {what}"), gap_mm < least - 1e-2
            rows.append(Row((name, Cell(f"{least:.2f}", True), Cell(f"{gap_mm:.2f}", True, bad=bad))))
    headers = (Cell("gap [mm]"), Cell("asked for", True), Cell("least found", True))
    return Grid(headers, tuple(rows), "Independent proof, with every cell at its largest size")


def run_table(run: Mapping[str, Any]) -> Grid:
    """Where the figures come from: the space searched, files with their hashes, versions, times."""
    space = run.get("space") or {}
    rows: list[tuple[str, str]] = []
    for key, label in (("raw", "candidates in the space"), ("scored", "candidates scored")):
        if key in space:
            rows.append((label, f"{space[key]:,}"))
    rows += [(f"left out unscored: {why}", f"{count:,}") for why, count in (space.get("pruned") or {}).items()]
    if "complete" in space:
        rows.append(("search", "complete: the front is the true one" if space["complete"] else "not complete"))
    rows += [(f"not proven in {describe(name)[0]}", why) for name, why in (space.get("unproven") or {}).items()]
    rows += [(f"input {name}", f"sha256 {digest}") for name, digest in (run.get("inputs") or {}).items()]
    rows += [(f"version of {name}", str(value)) for name, value in (run.get("versions") or {}).items()]
    times = {name: value for name, value in (run.get("timing") or {}).items() if is_number(value)}
    rows += [(f"time, {name.removesuffix('_s')}", f"{float(value):.2f} s") for name, value in times.items()]
    return plain(("", ""), rows)


def unfinished(run: Mapping[str, Any]) -> str:
    """What a reader must know of a search that is at work or was cut off; "" of one that ended by itself."""
    if work := run.get("at_work"):
        return (
            f"This search is still at work: {work['progress']}. What stands here is its front so far; "
            f"the page loads itself again every {work['every_s']:.0f} s."
        )
    tasks = run.get("tasks") or {}
    if (run.get("space") or {}).get("complete", True) or "sampled" in run or not tasks:
        return ""
    return (
        f"This search was cut off: {tasks.get('done', 0):,} of {tasks.get('all', 0):,} tasks are done. What stands "
        "here is the front so far, and packs that are better may be missing; cellstow search with --resume goes on."
    )


def varied(steps: Sequence[Mapping[str, Any]], *, currency: str) -> Grid:
    """What each step of `vary` is worth: the change of the best of each figure, and of the cells that fit."""
    figures = [name.removesuffix("_change") for name in steps[0] if str(name).removesuffix("_change") in OBJECTIVES]
    rows = []
    for step in steps:
        cells = [Cell("none left" if k == 0 else "", True) for k in range(len(figures))]
        if step["feasible"]:
            cells = [Cell(_signed(step[f"{name}_change"], name, currency), True) for name in figures]
        rows.append(Row((Cell(str(step["text"])), *cells, Cell(_signed_count(step["cells_change"]), True))))
    heads = (Cell(f"best {axis_label(name, currency=currency)}", True) for name in figures)
    return Grid((Cell("step"), *heads, Cell("cells", True)), tuple(rows))


def _signed(value: float | None, name: str, currency: str) -> str:
    if value is None or value == 0.0:
        return ""
    return f"{'+' if value > 0 else ''}{number(value, decimals=describe(name, currency=currency)[2])}"


def _signed_count(count: float) -> str:
    return f"{count:+.0f}".replace("-", "−") if count else ""


def reason_words(reason: str) -> str:
    """A reason as people read it; the name of a limit becomes "peak power below its limit"."""
    for ending, words in (("_min", "below its limit"), ("_max", "above its limit")):
        base = reason.removesuffix(ending)
        if base != reason and (base == "cost" or describe(base)[1]):
            return f"{describe(base)[0]} {words}"
    return reason.replace("_", " ")


def _counts(run: Mapping[str, Any]) -> dict[str, float]:
    """Candidates by the reason for which they were left out or rejected, wherever the run keeps them."""
    space = run.get("space") or {}
    parts = [space.get("pruned") or {}, run.get("rejected") or space.get("rejected") or {}]
    found: dict[str, float] = {}
    for why, count in ((str(why), float(count)) for part in parts for why, count in part.items()):
        found[why] = found.get(why, 0.0) + count
    return {why: count for why, count in found.items() if count > 0}


def rejected(run: Mapping[str, Any]) -> Grid:
    """Reasons with counts and bars, the commonest first: what a limit refused, scored or not, is one reason."""
    counts = _counts(run)
    total = float((run.get("space") or {}).get("raw") or sum(counts.values()))
    rows = []
    for why, count in sorted(counts.items(), key=lambda item: (-item[1], item[0])):
        bar = replace(_bar(count, total, decimals=0), text=f"{count:,.0f}")
        share = Cell(f"{100.0 * count / total:.2f} %" if total else "", True)
        rows.append(Row((Cell(reason_words(why)), bar, share, Cell(meaning(why)))))
    headers = (Cell("reason"), Cell("candidates", True), Cell("of the space", True), Cell("meaning"))
    return Grid(headers, tuple(rows))


def spread(row: Mapping[str, Any], *, currency: str) -> Grid:
    """What the spread between cells leaves of each figure, and the chance that each limit holds; from columns
    <figure>_p10, <figure>_p90, holds_<limit>, and empty without them.
    """
    rows = []
    for name in (str(key).removesuffix("_p10") for key in row if str(key).endswith("_p10")):
        _, _, decimals = describe(name, currency=currency)
        three = (row[f"{name}_p10"], row[name], row[f"{name}_p90"])
        cells = (Cell(number(value, decimals=decimals), True) for value in three)
        rows.append(Row((Cell(axis_label(name, currency=currency)), *cells)))
    chances = [(str(key).removeprefix("holds_"), value) for key, value in row.items() if str(key).startswith("holds_")]
    for name, chance in chances if rows else ():
        what = "every cell fits its place" if name == "fit" else f"limit on {describe(name)[0]} holds"
        rows.append(Row((Cell(what), Cell(""), Cell(f"{100.0 * float(chance):.0f} %", True), Cell(""))))
    headers = (Cell(""), *(Cell(name, True) for name in ("one pack in ten below", "as calculated", "one in ten above")))
    return Grid(headers, tuple(rows), "Figures and chances by the brief's [spread], the weakest group "
                "counting; the range by the cell model's error, too")
