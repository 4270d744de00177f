"""Build sheet of a design: the order of work, the checks on the way, and what this design should measure."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from optimizer.design.ties import stacks_of
from optimizer.pack.case.outline import print_hours
from optimizer.pack.ties import BAND_MM, BAND_WIDE_MM
from optimizer.pack.wiring.passages import STRAIGHT
from optimizer.pack.wiring.table import BEND
from optimizer.review.sheets import expected
from optimizer.review.sheets.joinsteps import join_steps
from optimizer.review.sheets.settings import settings_steps
from optimizer.review.sheets.steps import Table, WorkStep
from optimizer.review.words import number, quantity

if TYPE_CHECKING:
    from optimizer.design.model import Design
    from optimizer.review.cad.bodies import PrintedPart

# Half the last digit that a pocket meter shows over a pack, and cells of one batch rarely differ by more.
VOLTAGE_SPREAD_V = 0.05
RESISTANCE_SPREAD = 0.15
# UN Regulation No. 136 asks this of a direct-current circuit against the frame (published; from memory).
INSULATION_OHM_PER_V = 100.0


def build_steps(design: Design, *, parts: Sequence[PrintedPart] = (), room: Sequence[str] = ()) -> list[WorkStep]:
    """The work in order; `parts` are the printed ones, when they were made, `room` says which wires have any."""
    return [
        _measure(design),
        *_print(design, parts),
        _insulate(design),
        _place(design),
        *_press(design),
        *join_steps(design),
        _verify(design),
        *([_accept(design)] if design.measured else []),
        _balance(design),
        _isolation(design),
        _harness(design, room),
        _bms(design),
        *settings_steps(design),
        _first_charge(design),
    ]


def _measure(design: Design) -> WorkStep:
    cell, row = design.cell, design.row
    low, high = float(cell["voltage_min_v"]), float(cell["voltage_max_v"])
    dcir = float(cell["dcir_mohm"])
    checks = (
        f"Measure the rest voltage and the resistance of every cell; number the cells and write both down "
        f"({row['cell_count']} are built in).",
        f"Reject every cell outside {low:.2f} to {high:.2f} V, and every one with a dent, a torn sleeve, "
        f"rust or smell.",
        f"Reject or set aside cells more than {VOLTAGE_SPREAD_V * 1000:.0f} mV from the middle of the batch: "
        f"such a cell may drain itself.",
        f"Reject cells whose resistance is more than {RESISTANCE_SPREAD:.0%} above the middle of the batch. "
        f"The catalog says {dcir:g} mΩ as DCIR; a 1 kHz meter shows less, so compare cells with one meter.",
        f"Make groups of {row['parallel']} whose sums of capacity, or means of resistance, are as "
        f"equal as the batch allows. Bring all cells to within "
        f"{VOLTAGE_SPREAD_V * 1000:.0f} mV before any are joined.",
    )
    return WorkStep("Measure and match the cells", checks, note="Limits of spread: common practice.")


def _insulate(design: Design) -> WorkStep:
    if str(design.cell.get("shape", "cylinder")) != "cylinder":
        flat = (
            "Cover the positive terminal or tab of every cell until its plate is joined to it. No tab may be able "
            "to touch the rim, the can or another tab.",
            "Check the wrapping of every cell; set aside a swollen or dented one.",
        )
        return WorkStep("Insulate the positive ends", flat)
    checks = (
        "Put an insulating ring on the positive end of every cell. There the can, which is negative, "
        "is a hair's breadth from the button.",
        "Check the sleeve of every cell; renew a torn one.",
    )
    return WorkStep("Insulate the positive ends", checks)


def _print(design: Design, parts: Sequence[PrintedPart]) -> list[WorkStep]:
    """Printed parts with their number, size, mass and time."""
    if not parts:
        return []
    rules = design.case
    case_g = float(design.bill.loc[design.bill["item"] == "case", "mass_g"].sum())
    whole = sum(part.volume_mm3 * part.copies for part in parts if not part.is_trial)
    rows = []
    for part in sorted(parts, key=lambda part: not part.is_trial):
        size = part.size_mm
        hours = print_hours(part.volume_mm3, height_mm=size[2], rules=rules)
        grams = part.volume_mm3 / whole * case_g
        side = " × ".join(f"{x:.0f}" for x in size)
        rows.append((part.name, str(part.copies), side, f"{grams:.0f}", f"{hours:.1f}"))
    checks = (
        "Print the test ring first. A cell slides in by hand and does not rattle; otherwise change bore_clearance_mm "
        "and print it again.",
        f"Print every part solid, as it lies: cell axis up, layers of {rules.layer_mm:g} mm, lines of "
        f"{rules.nozzle_mm:g} mm. Pieces of one body lap: glue them before the cells go in.",
    )
    note = (
        "Time: volume over nozzle × layer × speed, and 4 s for each layer (common practice). Mass: as in the bill."
    )
    headers = ("part", "copies", "size [mm]", "mass each [g]", "time each [h]")
    return [WorkStep("Print the cases", checks, (headers, tuple(rows)), note)]


def _place(design: Design) -> WorkStep:
    rows: list[tuple[str, ...]] = []
    for station in design.stations:
        for group, cells, face in expected.positive_faces(station):
            rows.append((station.compartment.name, str(group), str(cells), face))
    checks = (
        "Print the case, try it in its box with the lid on, and try one cell in every bore before the rest.",
        "Set the cells group by group from the drawing. Positive ends point as in the table.",
        "Have a second person check the polarity of every group against the drawing before anything is "
        "joined. One turned cell is a short circuit through its neighbours.",
    )
    return WorkStep("Place the cells", checks, (("box", "group", "cells", "positive ends on face"), tuple(rows)))


def _press(design: Design) -> list[WorkStep]:
    """Tie plates and bands around the stacks of cells that ask for pressure."""
    rows = [
        (station.compartment.name, str(stack.layer + 1), str(len(stack.cells)), "xyz"[stack.along],
         " × ".join(f"{side:.1f}" for side in sorted(stack.plates[0][1] - stack.plates[0][0], reverse=True)),
         f"{stack.force_n:.0f}", f"{stack.bands} of {stack.band_mm(station.layout.axis):.0f}")
        for station in design.stations if station.groups for stack in stacks_of(station, design.clearance)
    ]  # fmt: skip
    if not rows:
        return []
    size = design.stations[0].layout.size
    checks = (
        f"Fill every gap of {design.clearance.cell_gap_mm:g} mm between wide sides with insulating sheet, so that no "
        f"cell is pressed on its edges alone.",
        f"Lay a plate on either end of each stack, insulated from the cans, and bands of {BAND_WIDE_MM:g} × "
        f"{BAND_MM:g} mm around both, evenly over the length of the cells, off terminals and vents.",
        f"Press the stack to {size.pressure_kpa:g} kPa, the force in the table, in a clamp with a gauge, at half "
        "charge or as the cell's papers say; lock the bands; take the clamp off. The papers of the cell go first.",
        "Measure the length of each stack and write it down; cells swell as they age.",
    )
    headers = ("box", "layer", "cells", "pressed along", "two plates [mm]", "force [N]", "bands [mm]")
    return [WorkStep("Press the stacks", checks, (headers, tuple(rows)))]


def _verify(design: Design) -> WorkStep:
    rows = []
    for module in expected.modules(design):
        v = expected.voltages(design, groups=module.groups)
        groups = f"{module.first}–{module.last}"
        rows.append((module.name, groups, f"{v.full_v:.2f}", f"{v.nominal_v:.2f}", f"{v.empty_v:.2f}"))
    cells = expected.group_resistance_mohm(design)
    checks = (
        "Measure every group: all must agree within 10 mV. A group that sinks overnight holds a bad cell or joint.",
        "Measure every case. Its voltage is the number of its groups times the mean voltage of your cells; "
        "the table gives it at the ends of the window.",
        f"Measure the drop over each plate under a known current. The cells of one group alone have "
        f"{cells:.2f} mΩ, {design.drop.words}.",
    )
    headers = ("case", "groups", "full [V]", "nominal [V]", "empty [V]")
    return WorkStep("Check every case", checks, (headers, tuple(rows)))


def _accept(design: Design) -> WorkStep:
    """Every group against what its own measured cells add up to."""
    capacity = [each for each, _ in design.measured]
    rows = tuple((str(k + 1), f"{ah:.3f}", f"{mohm:.3f}") for k, (ah, mohm) in enumerate(design.measured))
    checks = (
        "The table is of the cells that were measured and matched for this pack, group by group from its negative "
        "terminal.",
        f"The pack holds {min(capacity):.3f} Ah, what its weakest group holds; the groups differ by "
        f"{1000.0 * (max(capacity) - min(capacity)):.0f} mAh.",
        "Accept a group whose resistance (10 s, known load) is within 5 % of the table once its plates are taken off; "
        "a group further off holds a cell in another's place or a bad joint.",
    )
    headers = ("group", "capacity [Ah]", "resistance of its cells [mΩ]")
    return WorkStep("Accept the matched groups", checks, (headers, rows), note="5 %: common practice.")


# By whether metal is bolted (common practice, no published source).
_ENDS = {
    False: "Each lead ends on a tab of strip: soldered to it away from the cells, insulated, then the tab is joined to "
    "its plate beside a weld of the cell where the lead's way ends (taps in design.json). No soldering on a cell.",
    True: "Each lead ends in its ring lug, under the fastener of the cell where its way ends (taps in design.json).",
}


def _balance(design: Design) -> WorkStep:
    rows = []
    for module in expected.modules(design):
        for pin, (name, place, v) in enumerate(expected.taps(design, module), start=1):
            rows.append((module.name, str(pin), name, place, f"{v.nominal_v:.1f}", f"{v.full_v:.1f}"))
    checks = (
        "Lay the balance leads from the negative end upwards, one after the other, each insulated before "
        "the next.",
        _ENDS[str(design.strip.get("method", "")) == "bolt"],
        "Number both ends of every lead. Pins as in the table; pin 1 is the most negative.",
        "Measure every pin of the plug against pin 1 before it meets the BMS. Each must be one group more "
        "than the last; one wrong order destroys a BMS.",
    )
    headers = ("case", "pin", "lead", "tap", "nominal to pin 1 [V]", "full to pin 1 [V]")
    return WorkStep("Balance leads", checks, (headers, tuple(rows)))


def _isolation(design: Design) -> WorkStep:
    full = float(design.row["voltage_full_v"])
    least = INSULATION_OHM_PER_V * full
    checks = (
        "Cover plates and edges; no strip, lead or joint may be able to chafe through to its neighbour or the box.",
        f"Measure from each pack terminal to the box: at least {least / 1000:.1f} kΩ "
        f"({INSULATION_OHM_PER_V:.0f} Ω per volt of full charge); a dry new pack shows megohms.",
        "Shake the pack gently and measure again.",
    )
    return WorkStep("Insulation", checks, note="100 Ω/V: UN Regulation No. 136 for direct current.")


def _harness(design: Design, room: Sequence[str]) -> WorkStep:
    power = design.harness[design.harness["purpose"] == "power"]
    rows = tuple(
        (str(r["from"]), str(r["to"]), str(r["connector"]) or "none", number(r["length_mm"], decimals=0),
         f"{float(r['area_mm2']):g}")
        for _, r in power.iterrows()
    )  # fmt: skip
    fuse = design.fuse
    rating = f", {float(fuse['current_a']):g} A" if "current_a" in fuse else ""
    checks = (
        f"Fit the fuse ({fuse['id']}{rating}) first, at the positive terminal, and leave it open until the end.",
        "Join the cases with the power wires of the table, positive to negative in the chain's order. "
        "Measure the voltage across each pair of ends before you close it.",
        "Secure every wire where it leaves a box; edges get a grommet.",
        *_ways(design),
        *room,
    )
    table = (("from", "to", "connector", "length [mm]", "area [mm²]"), rows) if rows else None
    return WorkStep("Join the cases", checks, table)


def _ways(design: Design) -> tuple[str, ...]:
    """Bends and passages, as far as they are known."""
    kinds = sorted(set(design.harness[["area_mm2", "outer_mm"]].itertuples(index=False, name=None)))
    bends = ", ".join(f"{BEND * outer:.0f} mm at {area:g} mm²" for area, outer in kinds)
    told = [f"Bend no wire tighter than {bends} (its outer diameter times {BEND:g}; common practice). Ways are in "
            "harness.csv, column way_mm; a length is path_mm + spare_mm (see spare_for) + slack_mm."]  # fmt: skip
    if (design.harness["through"] == STRAIGHT).any():
        told.append(
            "The brief has no passage between some of the boxes: wires there are counted straight from box to box. "
            "Measure the true way before you cut, or add [[passage]]."
        )
    return tuple(told)


def _bms(design: Design) -> WorkStep:
    row, past = design.row, design.bms.get("path") == "charge only"
    first = "its negative lead to the pack connector, as the power wires go past it," if past else "power negative"
    checks = (
        f"BMS last ({design.bms['id']}): {first} first, then the balance plugs in the order "
        f"of the pack, as its own papers say.",
        f"Check that it is set to {row['series']} in series and to this cell's window, "
        f"{float(design.cell['voltage_min_v']):g} to {float(design.cell['voltage_max_v']):g} V.",
        "Check that the voltages it reports are those you measured, group by group.",
    )
    lying = tuple((part.name, part.compartment, _numbers(part.corner_mm), _numbers(part.extents_mm),
                   f"{'+' if part.plug_high else '-'}{'xyz'[part.plug_axis]}") for part in design.placed)  # fmt: skip
    heads = ("part", "compartment", "low corner x, y, z [mm]", "size along x, y, z [mm]", "connectors towards")
    return WorkStep("BMS", checks, (heads, lying) if lying else None)


def _numbers(values: tuple[float, ...]) -> str:
    return ", ".join(f"{value:.1f}" for value in values)


def _first_charge(design: Design) -> WorkStep:
    row, v = design.row, expected.voltages(design, groups=int(design.row["series"]))
    rows = (
        ("voltage at 100 % SoC, at rest", f"{float(row['voltage_full_v']):.1f} V"),
        ("nominal voltage", f"{float(row['voltage_nominal_v']):.1f} V"),
        ("voltage when empty, at rest", f"{v.empty_v:.1f} V"),
        ("resistance between the pack terminals", quantity("resistance_mohm", row["resistance_mohm"])),
        ("energy", quantity("energy_wh", row["energy_wh"])),
        ("mass", quantity("pack_mass_kg", row["pack_mass_kg"])),
    )
    checks = (
        "Close the fuse, charge for the first time outdoors or in a place that may burn, at a tenth of "
        "the capacity per hour, and stay with it.",
        "Stop if a group runs ahead of the others by more than 30 mV or a cell gets warmer than its neighbours.",
        f"Measure the pack against the table. Resistance: voltage step over current step {design.drop.words}. "
        f"Of it the cells have {int(row['series']) * expected.group_resistance_mohm(design):.1f} mΩ, the rest is "
        f"connections.",
        "Ride gently first; check bolts, temperature and group voltages after the first ten rides.",
    )
    return WorkStep("First charge and final check", checks, (("measured on the pack", "expected"), rows))


# What must stand on every sheet, each under a word by which a design's own caution of the same is known.
GENERAL = {
    "not tested": "These figures are calculated, not tested. A builder checks them; cellstow certifies nothing.",
    "Fire": "Fire: a lithium-ion pack that burns needs water in quantity and distance, gives off poisonous gas that "
    "can explode, and may catch fire again hours later. Work away from anything flammable, with a clear way out and "
    "somebody who knows what you do; leave a fire to the fire service.",
    "Weld": "Weld strips to cells, do not solder; wear eye protection.",
    "Charge with": "Charge under a watchful eye and clear of the way out.",
    "UN 38.3": "Carriers ask for the tests of UN 38.3, and a home-built pack has not passed them.",
    "hire": "Local codes decide. Where they ask for it, or where the pack is for sale, hire or public roads, leave "
    "the work and its approval to licensed practice.",
}


def cautions(design: Design) -> list[str]:
    """What must be known before the work: the design's own cautions, then what every sheet says besides.

    No matter is told twice.
    """
    own = [str(text) for text in design.cautions]
    return own + [text for word, text in GENERAL.items() if not any(word in other for other in own)]


def _markdown_cell(text: str) -> str:
    # A name from a catalog must not break the table, start markup or make a link.
    safe = text.replace("\\", "\\\\").replace("|", "\\|").replace("<", "&lt;").replace("\n", " ")
    return safe.replace("](", "]\\(")


def _markdown_table(table: Table) -> list[str]:
    headers, rows = table
    lines = ["| " + " | ".join(_markdown_cell(h) for h in headers) + " |", "|" + " --- |" * len(headers)]
    return [*lines, *["| " + " | ".join(_markdown_cell(c) for c in row) + " |" for row in rows]]


def build_markdown(design: Design, *, parts: Sequence[PrintedPart] = (), room: Sequence[str] = ()) -> str:
    """The build sheet as Markdown (build.md); `parts` and `room` as for `build_steps`."""
    row = design.row
    lines = [
        f"# Build sheet: {_markdown_cell(str(design.title))}",
        "",
        f"Design {_markdown_cell(str(row['design_id']))}: {row['series']}S{row['parallel']}P of "
        f"{_markdown_cell(str(row['cell_id']))}, {row['cell_count']} cells. Groups and plates are numbered "
        f"from the pack's negative terminal, as on the drawings (layout.svg).",
        "",
        "Made by cellstow; check before use.",
        "",
        "## Cautions",
        "",
        *[f"- {_markdown_cell(text)}" for text in cautions(design)],
    ]
    for place, step in enumerate(build_steps(design, parts=parts, room=room), start=1):
        lines += [
            "",
            f"## {place}. {step.title}",
            "",
            *[f"- [ ] {_markdown_cell(text)}" for text in step.checks],
        ]
        if step.table is not None:
            lines += ["", *_markdown_table(step.table)]
        if step.note:
            lines += ["", _markdown_cell(step.note)]
    return "\n".join(lines) + "\n"
