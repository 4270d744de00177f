"""run.json: what was asked, what became of every candidate, and by what the run was made."""

from __future__ import annotations

import platform
import sys
from collections import Counter
from collections.abc import Mapping
from typing import Any

import pandas as pd

from optimizer import __version__
from optimizer.base.figures import ANY, FIGURES, OBJECTIVES
from optimizer.base.sources import code_hash, versions
from optimizer.brief import defaults_in_use
from optimizer.score.inputs import by_regen_rule
from optimizer.search.exact.tally import Tally
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
            "pruned": _by_reason(space, tally.pruned),
            "rejected": _by_reason(space, tally.rejected),
            "complete": outcome.complete,
            "unproven": unproven(space),
        },
        "nearest": {name.removeprefix("margin_"): gap for name, gap in sorted(tally.nearest.items())},
        "front": {"rows": len(front), "before_thinning": len(outcome.found)},
        "timing": {"search_s": round(outcome.seconds, 3), **_situation_times(space, tally)},
        "tasks": {"all": outcome.tasks, "done": outcome.done, "from_before": outcome.resumed},
        "peak_memory_mib": peak_memory_mib(),
        "versions": {name: text for name, text in versions().items() if name not in ("code", "machine")},
        "machine": platform.machine(),
    }


def _by_reason(space: Space, counts: Mapping[str, int]) -> dict[str, int]:
    """Counts by what the brief says: limits that the rule on regeneration sets are told as that rule."""
    found: Counter[str] = Counter()
    for name, count in counts.items():
        found["regen_holds" if by_regen_rule(space.brief, name) else name] += count
    return {name: count for name, count in sorted(found.items()) if count}


def _situation_times(space: Space, tally: Tally) -> dict[str, Any]:
    """What scoring each situation cost, over all workers [s]; {} without situations."""
    if not space.context.situations:
        return {}
    spent = {"own": tally.seconds.get("", 0.0)}
    spent |= {name: tally.seconds.get(name, 0.0) for name in (*space.context.situations, ANY)}
    return {"situations_s": {name: round(seconds, 3) for name, seconds in spent.items()}}


def unproven(space: Space) -> dict[str, str]:
    """Objectives by which the front may lack rows, each with the reason; {} where the front is the true one."""
    return {name: FIGURES[name].unproven for name in space.brief.objectives.use if FIGURES[name].unproven}


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
