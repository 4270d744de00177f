"""What became of every candidate of a search, and which rule decided it."""

from __future__ import annotations

import time
from collections import Counter
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from optimizer.base.arrays import Floats
from optimizer.base.figures import split_name


@dataclass
class Tally:
    """What became of the candidates of a task: raw = scored + all pruned.

    Parameters
    ----------
    raw, scored : int
        Candidates in the space, and candidates evaluated.
    bounds : int
        Ideal packs and samples evaluated besides.
    pruned : Counter
        Candidates never scored, by the rule that discarded them.
    rejected : Counter
        Scored candidates that fail a constraint, by the first one they fail.
    nearest : dict
        Constraint to the least shortfall of any scored or bounded pack, in the figure's unit.
    seconds : dict
        Time that scoring took, by situation; "" is the brief's own conditions, with what is quick in all [s].
    """

    raw: int = 0
    scored: int = 0
    bounds: int = 0
    pruned: Counter[str] = field(default_factory=Counter)
    rejected: Counter[str] = field(default_factory=Counter)
    nearest: dict[str, float] = field(default_factory=dict)
    seconds: dict[str, float] = field(default_factory=dict, compare=False)

    def add(self, other: Tally) -> None:
        """Take another task's figures in."""
        self.raw += other.raw
        self.scored += other.scored
        self.bounds += other.bounds
        self.pruned += other.pruned
        self.rejected += other.rejected
        for name, spent_s in other.seconds.items():
            self.seconds[name] = self.seconds.get(name, 0.0) + spent_s
        for name, gap in other.nearest.items():
            self.nearest[name] = max(gap, self.nearest.get(name, -np.inf))

    def prune(self, rule: str, count: int) -> None:
        """Count candidates that a rule discards."""
        self.raw += count
        self.pruned[rule] += count

    def count(self, scored: int) -> None:
        """Count candidates that are scored."""
        self.raw += scored
        self.scored += scored

    @contextmanager
    def timed(self, figures: frozenset[str]) -> Iterator[None]:
        """Count the time spent inside for the one situation that all of some figures are of, else for ""."""
        start, named = time.perf_counter(), {split_name(name)[1] for name in figures}
        yield
        name = named.pop() if len(named) == 1 else ""
        self.seconds[name] = self.seconds.get(name, 0.0) + time.perf_counter() - start

    def as_dict(self) -> dict[str, Any]:
        """The figures as JSON can hold them."""
        return {
            "raw": self.raw, "scored": self.scored, "bounds": self.bounds, "pruned": dict(self.pruned),
            "rejected": dict(self.rejected), "nearest": dict(self.nearest), "seconds": dict(self.seconds),
        }  # fmt: skip

    @classmethod
    def from_dict(cls, counts: Mapping[str, Any]) -> Tally:
        """What `as_dict` made a dict of."""
        counters = {name: Counter(counts[name]) for name in ("pruned", "rejected")}
        return cls(counts["raw"], counts["scored"], counts["bounds"], **counters,
                   nearest=dict(counts["nearest"]), seconds=dict(counts.get("seconds", {})))  # fmt: skip

    def note_margins(self, found: Mapping[str, Floats]) -> None:
        """Remember how near the best pack came to each constraint."""
        for name, values in found.items():
            if len(values):
                best = float(np.max(values))
                self.nearest[name] = max(best, self.nearest.get(name, -np.inf))
