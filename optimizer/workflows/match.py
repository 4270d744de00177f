"""`match`: measured cells into groups and seats, with lists, drawing, labels and a [measured] block."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from optimizer.analysis.compare import read_side
from optimizer.base.files import csv_text, free_path, write_bytes, write_text
from optimizer.base.problems import BadInput, Problem
from optimizer.bench.coolness import group_rises
from optimizer.bench.match import Matched, match
from optimizer.bench.measured import read_measured, rules_told
from optimizer.design.model import Design
from optimizer.design.unfold import unfold
from optimizer.fit.chain.adjacency import lateral_axes
from optimizer.fit.chain.terminals import positive_words

DRAWS = 1000


@dataclass(frozen=True)
class MatchRequest:
    """What `match` is asked for: a table, and either S and P or a design.

    Parameters
    ----------
    series, parallel : int or None
    design : str or None
        RUN:DESIGN.
    brief : Path or None
        Of the run, where it lies elsewhere.
    out : Path or None
    """

    measured: Path
    series: int | None
    parallel: int | None
    design: str | None
    brief: Path | None
    out: Path | None
    force: bool


@dataclass(frozen=True, eq=False)
class MatchedPack:
    """What was found and written.

    Parameters
    ----------
    matched : Matched
        Groups from the pack's negative terminal where a design was given.
    seats : DataFrame
        One row per cell built in.
    unmatched_ah : ndarray
        Weakest groups of packs whose cells are shared out at random, as many as were drawn [Ah].
    range_km : (float, float, float) or None
        Of the matched pack, and the 10th and 90th percentile of random ones [km].
    cell : str
        Catalog id; "" where no design was given.
    """

    matched: Matched
    seats: pd.DataFrame
    unmatched_ah: np.ndarray
    range_km: tuple[float, float, float] | None
    cell: str
    folder: Path
    files: tuple[str, ...]

    def record(self) -> dict[str, Any]:
        """As JSON's types."""
        found = self.matched
        siemens = 1000.0 / found.group_mohm
        return {
            "groups": found.ids(),
            "rejected": [{"id": each.id, "why": each.why} for each in found.rejected],
            "capacity_spread": round(found.spread_ah, 9),
            "bound": round(min(found.bound_ah, found.spread_ah), 9),
            "exact": found.exact,
            "bound_of": "every choice of cells" if found.of_all else "the cells built in",
            "conductance_spread": round(float(np.ptp(siemens)), 6),
            "group_capacity_ah": [round(value, 6) for value in found.group_ah.tolist()],
            "group_resistance_mohm": [round(value, 6) for value in found.group_mohm.tolist()],
            "spares": [str(found.cells.id[k]) for k in found.spares],
            "unmatched_capacity_ah": _percentiles(self.unmatched_ah),
            "range_km": None
            if self.range_km is None
            else dict(zip(("matched", "p10", "p90"), self.range_km, strict=True)),
            "notes": list(found.notes),
            "rules": rules_told(),
            "folder": str(self.folder),
            "files": list(self.files),
        }

    def text(self) -> str:
        """In words."""
        found = self.matched
        s, p = found.groups.shape
        mean = float(found.group_ah.mean())
        ohm = found.group_mohm
        low, high = np.percentile(self.unmatched_ah, [10, 90])
        kind = (
            "no way to share them out is better"
            if found.exact
            else f"at least {1000 * found.bound_ah:.3g} mAh is proven"
        )
        lines = [
            f"{s}S{p}P of {len(found.cells)} measured cells: {len(found.rejected)} rejected, {len(found.spares)} spare",
            f"capacity of a group {found.group_ah.min():.4g} to {found.group_ah.max():.4g} Ah, spread "
            f"{1000 * found.spread_ah:.3g} mAh ({100 * found.spread_ah / mean:.3f} %); {kind}",
            f"resistance of a group {ohm.min():.4g} to {ohm.max():.4g} mΩ ({100 * np.ptp(ohm) / ohm.mean():.2f} %)",
            f"shared out at random, the weakest group has {low:.4g} to {high:.4g} Ah (10th to 90th percentile of "
            f"{len(self.unmatched_ah)} draws)",
        ]
        if self.range_km is not None:
            matched, least, most = self.range_km
            lines.append(f"range {matched:.2f} km matched, {least:.2f} to {most:.2f} km at random")
        lines += [f"rejected {each.id}: {each.why}" for each in found.rejected]
        if found.spares:
            lines.append(f"spare: {', '.join(str(found.cells.id[k]) for k in found.spares)}")
        lines += [*found.notes, *(f"rule: {rule}" for rule in rules_told())]
        return "\n".join([*lines, f"Written: {self.folder}/{', '.join(self.files)}"])


def _percentiles(values: np.ndarray) -> dict[str, float]:
    low, high = np.percentile(values, [10, 90])
    return {"p10": round(float(low), 6), "p90": round(float(high), 6)}


def match_job(asked: MatchRequest) -> MatchedPack:
    """Match measured cells and write the lists.

    Raises
    ------
    BadInput
    """
    folder = asked.out if asked.out is not None else free_path(Path(f"{asked.measured.stem}-match"), folder=True)
    if (
        asked.out is not None
        and folder.exists()
        and (not folder.is_dir() or (any(folder.iterdir()) and not asked.force))
    ):
        text = "must be an empty folder, or not there yet (or give --force)"
        raise BadInput([Problem("output-exists", str(folder), "", "--out", "", text)])
    design, space, row = None, None, None
    series, parallel = asked.series, asked.parallel
    if asked.design is not None:
        side = read_side(asked.design, brief=asked.brief)
        if side.row is None:
            text = "must name a design: RUN:DESIGN"
            raise BadInput([Problem("not-a-design", "--design", found=asked.design, expected=text)])
        # A run's brief is found from run.json unless the user names another place.
        run = side.run if asked.brief is not None else _with_brief(side.run.folder)
        space, row = run.homes([side.row])[0], side.row
        design = unfold(space, row)
        told = (int(row["series"]), int(row["parallel"]))
        if (series, parallel) not in ((None, None), told):
            text = f"is {told[0]}S{told[1]}P; leave --series and --parallel out, or give its own"
            raise BadInput([Problem("not-alike", "--design", found=asked.design, expected=text)])
        series, parallel = told
    if series is None or parallel is None:
        text = "are needed: --series S --parallel P, or --design RUN:DESIGN"
        raise BadInput([Problem("missing-option", "command line", expected=text)])
    matched = match(read_measured(asked.measured), series=series, parallel=parallel)
    if design is not None:
        matched = _coolest_for_weakest(matched, design)
    seats = _seat_table(matched, design)
    unmatched = _at_random(matched)
    ranges = None
    if space is not None and row is not None:
        from optimizer.design.measured import matched_range

        ranges = matched_range(space, row, matched.capacity_ah, matched.resistance_mohm, matched.groups)
    files = _write(folder, matched, seats, design, "" if row is None else str(row["cell_id"]))
    return MatchedPack(matched, seats, unmatched, ranges, "" if row is None else str(row["cell_id"]), folder, files)


def _with_brief(folder: Path) -> Any:
    from optimizer.design.runs import read_run

    return read_run(folder)


def _coolest_for_weakest(matched: Matched, design: Design) -> Matched:
    """Groups in the order of the pack, the weaker the cooler their place."""
    rises = np.zeros(len(matched.groups))
    for station in design.stations:
        if not station.groups:
            continue
        used = np.flatnonzero(station.used)
        group = station.chain.group[used]
        layout = station.layout
        width = float(min(layout.extents_mm[0][k] for k in lateral_axes(layout.axis)))
        first = station.first_group
        rises[first : first + station.groups] = group_rises(
            layout.centres_mm[used], reach_mm=1.25 * width, group=group, groups=station.groups
        )
    ah, siemens = matched.group_ah, 1.0 / matched.group_mohm
    strength = ah / ah.mean() + siemens / siemens.mean()
    placed = np.empty_like(matched.groups)
    placed[np.argsort(rises, kind="stable")] = matched.groups[np.argsort(strength, kind="stable")]
    from dataclasses import replace

    return replace(matched, groups=placed)


def _seat_table(matched: Matched, design: Design | None) -> pd.DataFrame:
    """One row per cell: id, group and seat from 1, its place in the box where a design says it, and its values."""
    places: dict[tuple[int, int], tuple[str, float, float, float, str]] = {}
    for station in design.stations if design is not None else ():
        for group in range(station.groups):
            members = np.flatnonzero(station.chain.group == group)
            for seat, at in enumerate(members):
                x, y, z = (float(v) for v in station.layout.centres_mm[at])
                end = "high" if station.chain.polarity[at] > 0 else "low"
                if station.layout.size.same_end:
                    end = positive_words(station.layout, int(at), int(station.chain.polarity[at]))
                places[station.first_group + group, seat] = (station.compartment.name, x, y, z, end)
    rows = []
    for g, group in enumerate(matched.groups):
        for seat, k in enumerate(group):
            row: dict[str, Any] = {"id": str(matched.cells.id[k]), "group": g + 1, "seat": seat + 1}
            if (g, seat) in places:
                box, x, y, z, end = places[g, seat]
                row |= {
                    "compartment": box,
                    "x_mm": round(x, 2),
                    "y_mm": round(y, 2),
                    "z_mm": round(z, 2),
                    "positive_end": end,
                }
            row |= {
                "capacity_ah": round(float(matched.capacity_ah[k]), 6),
                "resistance_mohm": round(float(matched.resistance_mohm[k]), 6),
            }
            rows.append(row)
    return pd.DataFrame(rows)


def _at_random(matched: Matched) -> np.ndarray:
    """Weakest groups of the same cells shared out at random."""
    rng, cells = np.random.default_rng(0), matched.groups.ravel()
    values = matched.capacity_ah[cells]
    draws = max(50, min(DRAWS, 400_000 // len(values)))
    shape = matched.groups.shape
    return np.array([rng.permutation(values).reshape(shape).sum(axis=1).min() for _ in range(draws)])


def _measured_block(matched: Matched, cell: str) -> str:
    """The [measured] table for a brief; without a catalog id it has a gap to fill in."""
    mass = matched.cells.values["mass_g"][matched.groups.ravel()]
    lines = [
        "[measured]  # for a brief: figures and build sheet are then those of this pack",
        f'cell = "{cell or "ID-OF-THE-CATALOG"}"',
        f"parallel = {matched.groups.shape[1]}",
        f"capacity_ah = [{', '.join(f'{value:.4f}' for value in matched.group_ah)}]",
        f"resistance_mohm = [{', '.join(f'{value:.4f}' for value in matched.group_mohm)}]",
    ]
    if np.isfinite(mass).any():
        lines.append(f"mass_g = {float(np.nanmean(mass)):.2f}")
    return "\n".join(lines) + "\n"


def _write(folder: Path, matched: Matched, seats: pd.DataFrame, design: Design | None, cell: str) -> tuple[str, ...]:
    from optimizer.review.sheets.seats import labels_pdf, seats_png

    groups = pd.DataFrame({
        "group": np.arange(1, len(matched.groups) + 1),
        "capacity_ah": matched.group_ah.round(6),
        "resistance_mohm": matched.group_mohm.round(6),
        "ids": [" ".join(ids) for ids in matched.ids()],
    })  # fmt: skip
    back = pd.DataFrame(
        [{"id": each.id, "what": "send back", "why": each.why} for each in matched.rejected]
        + [{"id": str(matched.cells.id[k]), "what": "spare", "why": ""} for k in matched.spares],
        columns=["id", "what", "why"],
    )
    texts: Mapping[str, str] = {
        "seats.csv": csv_text(seats), "groups.csv": csv_text(groups), "left.csv": csv_text(back),
        "measured.toml": _measured_block(matched, cell),
    }  # fmt: skip
    pictures = {"seats.png": seats_png(seats, design), "labels.pdf": labels_pdf(seats)}
    for name, text in texts.items():
        write_text(folder / name, text)
    for name, content in pictures.items():
        write_bytes(folder / name, content)
    return (*texts, *pictures)
