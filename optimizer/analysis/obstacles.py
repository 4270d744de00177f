"""What stands against every pack of a space, and the single changes of a limit that would let one through."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from optimizer.analysis.unlaid import unlaid
from optimizer.base.figures import ANY, OBJECTIVES, in_situation, sided, split_name
from optimizer.brief import Constraints
from optimizer.design.protection import broken
from optimizer.design.rescore import scored
from optimizer.design.select import choose
from optimizer.design.subspace import with_brief
from optimizer.front.pareto import balanced
from optimizer.pack.bill import with_spares
from optimizer.score.inputs import by_regen_rule
from optimizer.score.score import margins, score
from optimizer.search.running.run import search
from optimizer.search.space import parts
from optimizer.search.space import space as rules
from optimizer.search.space.offering import Task
from optimizer.search.space.setup import make_space
from optimizer.search.space.space import Space

TOGETHER = "limits together"
#: The rule of [protection] by which braking's current must be borne, and the key of [electrical] that says how much.
REGEN_RULE, REGEN = "regen_holds", "regen_current_a"


@dataclass(frozen=True)
class Reason:
    """One thing that stands against a pack.

    Parameters
    ----------
    rule : str
        "[vary]", "voltage window", "does not fit", "stock", "no BMS or fuse", a rule of protection, a constraint's
        name, or "limits together".
    text : str
        By how much, in words.
    short : float or None
        By how much, in the unit of the rule.
    """

    rule: str
    text: str
    short: float | None = None


@dataclass(frozen=True, eq=False)
class Remedy:
    """A change of one limit or length that lets a pack through while all else stays.

    Parameters
    ----------
    name : str
        Of the constraint, or of the length, "deck width", or REGEN.
    bound, needed : float
        As the brief has it, and the nearest value that a pack meets, in the figure's unit or in mm.
    row : mapping
        That pack, as a row of a front.
    unit : str
        Of what is neither a constraint nor a length.
    """

    name: str
    bound: float
    needed: float
    row: Mapping[str, Any]
    unit: str = ""

    @property
    def share(self) -> float:
        """The change as a part of the bound."""
        return abs(self.needed - self.bound) / max(abs(self.bound), 1e-9)

    def record(self) -> dict[str, Any]:
        """As JSON's types."""
        pack: dict[str, Any] = {name: str(self.row[name]) for name in ("design_id", "cell_id", "split")}
        pack |= {name: int(self.row[name]) for name in ("series", "parallel")}
        return {
            "constraint": self.name, "bound": self.bound, "needed": self.needed,
            "pack": pack, **({"unit": self.unit} if self.unit else {}),
        }  # fmt: skip


def obstacles(space: Space) -> list[Reason]:
    """What stands against all packs of a space, whatever its limits: the first kind of obstacle that is met.

    Nothing where packs can be built that only rules of protection or the brief's constraints could refuse.
    """
    for look in (_voltage, _room, _stock, _no_part, _metal):
        reasons = look(space)
        if reasons:
            return reasons
    return []


# What is said where no pack that nothing else refuses can be wired.
WIRES = {
    rules.CRAMPED: "of the packs that are left none has, for every wire at its full thickness, a clear way as short as "
    "the wire is cut ([harness] wires_have_room): thinner wire or leads, [clearance] wire_mm over the cells' ends, a "
    "keep-out beside them, or more slack_mm give room",
    rules.BUNDLES: "the wires of each pack that is left are too thick together for the bore of a passage: a larger "
    "bore_mm, or thinner wire",
}


def refusals(space: Space) -> list[Reason]:
    """Rules and limits that refuse all packs of a space that has no obstacle and no feasible pack.

    Where turning a rule of protection off would let none through, limits that refuse all packs without it stand beside.
    """
    free = with_brief(space, constraints=Constraints())
    outcome = search(free, workers=1)
    if len(outcome.found):
        return _limits(space)
    wires = [Reason(rule, text) for rule, text in WIRES.items() if outcome.tally.pruned.get(rule)]
    return _protection(space, free) or wires


def remedies(space: Space, *, report: Callable[[str], None] = lambda text: None) -> list[Remedy]:
    """For each constraint of a space without a feasible pack, the least change of it alone that lets one through.

    Each is found by an exact search for the best of the constraint's figure under all other constraints. The smallest
    share of the bound comes first; constraints whose change alone lets none through are left out.
    """
    found = _less_regen(space, report=report)
    for name, bound in _bounds(space).items():
        if by_regen_rule(space.brief, name):
            continue
        report(f"looking for the least change of {name} that lets a pack through")
        figure = sided(name)[0]
        others = space.brief.constraints.model_copy(update={name: None})
        part = with_brief(space, constraints=others, objectives=(figure,))
        best = search(part, workers=1).found
        if len(best):
            row = scored(best.take(np.array([int(np.argmin(best.objectives[:, 0]))])), space=part).iloc[0]
            found.append(Remedy(name, bound, float(row[figure]), {str(key): value for key, value in row.items()}))
    return sorted(found, key=lambda remedy: remedy.share)


def _less_regen(space: Space, *, report: Callable[[str], None]) -> list[Remedy]:
    """Less regeneration, where the rule regen_holds asks for more than packs bear that meet all else; by its search."""
    brief = space.brief
    ruled = [name for name, _ in brief.constraints if by_regen_rule(brief, name)]
    if not ruled:
        return []
    report(f"looking for the most of {REGEN} that a pack bears")
    asked = brief.electrical
    assert asked is not None
    figure = in_situation("regen_limit_a", ANY) if brief.situation else "regen_limit_a"
    free = brief.constraints.model_copy(update=dict.fromkeys(ruled))
    best = best_of(with_brief(space, constraints=free), figure)
    if best is None or best <= 0:
        return []
    # A pack must bear what is written, with few digits.
    needed = np.floor(best * 100.0) / 100.0
    less = brief.model_copy(update={
        "electrical": asked.model_copy(update={REGEN: needed}),
        "constraints": brief.constraints.model_copy(update=dict.fromkeys(ruled, needed)),
    })  # fmt: skip
    other = make_space(replace(space.inputs, brief=less))
    other = with_brief(other, objectives=brief.objectives.use[:1])
    found = search(other, workers=1).found
    if not len(found):
        return []
    row = scored(found.take(np.array([0])), space=other).iloc[0]
    return [Remedy(REGEN, asked.regen_current_a, float(needed), {str(k): v for k, v in row.items()}, "A")]


def _bounds(space: Space) -> dict[str, float]:
    return {name: bound for name, bound in space.brief.constraints if bound is not None}


def _voltage(space: Space) -> list[Reason]:
    """Why no cell stays in the voltage window with any of the counts in series."""
    low, high = space.window
    if (low <= high).any():
        return []
    cells, asked = space.context.cells, space.brief.electrical
    assert asked is not None
    first, last = space.brief.vary.series
    over = first * cells.voltage_max_v - asked.voltage_max_v
    under = asked.voltage_min_v - last * cells.voltage_min_v
    miss = np.maximum(over, under)
    k = int(np.argmin(miss))
    name = str(space.inputs.cells.id[cells.row[k]])
    if over[k] >= under[k]:
        text = f"{first} × {cells.voltage_max_v[k]:g} V = {first * cells.voltage_max_v[k]:.1f} V when full is " \
               f"{over[k]:.1f} V over voltage_max_v = {asked.voltage_max_v:g} V"  # fmt: skip
    else:
        text = f"{last} × {cells.voltage_min_v[k]:g} V = {last * cells.voltage_min_v[k]:.1f} V when empty is " \
               f"{under[k]:.1f} V under voltage_min_v = {asked.voltage_min_v:g} V"  # fmt: skip
    near = "" if len(miss) == 1 else f"; {name} comes nearest"
    fits_low = int(np.ceil(asked.voltage_min_v / cells.voltage_min_v[k] - 1e-9))
    fits_high = int(np.floor(asked.voltage_max_v / cells.voltage_max_v[k] + 1e-9))
    window = f"; {name} allows {fits_low} to {fits_high} in series" if fits_low <= fits_high else \
        f"; {name} fits the window in no number"  # fmt: skip
    return [Reason(rules.VOLTAGE, text + (near or "") + window, float(miss[k]))]


def _tasks(space: Space) -> list[tuple[Task, int]]:
    """Every size and P that may be chosen, with the least groups that a cell of the size needs."""
    low, high = space.window
    found = []
    for size in range(len(space.sizes)):
        members = np.flatnonzero((space.size_of == size) & (low <= high))
        if len(members):
            first, last = space.brief.vary.parallel
            # More cells in parallel than there are places hold no group: nothing to look at.
            held = max(sum(space.most_cells(size, k)) for k in space.stands_of(size, first))
            found += [
                (Task(size, p, k), int(low[members].min()))
                for p in range(first, min(last, max(held, first)) + 1) for k in space.stands_of(size, p)
            ]  # fmt: skip
    return found


def _room(space: Space) -> list[Reason]:
    """Why no size and P has room for its groups."""
    best: tuple[int, str] | None = None
    for task, needed in _tasks(space):
        held = [max((fill.groups for fill in each), default=0) for each in space.fills(task)]
        shares = getattr(space, "shares", None)
        if shares is not None:
            whole = Space(space.inputs, space.context).fills(task)
            held = [max((fill.groups for fill in each), default=0) for each in whole]
            lacks = [max(wanted - groups, 0) for wanted, groups in zip(shares, held, strict=True)]
            short = sum(lacks)
        else:
            short = needed - sum(held)
        if short <= 0:
            return []
        rooms = ", ".join(f"{room.name} {groups}" for room, groups in zip(space.rooms, held, strict=True))
        wanted = ", ".join(f"{r.name} {g}" for r, g in zip(space.rooms, shares, strict=True)) if shares else needed
        cells = sum(space.most_cells(task.size, task.stand))
        text = f"{sum(held)} groups of {task.parallel} fit ({rooms}; {cells} places for cells), {wanted} are needed: " \
               f"{short} short"  # fmt: skip
        over_mm, tie_mm = space.sizes[task.size].over_mm, space.sizes[task.size].tie_mm
        text += f"; tie plates and bands take {tie_mm:g} mm around the cells of a case" if tie_mm else ""
        text += f"; lugs, fasteners or studs take {over_mm:.3g} mm at each end of a bolted cell" if over_mm else ""
        if best is None or short < best[0]:
            best = (short, text)
    if best is None:
        return []
    return [Reason(rules.ROOM, best[1], float(best[0]))]


def _stock(space: Space) -> list[Reason]:
    """Why no cell is in stock in the numbers needed."""
    cells, low, best = space.inputs.cells, space.window[0], None
    for k in np.flatnonzero(low <= space.window[1]):
        number = int(low[k]) * space.brief.vary.parallel[0]
        need = int(with_spares(number, spare_fraction=space.brief.parts.spare_fraction))
        row = int(space.context.cells.row[k])
        short = need - float(cells.stock[row])
        if short <= 0:
            return []
        text = f"{need} {cells.id[row]} are needed, spares included, {cells.stock[row]:g} are in stock"
        if best is None or short < best[0]:
            best = (short, text)
    return [] if best is None else [Reason(rules.STOCK, best[1], best[0])]


def _no_part(space: Space) -> list[Reason]:
    """Why no BMS or fuse suits any of the counts in series."""
    cells, texts, profile = space.inputs.cells, [], space.context.profile
    low, high = space.window
    for k in np.flatnonzero(low <= high):
        row = int(space.context.cells.row[k])
        chemistry, volt = str(cells.chemistry[row]), float(cells.voltage_max_v[row])
        for series in range(int(low[k]), int(high[k]) + 1):
            full_v = series * volt
            _, bms = parts.bms_options(space.inputs, series=series, chemistry=chemistry, full_v=full_v, profile=profile)
            _, fuses = parts.fuse_options(space.inputs, full_v=full_v, profile=profile)
            if len(bms) and len(fuses):
                return []
            lack = "no BMS is made for" if not len(bms) else "no fuse is rated for the voltage of"
            texts.append(f"{lack} {series} {chemistry} cells in series ({full_v:.1f} V when full)")
    return [Reason(rules.NO_PART, "; ".join(dict.fromkeys(texts[:3])))] if texts else []


def _protection(space: Space, free: Space) -> list[Reason]:
    """Rules of protection that no pack of the space meets, free of limits or not, and what stands against the pack
    that comes nearest.
    """
    names = {"fuse_protects": rules.PROTECTS, "fuse_breaks": rules.BREAKS}
    for off in (["fuse_protects"], ["fuse_breaks"], list(names)):
        other = with_brief(free, rules_off=off)
        found = search(other, workers=1).found
        if len(found):
            row = scored(found.take(np.array([balanced(found.objectives)])), space=other).iloc[0]
            text = " ".join(broken(other, choose(other, {str(k): v for k, v in row.items()}))).rstrip(".")
            ask = " and ".join(f"{name} = false" for name in off)
            bound = with_brief(space, rules_off=off)
            if len(search(with_brief(bound, objectives=space.brief.objectives.use[:1]), workers=1).found):
                return [Reason(names[off[0]], f"{text}; [protection] {ask} turns the rule off")]
            return [Reason(names[off[0]], text), *_limits(bound)]
    return []


def _metal(space: Space) -> list[Reason]:
    """Why no stock can be joined to the cells, or laid over the groups."""
    return [Reason(rule, text) for rule, text in unlaid(space, [task for task, _ in _tasks(space)])]


def _limits(space: Space) -> list[Reason]:
    """Constraints that no pack of the space meets, each with the best over all that is open."""
    bounds = _bounds(space)
    free = with_brief(space, constraints=Constraints())
    found = []
    for name, bound in bounds.items():
        figure, side = sided(name)
        best = best_of(free, figure)
        if best is None:
            continue
        short = bound - best if side == "min" else best - bound
        if short > 0:
            word = "at most" if OBJECTIVES[figure] else "at least"
            text = f"{figure} comes to {word} {best:.4g}, {bound:g} is asked{_worst_in(free, figure)}"
            if by_regen_rule(space.brief, name):
                text = f"{figure} comes to at most {best:.4g} A; {REGEN} = {bound:g} A must be borne, as the rider " \
                       f"balances on the motor{_worst_in(free, figure)}"  # fmt: skip
            if not np.isfinite(best) and split_name(figure)[1]:
                text = f"{figure} is not known: no fade of such cells is published in the form used here"
            found.append(Reason(REGEN_RULE if by_regen_rule(space.brief, name) else name, text, float(short)))
    return found or [_together(space, bounds)]


def _worst_in(space: Space, figure: str) -> str:
    """Of the worst of all situations, which one it is for the pack that is best in it; "" of other figures."""
    base, situation = split_name(figure)
    if situation != ANY:
        return ""
    found = search(with_brief(space, objectives=(figure,)), workers=1).found
    names = [name for name, _ in space.context.everywhere()]
    asked = frozenset(in_situation(base, name) for name in names)
    each = score(found.take(np.array([0])).block(), context=space.context, figures=asked, stepped=True)
    values = [float(each[in_situation(base, name)][0]) * (1.0 if OBJECTIVES[base] else -1.0) for name in names]
    return f", by {names[int(np.argmin(values))] or 'the conditions of the brief itself'}"


def _together(space: Space, bounds: Mapping[str, float]) -> Reason:
    """Limits that can be met one by one but not together: the pack that misses least, and by what."""
    free = with_brief(space, constraints=Constraints())
    figures = tuple(dict.fromkeys(sided(name)[0] for name in bounds))
    found = search(with_brief(free, objectives=figures), workers=1).found
    values = {
        name: column * (-1.0 if OBJECTIVES[name] else 1.0)
        for name, column in zip(figures, found.objectives.T, strict=True)
    }
    gaps = margins(values, constraints=bounds)
    misses = np.column_stack([-gaps[f"margin_{name}"] / max(abs(bound), 1e-9) for name, bound in bounds.items()])
    k = int(np.argmin(misses.max(axis=1)))
    words = [
        f"{REGEN_RULE if by_regen_rule(space.brief, name) else name} by {-float(gaps[f'margin_{name}'][k]):.4g}"
        for name in bounds if gaps[f"margin_{name}"][k] < 0
    ]
    row = scored(found.take(np.array([k])), space=with_brief(free, objectives=figures)).iloc[0]
    text = f"each limit can be met, but not all at once; the pack that comes nearest, {row['series']}S" \
           f"{row['parallel']}P {row['cell_id']}, misses {', '.join(words)}"  # fmt: skip
    return Reason(TOGETHER, text, float(misses[k].max()))


def best_of(space: Space, figure: str) -> float | None:
    """Best value of one figure over a whole space, constraints kept; None where no pack is feasible."""
    found = search(with_brief(space, objectives=(figure,)), workers=1).found
    if not len(found):
        return None
    return float(found.objectives[:, 0].min()) * (-1.0 if OBJECTIVES[figure] else 1.0)
