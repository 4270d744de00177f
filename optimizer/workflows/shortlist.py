"""A few designs out of a run's front: ranked, picked so that they differ, with tolerances, drawn, for the workshop."""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pandas as pd
import pyarrow as pa

from optimizer.analysis.verdict import Verdict, verdict
from optimizer.base.files import write_text
from optimizer.base.problems import BadInput, Problem
from optimizer.design.band import Band, range_bands
from optimizer.design.model import Design
from optimizer.design.pinned import PINNED_FILE, Pinned, pinned_packs, write_pinned
from optimizer.design.rescore import check_fresh, design_record
from optimizer.design.runs import Run
from optimizer.design.tolerances import Tolerances, tolerances
from optimizer.design.unfold import unfold
from optimizer.front import ranking, store
from optimizer.review.sheets.workshop import need_step, write_design
from optimizer.review.verdict_words import situation_columns
from optimizer.search.space.space import Space

# Names on the command line.
METHODS = {"topsis": "topsis", "weighted": "weighted_sum", "knee": "knee"}
COUNT = 5


@dataclass(frozen=True, eq=False)
class Shortlist:
    """Picked designs.

    Parameters
    ----------
    frame : DataFrame
        One row per design: rank, merit, the front's columns, then <figure>_p10 and _p90, holds_<constraint> and
        holds_fit; range_km_low and range_km_high (see `design.band`) where the vehicle's errors are known.
    designs : tuple of Design
        Unfolded, in the same order.
    homes : tuple of Space
        What each of them is at home in.
    pinned : mapping of str to Design or None
        The brief's pinned packs by name; None for one that cannot be built.
    pins : mapping of str to Pinned or None
        The same with what they are at home in.
    """

    frame: pd.DataFrame
    designs: tuple[Design, ...]
    homes: tuple[Space, ...]
    pinned: Mapping[str, Design | None]
    pins: Mapping[str, Pinned | None]

    @property
    def whole(self) -> list[tuple[Design, Space]]:
        """All designs, picked and pinned, each with what it is at home in."""
        own = [(self.pinned[name], pin.space) for name, pin in self.pins.items() if pin is not None]
        return [*zip(self.designs, self.homes, strict=True), *((d, space) for d, space in own if d is not None)]


def _is_number(text: str) -> bool:
    try:
        float(text)
    except ValueError:
        return False
    return True


def weighable(run: Run) -> list[str]:
    """What --weights may name: the run's objectives, and their figures in situations."""
    inside = situation_columns(run.front.columns, objectives=run.objectives)
    return [*run.objectives, *(name for names in inside.values() for name in names)]


def parse_weights(text: str | None, *, objectives: Sequence[str]) -> dict[str, float] | None:
    """Weights out of words such as "range_km=2,cost=1".

    Parameters
    ----------
    text : str or None
    objectives : sequence of str
        What may be named.

    Returns
    -------
    dict or None
        None when no text is given: all weigh alike.

    Raises
    ------
    BadInput
        Code "bad-weights".

    >>> parse_weights("range_km=2, cost=1", objectives=["range_km", "cost"])
    {'range_km': 2.0, 'cost': 1.0}
    """
    if text is None:
        return None
    try:
        pairs = [part.split("=") for part in text.split(",")]
        wrong = ["=".join(pair) for pair in pairs if len(pair) != 2 or not _is_number(pair[1])]
        if wrong:
            raise ValueError(f"{wrong[0]!r} has no weight" if "=" not in wrong[0] else f"{wrong[0]!r} has no number")
        weights = {name.strip(): float(value) for name, value in pairs}
        if len(weights) < len(pairs):
            raise ValueError("an objective is named twice")
        ranking.shares(weights, objectives=objectives)
    except ValueError as error:
        known = ", ".join(objectives)
        text_ = f"must read like {objectives[0]}=2,{objectives[-1]}=1, objectives being {known} ({error})"
        raise BadInput([Problem("bad-weights", "--weights", "", "", text, text_)]) from None
    return weights


def pick(
    run: Run, *, method: str = "topsis", weights: Mapping[str, float] | None = None, count: int = COUNT,
    designs: Sequence[str] = (),
) -> pd.DataFrame:  # fmt: skip
    """Rows of a run's front with their rank and merit, picked by a key of METHODS, or those that are named.

    Fewer than `count` where the front holds fewer different packs. BadInput: code "empty-front" or "unknown-design".
    """
    if not len(run.front):
        text = "holds no front: no candidate met every constraint"
        raise BadInput([Problem("empty-front", str(run.folder), expected=text)])
    how: dict[str, Any] = {"objectives": run.objectives, "method": METHODS[method], "weights": weights}
    if not designs:
        return ranking.pick_different(run.front, count, **how)
    wanted = list(dict.fromkeys(designs))
    for name in wanted:
        run.row(name)
    ranked = ranking.rank(run.front, **how).set_index("design_id", drop=False)
    return ranked.loc[wanted].reset_index(drop=True)


def verdict_of(run: Run, *, method: str = "topsis", weights: Mapping[str, float] | None = None) -> Verdict:
    """The verdict on a run's front; arguments as for `pick`.

    Raises
    ------
    BadInput
        Code "empty-front".
    """
    bounds = (run.record.get("brief") or {}).get("constraints") or {}
    found = verdict(
        run.front, objectives=run.objectives, constraints=bounds, method=METHODS[method], weights=weights
    )
    if found is None:
        text = "holds no front: no candidate met every constraint"
        raise BadInput([Problem("empty-front", str(run.folder), expected=text)])
    return found


def shortlist(run: Run, picked: pd.DataFrame) -> Shortlist:
    """Tolerances and whole designs of picked rows (see `pick`), and the pinned packs.

    BadInput: code "stale-run" when brief or catalogs have changed since the run.
    """
    rows = [{str(k): v for k, v in row.items()} for row in picked.to_dict("records")]
    homes = tuple(run.homes(rows))
    spreads: dict[int, Tolerances] = {}
    bands: dict[int, Band] = {}
    for space in dict.fromkeys(homes):
        own = [k for k, home in enumerate(homes) if home is space]
        check_fresh(space, [rows[k] for k in own], run=run.folder)
        spreads |= zip(own, tolerances(space, [rows[k] for k in own]), strict=True)
        bands |= zip(own, range_bands(space, [rows[k] for k in own]), strict=False)  # none without errors
    frame = picked.copy()
    spread = pd.DataFrame([spreads[k].columns() for k in range(len(rows))], index=frame.index)
    for end in ("low", "high") if bands else ():
        spread[f"range_km_{end}"] = [getattr(bands[k], f"{end}_km") for k in range(len(rows))]
    # The front's own band of the range counts the model's error, too.
    frame = pd.concat([frame, spread.drop(columns=[name for name in spread if name in frame])], axis=1)
    full = [{str(k): v for k, v in row.items()} for row in frame.to_dict("records")]
    designs = tuple(unfold(space, row) for space, row in zip(homes, full, strict=True))
    pins = pinned_packs(homes[0])
    pinned = {name: None if each is None else unfold(each.space, each.row) for name, each in pins.items()}
    return Shortlist(frame, designs, homes, pinned, pins)


def write_shortlist(
    run: Run, found: Shortlist, *, step: bool = False, say: Callable[[str], None] = lambda text: None
) -> list[Path]:
    """Write shortlist.csv and .parquet into the run's folder, designs/<design_id>/ for each design; gives all files.

    `step`: pack.step, too.
    """
    if step:
        need_step()
    units = dict(run.units)
    units |= {f"{name}_{end}": run.units[name] for name in run.objectives for end in ("p10", "p90")}
    units |= dict.fromkeys({"range_km_low", "range_km_high"} & set(found.frame), "km")
    chances = (str(name) for name in found.frame)
    units |= {name: "1" for name in chances if name.startswith("holds_") or name in ("rank", "merit")}
    written = [run.folder / "shortlist.parquet", run.folder / "shortlist.csv"]
    for design, space in found.whole:
        name = str(design.row["design_id"])
        say(f"drawing {name}")
        folder = run.folder / "designs" / name
        written += write_design(folder, design, step=step)
        written.append(folder / "design.json")
        row = {k: v for k, v in design.row.items() if k in run.front or k == "design_id"}
        record = design_record(space, row, design=design)
        write_text(written[-1], json.dumps(record, ensure_ascii=False, indent=1) + "\n")
    if any(found.pins.values()):
        written.append(run.folder / PINNED_FILE)
        write_pinned(run.folder, list(found.pins.values()))
    # Last, so that a list never names designs whose folders a full disk or a kill kept from being written.
    frame = found.frame
    store.write_together({written[0]: store.parquet_bytes(frame, units=units), written[1]: store.csv_bytes(frame)})
    return written


def known_shortlist(run: Run) -> list[str]:
    """design_ids of the run's shortlist, when one was written and its designs are still on the front."""
    path = run.folder / "shortlist.parquet"
    if not path.is_file() or not len(run.front):
        return []
    on_front = set(run.front["design_id"])
    try:
        picked = pd.read_parquet(path)["design_id"].astype(str)
    except (OSError, ValueError, KeyError, pa.ArrowException) as wrong:
        text = "is no shortlist that can be read; cellstow shortlist writes it anew"
        raise BadInput([Problem("bad-shortlist", str(path), expected=text, found=str(wrong)[:100])]) from None
    return [name for name in picked if name in on_front]
