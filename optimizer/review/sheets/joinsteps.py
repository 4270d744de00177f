"""Steps of the build sheet in which metal meets cells, by the method that joins them."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from optimizer.design.metal_gaps import gap_rows
from optimizer.review.sheets.steps import WorkStep

if TYPE_CHECKING:
    from optimizer.design.model import Design


@dataclass(frozen=True)
class Method:
    """What a method asks for: titles of both steps, trials once the metal is clean, leads, and checks of the joints."""

    trial: str
    title: str
    verb: str
    trials: tuple[str, ...]
    lead: str
    checks: tuple[str, ...]


_PEEL = (
    "Peel the strip off. Good: metal of the strip stays on the cell, torn out around each weld. "
    "Burnt through or with holes: too hot. Clean off without a mark: too cold.",
    "Repeat until ten in a row are good; repeat one trial whenever the welder has rested or been moved.",
)
_LEAD = (
    "Join each lead to its end plate, at the ring on the drawing, before the plate is welded to cells: no "
    "soldering on a cell."
)
_PULL = "After each plate check by eye and by a light pull that every weld holds."
_TABS = (
    "Join every tab to its sheet first, away from the cells, on both sides of its window, and pull each; the sheet "
    "itself is never welded to a cell. Then lay the plate and weld the tabs through the windows."
)
_COLLECTOR = (
    "Join each collector to its end plate first, away from the cells, between all cells of its row (by {method}), and "
    "pull each joint; the lead goes on the bar at the ring. Then weld the plate to the cells through the bar's windows."
)
# Common practice, no published source.
METHODS = {
    "spot": Method(
        "Trial welds", "Weld the plates", "Weld",
        ("Weld trials on scrap: {metal} on a dead cell of the same kind, at the settings you will use.", *_PEEL),
        _LEAD,
        ("Two weld pairs at least on each end. No weld on the centre of the negative end, where the "
         "inner tab is: weld off its centre.", _PULL),
    ),
    "laser": Method(
        "Trial welds", "Weld the plates", "Weld",
        ("Weld trials by laser on scrap: {metal} on a dead cell of the same kind, at the settings you will use, the "
         "metal pressed flat on the terminal: a gap burns through. Work behind the laser's own guards.", *_PEEL),
        _LEAD,
        ("Cut one trial seam through: the weld must end within the terminal, never through it into the cell.", _PULL),
    ),
    "ultrasonic": Method(
        "Trial welds", "Weld the plates", "Weld",
        ("Weld trials by ultrasound on scrap: {metal} on the tab of a dead cell, at the settings you will use, the "
         "tab on the anvil and held between weld and cell, so that the seal is not shaken.", *_PEEL),
        _LEAD, (_PULL,),
    ),
    "bolt": Method(
        "Trial joints", "Bolt the plates", "Bolt",
        ("Try one bar, {metal}, on two dead cells: it lies flat on both terminals before anything is tightened. A bar "
         "that a screw has to pull down bends terminals.",
         "Read thread, depth and torque of the terminals in the papers of the cell's maker. A screw may not reach the "
         "bottom of its thread.",
         "Measure the drop over the trial joint under a known current; every joint of the pack is held against it."),
        "The lug of each lead goes on the fastener nearest the ring on the drawing, on top of the plate, never between "
        "plate and terminal. Crimp lugs away from the pack: no soldering on a cell.",
        ("Threads clean and dry, a washer on each; tighten by a torque wrench, insulated, to the torque that the maker "
         "of the cell states. None is given here: it is the cell's own.",
         "Hold what would turn: no terminal may twist in its seal. Mark every tightened fastener with paint across it "
         "and the plate.",
         "After each plate measure the drop over every joint under the same current as the trial; a high one is loose "
         "or dirty. Look for turned marks after the first ten rides."),
    ),
}  # fmt: skip


def join_steps(design: Design) -> tuple[WorkStep, WorkStep]:
    """Trials on scrap, then the plates, by the method that joins this design's metal to its cells."""
    how = METHODS[str(design.strip.get("method", "spot"))]
    return _trials(design, how), _join(design, how)


def _trials(design: Design, how: Method) -> WorkStep:
    strip = design.strip
    joined: Any = strip
    if strip.get("form") == "tabbed":
        # Of tabs on sheet the tabs alone are welded to cells.
        joined = design.plates[design.plates["direction"] == "tab"].iloc[0]
    metal = f"{joined['material']} {float(joined['thickness_mm']):g} × {float(joined['width_mm']):g} mm"
    checks = (
        "Clean strip and cell ends with alcohol; touch them with gloves only.",
        *(text.format(metal=metal) for text in how.trials),
        *(["Measure the strip's resistance over a known length: plated steel sold as nickel shows at once, "
           "at about twice the figure."] if joined["material"] == "nickel" else []),
    )  # fmt: skip
    return WorkStep(how.trial, checks)


def _join(design: Design, how: Method) -> WorkStep:
    plates = design.plates
    wanted = ["compartment", "plate", "direction", "pieces", "material", "thickness_mm", "width_mm"]
    wanted += ["length_mm", "layers"]
    columns = [name for name in wanted if name in plates]
    rows = tuple(tuple(_figure(value) for value in row) for row in plates[columns].itertuples(index=False))
    headers = tuple(name.replace("compartment", "box").replace("_mm", " [mm]") for name in columns)
    layers, bolted = int(design.strip.get("layers", 1)), how.verb == "Bolt"
    joined = str(design.strip.get("joined", ""))
    second = "All layers lie under one fastener."
    second = second if bolted else "The second layer is welded through the first, or beside it."
    folds = fold_checks(design.conductors)
    checks = (
        "Cover every group that is not being worked on; a strip or a tool that falls across two plates burns.",
        *([f"Join the metal to the cells by {joined}."] if joined else []),
        *([_count(design)] if bolted else []),
        *([_TABS] if design.strip.get("form") == "tabbed" else []),
        *([_COLLECTOR.format(method=design.strip["collector_by"])] if barred(design) else []),
        f"{how.verb} the plates in the order of their numbers. Strips that lie in the series direction carry "
        f"the pack current: {layers} layer{'s' if layers != 1 else ''} there. Strips within "
        f"a group only level it.{f' {second}' if layers > 1 else ''}",
        "P3 joins the positive ends of group 3 to the negative ends of group 4. P3+ and P3- are its two halves where "
        "the chain goes on in another case or layer.",
        how.lead,
        *folds,
        *_gaps(design),
        *how.checks,
    )
    return WorkStep(how.title, checks, (headers, rows))


# What insulation reaches over a joint's edges on a face; in its slot it is as wide as the metal (common practice) [mm].
LAP_MM = 2.0


def fold_checks(conductors: Sequence[Mapping[str, Any]]) -> list[str]:
    """How each joint between layers is folded, in the order of the chain, after what holds for all of them."""
    folds = [one for one in conductors if one["way"] == "fold"]
    if not folds:
        return []
    found = [
        "Joints between layers, one after the other in the order below: cut, round the edges, mark the folds, and bend "
        "each fold once, over a rounded edge of twice the metal's thickness at least. Join both ends before their "
        "plates are welded to cells, where the rings are; one that hides a weld stands up in an arch until that is "
        "welded. Insulate a joint on both sides and cover the face before the next."
    ]
    return found + [_fold(one) for one in folds]


def _fold(one: Mapping[str, Any]) -> str:
    """One joint: its pieces, folds, insulation and when it is folded."""
    name = one["name"].split()[0]
    *stubs, last = one["pieces"]
    at = " and ".join(f"{length:g}" for length in one["folds_at_mm"])
    stub = "".join(
        f" A piece of {piece['length_mm']:g} mm lies along the face first, from the ring of {name}+ to the joint, "
        "and is joined to both."
        for piece in stubs
    )
    between = one["between_layers"]
    text = (
        f"{one['name']}: {last['length_mm']:g} × {last['width_mm']:g} mm, folded {at} mm from its end on {name}+, to "
        f"{name}-.{stub} Under it lies insulation of {one['insulator_mm']:g} mm, {last['width_mm'] + 2 * LAP_MM:g} mm "
        f"wide on the faces and {last['width_mm']:g} mm in the slot, as long as the joint less its two ends."
    )
    if between:
        low, high = (layer + 1 for layer in between)
        return (
            f"{text} Its plates look at each other: layers {low} and {high} lie open beside each other, those faces "
            f"up, until both are joined and covered; then layer {high} closes over layer {low} as a book does, round "
            "the joint."
        )
    return (
        f"{text} It runs along the cells: join it on the face that is closed first, cover and close that, then fold it "
        "through its slot and join the other end while that face is still open."
    )


def barred(design: Design) -> bool:
    """Whether an end has a collector: of a stock that has one, those that need none go without."""
    return any("joints_mm" in piece for one in design.conductors for piece in one["pieces"])


def _count(design: Design) -> str:
    """Fasteners and lugs of the bill, in words."""
    counts = design.bill.groupby("item")["quantity"].sum()
    held = [f"{counts[item]:.0f} {item}s" for item in ("terminal fastener", "ring lug") if item in counts]
    return f"Count out {' and '.join(held)}, as in the bill; the last one used is the last one there."


def _gaps(design: Design) -> list[str]:
    """The least gaps of the metal as drawn, box by box."""
    found = []
    for station in design.stations:
        rows = gap_rows(station, design.conductors, design.clearance) if station.groups else []
        if rows:
            told = ", ".join(f"{what} {gap:.2f} mm ({asked:g} asked for)" for what, asked, gap in rows)
            found.append(f"Least gaps in {station.compartment.name}, as drawn: {told}. Measure them once joined.")
    return found


def _figure(value: object) -> str:
    return f"{value:g}" if isinstance(value, (int, float)) else str(value)
