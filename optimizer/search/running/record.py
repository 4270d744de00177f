"""run.json: what was asked, what became of every candidate, and by what the run was made."""

from __future__ import annotations

import platform
import sys
from typing import Any

import numpy as np
import pandas as pd

from optimizer import __version__
from optimizer.base.figures import FIGURES, OBJECTIVES
from optimizer.base.sources import code_hash, versions
from optimizer.brief import defaults_in_use
from optimizer.score.score import RIDE_FIGURES
from optimizer.search.running.run import Outcome
from optimizer.search.space.space import Space


def run_record(space: Space, outcome: Outcome, front: pd.DataFrame) -> dict[str, Any]:
    """Content of run.json: enough to repeat the run, and to see what became of every candidate.

    How the search was run (processes, time, storage) is not part of it: it changes no row of a complete front.
    """
    tally = outcome.tally
    return {
        "title": space.brief.title,
        "cellstow": __version__,
        "code": code_hash(),
        "brief": space.brief.model_dump(mode="json", exclude_none=True),
        "defaults": dict(defaults_in_use(space.brief)),
        "inputs": space.inputs.hashes(),
        "seed": space.brief.seed,
        "objectives": {
            name: "most" if OBJECTIVES[name] else "least" for name in space.brief.objectives.use
        },
        "space": {
            "raw": tally.raw,
            "scored": tally.scored,
            "bounds": tally.bounds,
            "pruned": dict(sorted((k, v) for k, v in tally.pruned.items() if v)),
            "rejected": dict(sorted((k, v) for k, v in tally.rejected.items() if v)),
            "complete": outcome.complete,
            "unproven": unproven(space, front),
        },
        "nearest": {name.removeprefix("margin_"): gap for name, gap in sorted(tally.nearest.items())},
        "front": {"rows": len(front), "before_thinning": len(outcome.found)},
        "timing": {"search_s": round(outcome.seconds, 3)},
        "tasks": {"all": outcome.tasks, "done": outcome.done, "from_before": outcome.resumed},
        "peak_memory_mib": peak_memory_mib(),
        "versions": {name: text for name, text in versions().items() if name not in ("code", "machine")},
        "machine": platform.machine(),
    }


def unproven(space: Space, front: pd.DataFrame) -> dict[str, str]:
    """Objectives by which the front may lack rows, each with the reason; {} where the front is the true one.

    Parameters
    ----------
    space : Space
    front : DataFrame
        Rows with range_km [km]; may be empty.
    """
    used = space.brief.objectives.use
    found: dict[str, str] = {name: FIGURES[name].unproven for name in used if FIGURES[name].unproven}
    ride = space.context.ride
    # On a lap of one steady power the fast form knows where it is.
    short = front["range_km"] < ride.distance_m / 1000.0 if len(front) else np.zeros(0, dtype=bool)
    if len(ride.weight) > 1 and short.any() and (range_named := RIDE_FIGURES & space.brief.figures_asked()):
        why = (
            f"{int(short.sum())} of {len(front)} designs do not finish one lap of the ride"
            f" ({ride.distance_m / 1000:.3g} km), and the search went by the lap's mean;"
            " give a shorter lap that is repeated"
        )
        found |= dict.fromkeys(sorted(range_named), why)
    return found


def peak_memory_mib() -> float | None:
    """Largest memory that this process or one of its children held [MiB]; None where the system keeps no account."""
    try:
        import resource
    except ImportError:  # Windows
        return None
    own, children = (
        resource.getrusage(who).ru_maxrss for who in (resource.RUSAGE_SELF, resource.RUSAGE_CHILDREN)
    )
    # Linux counts in KiB, macOS in bytes.
    return round(max(own, children) / (1024.0**2 if sys.platform == "darwin" else 1024.0), 1)
