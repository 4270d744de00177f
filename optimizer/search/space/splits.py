"""Shares of the groups over the compartments, each with the fill of every compartment and the harness."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from functools import cached_property
from itertools import product
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from optimizer.base.arrays import Floats, Ints
from optimizer.brief import HarnessRules
from optimizer.fit.region.compartment import Compartment
from optimizer.front.pareto import nondominated
from optimizer.pack.conductors.totals import HEIGHT
from optimizer.pack.wiring.bundles import between_boxes, most_wire_mm2
from optimizer.pack.wiring.harness import TRIED_COMPARTMENTS, HarnessBlock, Places
from optimizer.pack.wiring.legs import ANY_WIRE_MM
from optimizer.pack.wiring.lightest import Harnesses
from optimizer.pack.wiring.passages import Links, links_of
from optimizer.search.space import roomwise
from optimizer.search.space.counts import ways_by_groups
from optimizer.search.space.fills import CRAMPED, LEGS, SENSOR_LEG, Fill
from optimizer.search.space.hubs import board_room, leads_mm, places, seats_matter, sensor_leg_mm, sensor_legs_mm
from optimizer.search.space.splitrows import Splits, all_splits, joined, nothing, summed

if TYPE_CHECKING:
    from optimizer.search.space.parts import Build


# Kinds of module case in one pack: each is drawn, printed and tried by itself (common practice: one or two).
MOST_KINDS = 2

# Rows of many compartments whose harnesses are found, and which are reduced, at a time; and rows of few
# compartments from which on what others beat is left out before there are more.
BLOCK = 20_000
LARGE = 200_000

# Splits of one task that are kept, none of which another one beats.
MOST_KEPT = 250_000


class TooMany(Exception):
    """More splits are worth having than may be kept; the argument is how many so far."""


def laid_groups(fill: Fill, build: Build) -> npt.NDArray[np.bool_]:
    """For which of 0, 1, 2 … groups of a fill conductors can be laid from a stock."""
    squares, stack, under = (
        fill.metrics[:, fill.names.index(f"{build.way.name}:{name}")] for name in ("squares", *HEIGHT)
    )
    return np.asarray(np.isfinite(squares) & build.fits(stack, under))


class Shares:
    """Ways to share groups out for one cell size and P, made for one number of groups at a time.

    Parameters
    ----------
    rooms : sequence of Compartment, length m
    fills : sequence of sequences of Fill
        Of each compartment; may be empty where nothing fits.
    rules : HarnessRules
    sensors : int
    known : dict
        Harnesses worked out before, whatever the cell size: they depend on the split and on the groups per
        module, and on where the hubs lie. Those of more than TRIED_COMPARTMENTS compartments are too many to be kept.
    links : Links, optional
        Ways between the hubs; those of compartments without passages when left out.
    board : int, optional
        Compartment of a board that has a body; left out: it may sit at any hub.
    lead_mm2 : float
        Square of the outer diameter of balance and sensor wire; it counts where there are passages [mm²].
    most_kept : int
        Splits that may be kept, of all numbers of groups asked for together.
    """

    def __init__(
        self,
        rooms: Sequence[Compartment],
        *,
        fills: Sequence[Sequence[Fill]],
        rules: HarnessRules,
        sensors: int,
        known: dict[tuple[object, ...], tuple[Ints, Harnesses]],
        links: Links | None = None,
        board: int | None = None,
        lead_mm2: float = 0.0,
        most_kept: int = MOST_KEPT,
    ) -> None:
        self.rooms, self.fills, self.rules, self.sensors, self.known = rooms, fills, rules, sensors, known
        how = next((fill.rules for each in fills for fill in each), ())
        self.worst = np.array([rule == "worst" for rule in how], dtype=bool)
        self.useful = [_useful_at(each, seats_matter(len(rooms), sensors)) for each in fills]
        names = next((fill.names for each in fills for fill in each), ())
        self.legs = [names.index(name) if name in names else -1 for name in (*LEGS, SENSOR_LEG)]
        self.cramped = names.index(CRAMPED) if CRAMPED in names else -1
        self.most_kept, self.board, self.lead_mm2 = most_kept, board, lead_mm2
        self._links = links
        self._kept: dict[int, int] = {}

    @cached_property
    def links(self) -> Links:
        """Ways between the hubs."""
        return links_of(self.rooms) if self._links is None else self._links

    def ways(self, *, up_to: int | None = None) -> list[int]:
        """How many (split, fills) there are for 0, 1, 2 … groups in all.

        Parameters
        ----------
        up_to : int, optional
            Count no further than for so many groups.

        Returns
        -------
        list of int
            As long as there is room; whole numbers without bound.
        """
        return self._counted([np.ones((len(each), most + 1), dtype=bool) for each, most in self._sizes()], up_to)

    def held(self, *, reduced: bool = True, up_to: int | None = None) -> list[int]:
        """How many (split, fills) `of` goes through for 0, 1, 2 … groups in all: see there, and `ways`."""
        return self._counted(self.useful, up_to) if reduced else self.ways(up_to=up_to)

    def laid(self, build: Build, *, up_to: int | None = None) -> list[int]:
        """As `ways`, of fills whose conductors can be laid from a stock."""
        tables = []
        for each, most in self._sizes():
            table = np.zeros((len(each), most + 1), dtype=bool)
            for k, fill in enumerate(each):
                table[k, : fill.groups + 1] = laid_groups(fill, build)
            tables.append(table)
        return self._counted(tables, up_to)

    def _sizes(self) -> list[tuple[Sequence[Fill], int]]:
        """Fills of each compartment with the most groups that one of them holds."""
        return [(each, max((fill.groups for fill in each), default=0)) for each in self.fills]

    def _counted(self, stands: Sequence[npt.NDArray[np.bool_]], up_to: int | None) -> list[int]:
        """Ways over the fills that stand, by compartment a table of fills and groups, shape (f, G + 1)."""
        # A table may say that a fill stands for more groups than it holds.
        held = [
            [Counter(fill.groups_per_module for fill, stand in zip(each, table[:, g], strict=True)
                     if stand and fill.groups >= g) for g in range(1, most + 1)]
            for (each, most), table in zip(self._sizes(), stands, strict=True)
        ]  # fmt: skip
        return ways_by_groups(held, most_kinds=MOST_KINDS, up_to=up_to)

    def of(self, series: int, *, reduced: bool = True) -> Splits:
        """Splits of a number of groups, each with the fill of every compartment.

        Parameters
        ----------
        series : int
            Groups in all, at least 1.
        reduced : bool
            Leave out what another split of as many groups equals or beats in every number.

        Raises
        ------
        TooMany
            When more than `most_kept` of all numbers of groups asked for so far are worth having.
        """
        found = (self._roomwise if len(self.rooms) > TRIED_COMPARTMENTS else self._by_choice)(series, reduced)
        self._count(series, len(found))
        return found

    @property
    def _spent(self) -> list[int]:
        """Columns of the metrics that are in the lengths of wires."""
        return [at for at in (*self.legs, self.cramped) if at >= 0]

    def _count(self, series: int, kept: int) -> None:
        """Take note of how many splits are kept; too many end the search."""
        self._kept[series] = kept
        if sum(self._kept.values()) > self.most_kept:
            raise TooMany(sum(self._kept.values()))

    def _by_choice(self, series: int, reduced: bool) -> Splits:
        """As `of`, one choice of fills after the other."""
        parts: list[Splits] = []
        for choice in product(*(range(max(len(each), 1)) for each in self.fills)):
            part = self._chosen(np.array(choice), series, reduced)
            if part is not None:
                parts.append(part)
            if reduced and sum(map(len, parts)) > LARGE:
                parts = [joined(parts, reduced, self._spent)]
                self._count(series, len(parts[0]))
        if not parts:
            return nothing(len(self.rooms), len(self.worst))
        return joined(parts, reduced, self._spent)

    def _roomwise(self, series: int, reduced: bool) -> Splits:
        """As `of`, compartment by compartment; what is held at a time is bounded unless nothing may be left out."""
        offered = roomwise.offers(self.fills, useful=self.useful if reduced else None, metrics=len(self.worst))
        where = places([None] * len(self.rooms), links=self.links)
        blocks = roomwise.filled(offered, series=series, worst=self.worst, most_kinds=MOST_KINDS, reduced=reduced)
        kept = [nothing(len(self.rooms), len(self.worst))]
        waiting: list[roomwise.WayRows] = []
        for rows in blocks:
            waiting.append(rows)
            if sum(map(len, waiting)) >= BLOCK:
                kept, waiting = self._taken(kept, waiting, where, reduced), []
                self._count(series, sum(map(len, kept)))
        return joined(self._taken(kept, waiting, where, reduced), reduced=False)

    def _taken(
        self, kept: list[Splits], waiting: Sequence[roomwise.WayRows], where: Places, reduced: bool
    ) -> list[Splits]:
        """What was kept with further rows, whose harnesses are found here."""
        here = [self._with_harness(rows, where) for rows in waiting]
        if not reduced or not here:
            return [*kept, *here]
        return [joined([*kept, joined(here, reduced, self._spent)], reduced, self._spent)]

    def _with_harness(self, rows: roomwise.WayRows, where: Places) -> Splits:
        _, first, back = np.unique(rows.same, return_index=True, return_inverse=True)
        legs = sensor_legs_mm(self.fills, rows.fill[first], rows.split[first])
        split, cases = rows.split[first], rows.case[first]
        harness = self._apart(self._harnesses(split, where, cases).lightest(legs), split, cases)
        bundles = self._bundles(split, cases, harness)
        metrics, each = rows.metrics, harness.take(back)
        return Splits(
            split=rows.split,
            fill=rows.fill,
            metrics=metrics,
            power_mm=each.power_length_mm + self._legs(metrics, 0),
            lead_mm=leads_mm(legs[back], each) + self._legs(metrics, 1),
            wire_mm2=np.minimum(bundles[back], self.roomy_mm2(metrics)),
            modules=harness.modules[back],
            taps=harness.balance_leads[back],
            crossing=harness.crossing_conductors[back],
        )

    def _legs(self, metrics: Floats, kind: int) -> Floats:
        """Length of wires up to the hubs, shape (n,): of power wires (0), or of balance leads (1)."""
        at = self.legs[kind]
        return metrics[:, at] if at >= 0 else np.zeros(len(metrics))

    def roomy_mm2(self, metrics: Floats) -> Floats:
        """Largest square of a power wire's outer diameter with room in all compartments in use, shape (n,) [mm²]."""
        free = ANY_WIRE_MM - metrics[:, self.cramped] if self.cramped >= 0 else np.full(len(metrics), np.inf)
        return np.asarray(free**2 * (1.0 + 1e-9))

    def _bundles(self, split: Ints, per_module: Ints, harness: HarnessBlock) -> Floats:
        """Largest square of a power wire's outer diameter, see Splits, shape (n,)."""
        if not self.links.passages:
            return np.full(len(split), np.inf)
        return most_wire_mm2(
            split, per_module, harness, links=self.links, lead_mm2=self.lead_mm2, sensors=self.sensors,
            shared=self.rules.share_balance_leads,
        )  # fmt: skip

    def _harnesses(self, split: Ints, where: Places, per_module: Ints | None = None) -> Harnesses:
        return Harnesses(
            split,
            places=where,
            per_module=per_module,
            sensors=self.sensors,
            share_balance_leads=self.rules.share_balance_leads,
            slack_mm=self.rules.slack_mm,
            bms_in=board_room(self.rooms, self.rules.bms_in, self.board),
        )

    def _apart(self, block: HarnessBlock, split: Ints, per_module: Ints) -> HarnessBlock:
        """Harnesses whose wires between zones don't count as wires between compartments."""
        if not self.links.homes:
            return block
        return between_boxes(
            split, per_module, block, homes=self.links.homes, sensors=self.sensors,
            shared=self.rules.share_balance_leads,
        )  # fmt: skip

    def _chosen(self, choice: Ints, series: int, reduced: bool) -> Splits | None:
        """Splits over one choice of fills; None where there is none."""
        chosen = [each[k] if each else None for each, k in zip(self.fills, choice, strict=True)]
        # Every fill but the first one of a compartment is in use, see below.
        sure = {fill.groups_per_module for fill, k in zip(chosen, choice, strict=True) if fill and k} - {0}
        if len(sure) > MOST_KINDS or (reduced and not all(map(self._ever, range(len(choice)), choice))):
            return None
        split, harnesses = self._all_splits(series, chosen)
        held = np.array([fill.groups if fill else 0 for fill in chosen])
        # An empty compartment is the same whichever fill it does not use: only the first one speaks for it.
        good = np.all((split <= held) & ((split > 0) | (choice == 0)), axis=1)
        good &= kinds_of_case(split, chosen) <= MOST_KINDS
        if reduced:
            for j, table in enumerate(self.useful):
                if len(table):
                    good &= table[choice[j], np.minimum(split[:, j], table.shape[1] - 1)]
        rows = np.flatnonzero(good)
        if not len(rows):
            return None
        split, fills = split[rows], np.tile(choice, (len(rows), 1))
        cases = np.broadcast_to([fill.groups_per_module if fill else 0 for fill in chosen], split.shape)
        legs = sensor_legs_mm(self.fills, fills, split)
        harness = self._apart(harnesses.lightest(legs, rows=rows), split, cases)
        metrics = summed(chosen, split, worst=self.worst)
        return Splits(
            split=split,
            fill=fills,
            metrics=metrics,
            power_mm=harness.power_length_mm + self._legs(metrics, 0),
            lead_mm=leads_mm(legs, harness) + self._legs(metrics, 1),
            wire_mm2=np.minimum(self._bundles(split, cases, harness), self.roomy_mm2(metrics)),
            modules=harness.modules,
            taps=harness.balance_leads,
            crossing=harness.crossing_conductors,
        )

    def _ever(self, room: int, fill: int) -> bool:
        """Whether a fill of a compartment is worth having with any number of groups; the first one with none, too."""
        return fill == 0 or bool(self.useful[room][fill, 1 : self.fills[room][fill].groups + 1].any())

    def _all_splits(self, series: int, chosen: Sequence[Fill | None]) -> tuple[Ints, Harnesses]:
        """Every split of the groups, and its harnesses."""
        where = places(chosen, links=self.links)
        key: tuple[object, ...] = (series, *where.groups_per_module, self.board, self.links.length_mm.tobytes())
        if key not in self.known:
            split = all_splits([series] * len(self.rooms), series=(series, series))
            self.known[key] = split, self._harnesses(split, where)
        return self.known[key]


def kinds_of_case(split: Ints, chosen: Sequence[Fill | None]) -> Ints:
    """How many kinds of module case each split takes, told apart by the groups in one, shape (n,)."""
    per_module = np.array([fill.groups_per_module if fill else 0 for fill in chosen])
    kinds = [((split > 0) & (per_module == kind)).any(axis=1) for kind in set(per_module.tolist()) - {0}]
    return np.sum(kinds, axis=0, dtype=np.int64) if kinds else np.zeros(len(split), dtype=np.int64)


def _useful_at(each: Sequence[Fill], seated: bool) -> npt.NDArray[np.bool_]:
    """Whether fill k with its first g groups is beaten by no other one with the same modules, shape (f, G + 1).

    With no group all are alike, and all stand. If `seated`, nor by one whose sensor's wire is of another length: then
    another order of the chain may be the lightest.
    """
    most = max((fill.groups for fill in each), default=0)
    table = np.ones((len(each), most + 1), dtype=bool)
    for g in range(1, most + 1):
        alike: dict[object, list[int]] = {}
        for k, fill in enumerate(each):
            if fill.groups >= g:
                alike.setdefault((fill.groups_per_module, seated and sensor_leg_mm(fill)[g]), []).append(k)
        for same in alike.values():
            table[same, g] = nondominated(np.array([each[k].metrics[g] for k in same]))
    return table
