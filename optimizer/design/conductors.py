"""The conductors of a design as they are built: outlines, welds, leads, and what each comes to."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from optimizer.base.arrays import Floats
from optimizer.fit.chain.adjacency import lateral_axes
from optimizer.fit.region.geometry import clearance
from optimizer.fit.region.layout import Layout
from optimizer.pack.conductors.chained import ChainMetal, chain_metal
from optimizer.pack.conductors.faces import face_name, name_of
from optimizer.pack.conductors.joints import INSULATOR_MM, Joint
from optimizer.pack.conductors.pieces import Collector, Metal, Piece
from optimizer.pack.conductors.sites import EXIT, RING_MM, Site, face_mm
from optimizer.pack.conductors.solved import fed, field_of, figures, shares
from optimizer.pack.conductors.totals import shape_key, stacked_layers, tab_per_mm
from optimizer.pack.second import Second, second_of
from optimizer.search.space.parts import lay_rules

if TYPE_CHECKING:
    from optimizer.design.model import Station
    from optimizer.design.select import Chosen
    from optimizer.search.space.parts import Build
    from optimizer.search.space.space import Space


@dataclass(frozen=True)
class Stock:
    """What conductors are made of.

    Parameters
    ----------
    thickness_mm, density_kg_m3, square_ohm : float
        Of one layer [mm], [kg/m³], [ohm].
    stacked : int
        Layers by which whole plates are multiplied.
    layers : int
        Of strip that carries the pack current.
    cell_ohm : float
        Resistance behind each weld [ohm].
    over_mm, stud_mm : float
        Where it is bolted, of lug, washer and nut or head over it, and of studs over the cells' ends; else 0 [mm].
    second : Second, optional
        Tabs on sheet, or the collector at ends.
    second_kg_per_mm : float
        Mass of it by length [kg/mm].
    tab_per_mm : float
        Current per width at which tabs stand for one layer of the plate, over that of a cell's share [1/mm].
    """

    way: str
    material: str
    thickness_mm: float
    density_kg_m3: float
    square_ohm: float
    stacked: int
    layers: int
    cell_ohm: float
    over_mm: float = 0.0
    stud_mm: float = 0.0
    second: Second | None = None
    second_kg_per_mm: float = 0.0
    tab_per_mm: float = 0.0


def stock_of(space: Space, chosen: Chosen, build: Build) -> Stock:
    """The stock of a design."""
    strips, cells = space.inputs.strips, space.inputs.cells
    row, held = space.context.cells.row[chosen.cell], {}
    if space.bolted(int(space.size_of[chosen.cell]))[space.builds.index(build)]:
        over = space.brief.joining.lug_mm + float(cells.fastener_mm[row])
        held = {"over_mm": over, "stud_mm": float(cells.stud_mm[row])}
    return Stock(
        way=build.way.form,
        material=str(strips.material[chosen.strip]),
        thickness_mm=build.thickness_mm,
        density_kg_m3=float(strips.density_kg_m3[chosen.strip]),
        square_ohm=build.square_ohm,
        stacked=build.stacked,
        layers=build.layers,
        cell_ohm=float(cells.dcir_mohm[row]) * 1e-3,
        second=second_of(strips, chosen.strip),
        second_kg_per_mm=build.second_kg_per_mm,
        tab_per_mm=tab_per_mm(build.way, parallel=chosen.parallel),
        **held,
    )


def station_metal(space: Space, station: Station, build: Build) -> ChainMetal:
    """Metal of a compartment's chain, all numbers of groups."""
    return chain_metal(
        station.layout, station.chain, build.way, gaps=clearance(space.brief),
        rules=lay_rules(space.brief), before=station.first_group, room=station.compartment,
    )  # fmt: skip


def conductor_records(space: Space, chosen: Chosen, stations: Sequence[Station], build: Build) -> list[dict[str, Any]]:
    """Every conductor of a design, in the order in which the current passes them.

    Parameters
    ----------
    stations : sequence of Station
        In the order of the chain.

    Returns
    -------
    list of dict
        Plain JSON values: name, compartment, face, layer, module, level, way, from_group, to_group (the pack's
        negative end is 0 to 1, its positive end S to S + 1), material, thickness_mm, insulator_mm, top_mm (how high
        metal, lugs, fasteners or studs stand over the cells' ends), pieces, terminals, taps, resistance_mohm,
        worst_share, worst_density_a_mm2_per_a (of tabs and collectors, what their current stands for in the plate's
        own metal), mass_g. Coordinates are the compartment's own. A joint is a disc of 3 mm. Pieces of other metal have
        material and thickness_mm, what is cut out windows_mm, a collector joints_mm, where it is joined to its plate.
    """
    stock = stock_of(space, chosen, build)
    return [
        record
        for station in stations
        for record in station_records(station, station_metal(space, station, build), stock, series=chosen.series)
    ]


def station_records(station: Station, made: ChainMetal, stock: Stock, *, series: int) -> list[dict[str, Any]]:
    """Conductors of one compartment, see `conductor_records`; series counts the groups of the pack."""
    found: list[dict[str, Any]] = []
    folds = {joint.exit.node: joint for joint in made.joints if joint.first <= station.groups}
    for k in made.present(station.groups):
        site, metal = made.sites[k], made.metals[k]
        if metal is None:
            continue
        found.append(_plate(site, metal, station, stock, _lead(site, station, folds, series)))
        if site.kind == EXIT and site.node in folds:
            found.append(_fold(folds[site.node], station, stock))
    return found


def _lead(site: Site, station: Station, folds: dict[int, Joint], series: int) -> str:
    """Where a lead goes."""
    number = site.node + station.first_group
    if number == 0:
        return "pack negative"
    if number == series:
        return "pack positive"
    if site.node in folds:
        return f"fold P{number}"
    return f"wire to P{number}{'-' if site.kind == EXIT else '+'}"


def solid(layout: Layout, site: Site, points: Floats) -> list[list[float]]:
    """Points of a site's plane in the compartment's axes, on the ends of its cells [mm]."""
    out = np.empty((len(points), 3))
    out[:, list(lateral_axes(layout.axis))] = points
    out[:, layout.axis] = face_mm(layout, site)
    return [[round(float(v), 4) + 0.0 for v in row] for row in out]


def _plate(site: Site, metal: Metal, station: Station, stock: Stock, lead: str) -> dict[str, Any]:
    layout, before = station.layout, station.first_group
    each, deep = figures(metal, site.positive), stock.stacked
    scale = stock.square_ohm / deep
    impedance = field_of(metal).impedance
    current = shares(impedance * scale, site.positive, len(metal.tap_mm), cell_ohm=stock.cell_ohm)
    cells = current[: len(site.cells)]
    mean = np.abs(fed(site.positive, len(metal.tap_mm)))[: len(site.cells)]
    welds = solid(layout, site, metal.weld_mm)
    number, bar = site.node + before, metal.bar
    over_mm = stock.second.thickness_mm if stock.second is not None and (bar or metal.drawn[-1].is_tab) else 0.0
    dense_per_mm = max(each.dense_per_mm, each.bar_per_mm, stock.tab_per_mm)
    return {
        "name": name_of(site, before=before),
        "compartment": station.compartment.name,
        "face": face_name(layout, site),
        "layer": site.layer,
        "module": site.module,
        "level": 0,
        "way": stock.way,
        "from_group": number,
        "to_group": number + 1,
        "material": stock.material,
        "thickness_mm": stock.thickness_mm,
        "insulator_mm": RING_MM,
        "top_mm": max(
            RING_MM + stacked_layers(metal) * deep * stock.thickness_mm + over_mm + stock.over_mm, stock.stud_mm
        ),
        "pieces": [_piece(layout, site, piece, stock, bar if piece not in metal.pieces else None)
                   for piece in metal.drawn],
        "terminals": [
            {"cell": int(cell), "pole": "+" if plus else "-", "centre_mm": weld}
            for cell, plus, weld in zip(site.cells, site.positive, welds, strict=True)
        ],
        "taps": [{"at_mm": at, "lead": lead} for at in solid(layout, site, metal.tap_mm)],
        "resistance_mohm": float(current @ (impedance * scale) @ current) * 1e3,
        "worst_share": float((np.abs(cells) / mean).max()),
        "worst_density_a_mm2_per_a": dense_per_mm / (stock.thickness_mm * deep),
        "mass_g": each.metal_mm2 * deep * stock.thickness_mm * stock.density_kg_m3 * 1e-6
        + each.second_mm * stock.second_kg_per_mm * 1e3,
    }  # fmt: skip


def _piece(layout: Layout, site: Site, piece: Piece, stock: Stock, bar: Collector | None) -> dict[str, Any]:
    """One piece of a plate; of second metal with its material, and a collector with its joints to the plate."""
    own: dict[str, Any] = {}
    if stock.second is not None and (piece.is_tab or bar is not None):
        own = {"material": stock.second.material, "thickness_mm": stock.second.thickness_mm}
    if bar is not None:
        own["joints_mm"] = solid(layout, site, bar.joints_mm)
    return {
        **own,
        **({"windows_mm": [solid(layout, site, hole) for hole in piece.holes_mm]} if piece.holes_mm else {}),
        "layers": 1 if bar is not None else piece.layers * stock.stacked,
        "outline_mm": solid(layout, site, piece.outline_mm),
        "width_mm": round(piece.width_mm, 4),
        "length_mm": round(piece.length_mm, 4),
    }


def _fold(joint: Joint, station: Station, stock: Stock) -> dict[str, Any]:
    """A joint between layers: outside the plates, on insulation, round the edge of the layer."""
    layout, number = station.layout, joint.exit.node + station.first_group
    layers = stock.layers
    section = joint.width_mm * layers
    metal = sum(joint.lengths_mm) * section

    def rounded(points: Floats) -> list[list[float]]:
        return [[round(float(v), 4) + 0.0 for v in row] for row in points]

    return {
        "name": f"P{number} fold",
        "compartment": station.compartment.name,
        "face": face_name(layout, joint.exit),
        "layer": joint.exit.layer,
        "module": joint.exit.module,
        "level": 1,
        "way": "fold",
        "from_group": number,
        "to_group": number + 1,
        "material": stock.material,
        "thickness_mm": stock.thickness_mm,
        "insulator_mm": INSULATOR_MM,
        "top_mm": joint.level_mm + layers * stock.thickness_mm,
        "pieces": [
            {"layers": layers, "outline_mm": rounded(o), "width_mm": joint.width_mm, "length_mm": length}
            for o, length in zip(joint.outlines_mm, joint.lengths_mm, strict=True)
        ],
        "terminals": [],
        "taps": [{"at_mm": at, "lead": f"P{number}{mark}"} for at, mark in
                 zip(rounded(joint.ends_mm), "+-", strict=True)],
        "folds": joint.folds,
        "folds_at_mm": [round(length, 2) for length in joint.folds_mm],
        "between_layers": sorted(joint.inside),
        "ends_on": face_name(layout, joint.entry),
        "slot_mm": rounded(joint.slot_mm[None])[0],
        "resistance_mohm": joint.length_mm * stock.square_ohm / section * 1e3,
        "worst_share": 1.0,
        "worst_density_a_mm2_per_a": 1.0 / (section * stock.thickness_mm),
        "mass_g": metal * stock.thickness_mm * stock.density_kg_m3 * 1e-6,
    }  # fmt: skip


def cut_rows(records: Sequence[dict[str, Any]]) -> list[dict[str, Any]]:
    """Cut list of a design: equal pieces of a compartment on one line, with the conductors that they go into.

    Parameters
    ----------
    records : sequence of dict
        As `conductor_records` gives them.

    Returns
    -------
    list of dict
        compartment, plate (names), direction, pieces (all layers), material, thickness_mm, width_mm, length_mm, layers.
    """
    found: dict[tuple[Any, ...], dict[str, Any]] = {}
    for record in records:
        kind = "fold" if record["way"] == "fold" else "end" if record["taps"] else "series"
        for piece in record["pieces"]:
            own = {name: piece.get(name, record[name]) for name in ("material", "thickness_mm")}
            cut = record["way"] in ("sheet", "tabbed") and "material" not in piece
            shape = shape_key(np.asarray(piece["outline_mm"])) if cut else b""
            label = "collector" if "joints_mm" in piece else "tab" if "material" in piece else kind
            key = (record["compartment"], label, piece["layers"], piece["width_mm"], piece["length_mm"], shape)
            row = found.setdefault(key, {
                "compartment": record["compartment"], "plate": [], "direction": label, "pieces": 0, **own,
                "width_mm": round(piece["width_mm"], 2), "length_mm": round(piece["length_mm"], 2),
                "layers": piece["layers"],
            })  # fmt: skip
            row["pieces"] += piece["layers"]
            if record["name"] not in row["plate"]:
                row["plate"].append(record["name"])
    return [{**row, "plate": " ".join(row["plate"])} for row in found.values()]
