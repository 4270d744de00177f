"""The shape of a brief: sections, keys, types and defaults, as frozen models.

One fault in a value is found here by its type and sign; what depends on several values, or on what is
plausible, is in rules.py. Units are part of the names; what each key means is the text under it.
"""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, Literal

from pydantic import Field, PrivateAttr, create_model

from optimizer.base.figures import FIGURES, Figure, sided
from optimizer.brief.joining import JoiningRules, PowerConnector
from optimizer.brief.kinds import (
    CellCount,
    CountRange,
    Efficiency,
    Flag,
    Fraction,
    Layers,
    Name,
    Names,
    NotNegative,
    Number,
    ObjectiveName,
    Positive,
    Section,
    Seed,
    Text,
    Title,
    Whole,
)
from optimizer.brief.pins import Pin, Pins, names_of
from optimizer.brief.situations import ConstraintsOfAll, Situation, Use
from optimizer.brief.spaces import (
    BoxWalls,
    CaseSection,
    ClearanceRules,
    Compartment,
    Envelope,
    FitRules,
    PartSection,
    PassageSection,
)
from optimizer.brief.thermal import ThermalSection
from optimizer.brief.vehicle import RidePlan, VehicleSection


class CatalogFiles(Section):
    """[catalog]: paths of the tables as written in the brief, relative to the brief."""

    cells: Name
    """Table of cells, CSV or Parquet, its path relative to the brief."""
    strips: Name | None = None
    """Table of strips, path relative to the brief; `fit` does without, the search needs it."""
    wires: Name | None = None
    """Table of wires, path relative to the brief; `fit` does without, the search needs it."""
    bms: Name | None = None
    """Table of BMS, path relative to the brief; `fit` does without, the search needs it."""
    fuses: Name | None = None
    """Table of fuses, path relative to the brief; `fit` does without, the search needs it."""
    chargers: Name | None = None
    """Table of chargers, path relative to the brief; left out: no charging times."""
    ocv: Name | None = None
    """Folder of open-circuit voltage curves by chemistry, such as NMC.csv; what is not there is built in."""


class SearchRules(Section):
    """[search]: how free dimensions are explored; without ranges it has no effect."""

    sampler: Literal["tpe", "nsga2"] = "tpe"
    """Who proposes boxes: multi-objective TPE (tpe) or NSGA-II (nsga2)."""
    trials: Annotated[Whole, Field(ge=1, le=1_000_000)] = 200
    """Boxes to try at most."""
    grid: Annotated[Whole, Field(ge=1, le=20)] = 3
    """Values of each dimension in the coarse grid that the search starts from."""
    patience: Annotated[Whole, Field(ge=0, le=1_000_000)] = 40
    """Boxes in a row without gain after which the search ends; 0 never ends it."""
    gain: Annotated[Number, Field(ge=0, le=0.5)] = 0.01
    """How far a pack must be ahead of every other one in some objective to count, as a share of the front's spread."""


class Electrical(Section):
    """[electrical]: the controller's window and currents, and the states at which power is asked for."""

    voltage_max_v: Positive
    """Most that the controller takes: a full pack must be at or under it [V]."""
    voltage_min_v: Positive
    """Least that the controller works at: an empty pack must be at or over it [V]."""
    battery_current_a: Positive
    """Most current that the controller draws [A]."""
    regen_current_a: NotNegative = 0.0
    """Most current that the controller returns when braking [A]; 0: none."""
    controller_capacitance_uf: NotNegative = 0.0
    """Capacitors at the controller's input, for the pre-charge [µF]; 0: not known."""
    peak_seconds: Annotated[Number, Field(ge=0.1, le=60)] = 10.0
    """How long peak power must last [s]."""
    reference_soc: Fraction = 0.5
    """State of charge at which peak and continuous power are stated, 0 to 1."""
    low_soc: Fraction = 0.2
    """State of charge, nearly empty, at which peak power is stated again, 0 to 1."""
    temp_c: Number = 25.0
    """Temperature of the cells for the powers [°C]."""
    charge_temp_c: Number = 25.0
    """Temperature of the air, and of the cells when a charge begins [°C]; what they take then is in the cell table
    (charge_limits, charge_temp_min_c) or usual for their chemistry."""


def _constraint(figure: Figure) -> tuple[Any, Any]:
    """Type and default of a constraint's key, with the description that editors show."""
    word, unit = ("Least" if figure.more_is_better else "Most"), figure.sign or "currency"
    text = f"{word} {figure.meaning} [{unit}]; left out: not asked for."
    kind = Number if figure.below_zero else Positive
    return kind | None, Field(default=None, description=text)


if TYPE_CHECKING:

    class Constraints(Section):
        """[constraints]: what every pack of the front must meet; None asks for nothing."""
else:
    Constraints = create_model(
        "Constraints",
        __base__=ConstraintsOfAll,
        __doc__="[constraints]: what every pack of the front must meet; None asks for nothing.",
        **{figure.constraint: _constraint(figure) for figure in FIGURES.values() if figure.limit},
    )


class Objectives(Section):
    """[objectives]: what the front trades off; the sense of each (most or least) is known to the front."""

    use: Annotated[tuple[ObjectiveName, ...], Field(min_length=1)] = (
        "range_km",
        "peak_power_w",
        "pack_mass_kg",
        "cost",
    )
    """Figures that the front trades off; whether more or less is better is known of each."""
    resolution: dict[ObjectiveName, Positive] = Field(default={})
    """Per objective, in its own unit, what a row may be worse by and still stand for another: of each row left out,
    one is kept that is less than this worse in every objective. It may be better by far more, so that rows left out
    are not all close to one that is kept; empty: every non-dominated row."""


class Vary(Section):
    """[vary]: what may change; ids or glob patterns for parts, least and most for counts."""

    cells: Names = ("*",)
    """Cells that may be chosen: ids or patterns such as "amber-*"; default: all."""
    series: CountRange = (1, 400)
    """Series groups in the pack: [least, most]."""
    parallel: CountRange = (1, 400)
    """Cells in a series group: [least, most]."""
    strips: Names = ("*",)
    """Strips that may be chosen: ids or patterns; default: all."""
    wires: Names = ("*",)
    """Power wires that may be chosen: ids or patterns; default: all."""
    bms: Names = ("*",)
    """BMS that may be chosen: ids or patterns; default: all."""
    fuses: Names = ("*",)
    """Fuses that may be chosen: ids or patterns; default: all."""
    strip_layers: Annotated[tuple[Layers, ...], Field(min_length=1)] = (1,)
    """Numbers of strip layers that may be chosen; default: one layer."""


class PartsSection(Section):
    """[parts]: small things that no catalog lists, for the bill and the weld resistance."""

    case_density_kg_m3: Positive = 1270.0
    """Density of the cases' material [kg/m³]; default: PETG."""
    case_price_per_kg: NotNegative = 25.0
    """Price of the cases by mass [currency/kg]."""
    insulation_g_per_cell: NotNegative = 0.3
    """Mass of rings and sleeves for one cell [g]."""
    insulation_price_per_cell: NotNegative = 0.05
    """Price of rings and sleeves for one cell [currency]."""
    connector_g: NotNegative = 30.0
    """Mass of one connector [g]."""
    connector_price: NotNegative = 6.0
    """Price of one connector [currency]."""
    spare_fraction: Fraction = 0.05
    """Cells bought beyond those built in, as a fraction of them; 0: none."""
    sensors: Annotated[Whole, Field(ge=0, le=1000)] = 2
    """Number of temperature sensors, two wires each."""
    weld_mohm: NotNegative = 0.1
    """Resistance of each weld, in series with its strip [mΩ]."""
    tie_density_kg_m3: Positive = 2700.0
    """Density of the tie plates that press blocks [kg/m³]; default: aluminium."""
    tie_price_per_kg: NotNegative = 20.0
    """Price of tie plates by mass, cut to size [currency/kg]."""
    band_g_per_m: NotNegative = 47.0
    """Mass of the band around tie plates [g/m]; default: steel of 12 × 0.5 mm."""
    band_price_per_m: NotNegative = 2.5
    """Price of the band around tie plates with its locks [currency/m]."""
    balance_fuse_g: NotNegative = 0.3
    """Mass of the fuse or resistor that protects one balance lead at its group [g]."""
    balance_fuse_price: NotNegative = 0.15
    """Price of the fuse or resistor that protects one balance lead at its group [currency]."""


class Protection(Section):
    """[protection]: rules that every pack of the front meets; one that is turned off is said first of a design."""

    fuse_protects: Flag = True
    """Whether the fuse must open before wire and plates reach their limits, from its rating to the fault current."""
    fuse_breaks: Flag = True
    """Whether the fuse must be able to break the cells' fault current in direct current."""
    bms_holds: Flag = True
    """Whether the BMS bounds what the pack is said to give, so that it does not trip below it."""
    balance_leads: Flag = True
    """Whether each balance lead is protected at its group; the parts are weighed and billed."""
    regen_holds: Flag = True
    """Whether a vehicle whose rider balances on the motor needs a pack that bears all that its controller returns."""
    box_rise_k: Annotated[Number, Field(ge=0, le=60)] = 15.0
    """How much warmer than outside the air inside the closed box is, around wires and fuse [K]."""
    strip_limit_c: Number = 80.0
    """Highest temperature of plates: insulation on the cells touches them [°C]."""


class HarnessRules(Section):
    """[harness]: where the BMS sits ("" lets the lightest harness decide) and how leads are run."""

    bms_in: Text = ""
    """Name of the compartment that holds the BMS; empty: where the harness comes out lightest."""
    share_balance_leads: Flag = False
    """Whether one balance lead serves two modules where they meet; false: each has its own."""
    slack_mm: NotNegative = 50.0
    """Length added to each wire [mm]."""
    wires_have_room: Flag = False
    """Whether every wire must have a clear way at its full thickness, where board or passages have a place."""


class MeasuredGroups(Section):
    """[measured]: the groups of a pack whose every cell was measured and matched; `match` writes it.

    The search is then of this pack alone: its cell, series and parallel count; figures are those of its groups.
    """

    cell: Name
    """Id of the cell in the catalog."""
    parallel: CellCount
    """Cells in each group."""
    capacity_ah: Annotated[tuple[Annotated[Number, Field(gt=0, le=1e5)], ...], Field(min_length=1, max_length=400)]
    """Capacity of each group, from the pack's negative terminal [Ah]."""
    resistance_mohm: Annotated[tuple[Annotated[Number, Field(gt=0, le=1e4)], ...], Field(min_length=1, max_length=400)]
    """Resistance of each group's cells in parallel, as the catalog's DCIR is measured [mΩ]."""
    mass_g: Annotated[Number, Field(gt=0, le=1e5)] | None = None
    """Mean mass of a cell [g]; left out: the catalog's."""


class Ageing(Section):
    """[ageing]: capacity left and resistance grown, against new."""

    capacity_fraction: Efficiency = 1.0
    """Capacity left, as a fraction of new; 1: new."""
    resistance_factor: Annotated[Number, Field(ge=1)] = 1.0
    """Resistance as a multiple of new; 1: new."""


class SpreadSection(Section):
    """[spread]: relative standard deviations for the tolerances; 0 means no spread.

    New cells of one batch: capacity 0.2-0.3 %, resistance 0.7-3.8 % (literature range in the abstract of
    Wildfeuer and Lienkamp, eTransportation 2021).
    """

    capacity: NotNegative = 0.003
    """Of cell capacity, as a fraction of it."""
    dcir: NotNegative = 0.02
    """Of cell resistance, as a fraction of it."""
    diameter: NotNegative = 0.0
    """Of cell diameter, as a fraction of it; 0: no spread."""
    mass: NotNegative = 0.0
    """Of cell mass, as a fraction of it; 0: no spread."""
    price: NotNegative = 0.0
    """Of cell price, as a fraction of it; 0: no spread."""


class Brief(Section):
    """What is wanted. `fit` needs only catalog.cells, clearance and compartment."""

    title: Title = "untitled"
    """Name of the pack, for drawings and lists."""
    currency: Annotated[Title, Field(max_length=20)] = "EUR"
    """Label for prices: whatever those in the catalogs are in."""
    seed: Seed = 0
    """Start of everything random, so that a run can be repeated."""
    catalog: CatalogFiles
    """Tables of parts that you own, paths relative to the brief."""
    clearance: ClearanceRules = ClearanceRules()
    """Free distances that layouts keep, surface to surface."""
    case: CaseSection = CaseSection()
    """How the cases that hold the cells are printed."""
    fit: FitRules = FitRules()
    """How to fill compartments with cells, and for how long to try."""
    compartment: Annotated[tuple[Compartment, ...], Field(min_length=1, max_length=100)]
    """Free volumes of the vehicle, one [[compartment]] for each."""
    part: Annotated[tuple[PartSection, ...], Field(max_length=40)] = ()
    """Bodies that lie among the cells, one [[part]] for each; default: parts take no room."""
    passage: Annotated[tuple[PassageSection, ...], Field(max_length=100)] = ()
    """Openings for wires between compartments, one [[passage]] for each; default: wires run straight."""
    electrical: Electrical | None = None
    """The controller's window and currents; `fit` does without, the search needs it."""
    vehicle: VehicleSection | None = None
    """Masses and resistances to motion; `fit` does without, the search needs it."""
    ride: RidePlan | None = None
    """What the range is measured on; `fit` does without, the search needs it."""
    thermal: ThermalSection = ThermalSection()
    """Wind and sun on the boxes."""
    situation: Annotated[tuple[Situation, ...], Field(max_length=20)] = ()
    """Other conditions in which every pack is judged, one [[situation]] for each; none: the brief's own alone."""
    use: Use | None = None
    """How the pack is used over years; left out: neither fade nor life nor cost of use."""
    constraints: Constraints = Constraints()
    """What every pack of the front must meet; empty: nothing."""
    objectives: Objectives = Objectives()
    """What the front trades off."""
    vary: Vary = Vary()
    """What the search may choose from."""
    parts: PartsSection = PartsSection()
    """Small things that no catalog lists, with mass and price."""
    power_connector: PowerConnector | None = None
    """Connectors of power wires; left out: their ends are bolted or soldered."""
    protection: Protection = Protection()
    """Fuse, BMS, wires and plates that fit together; default: every rule holds."""
    joining: JoiningRules = JoiningRules()
    """How metal is joined to cells."""
    harness: HarnessRules = HarnessRules()
    """Where the BMS sits, and how wires are run."""
    ageing: Ageing = Ageing()
    """Cells that are no longer new; default: new."""
    measured: MeasuredGroups | None = None
    """The matched groups of a pack of measured cells; left out: cells as the catalog has them."""
    spread: SpreadSection = SpreadSection()
    """How much cells differ from each other, for tolerances."""
    box: BoxWalls | None = None
    """Walls of compartments that are still to be made; left out: walls are neither weighed nor billed."""
    envelope: Envelope = Envelope()
    """Most size of all compartments together; default: no limit."""
    search: SearchRules = SearchRules()
    """How free dimensions are explored; without ranges it has no effect."""
    pin: Pins | None = None
    """Packs that exist or are fancied, scored beside the front, one table or several; left out: none."""
    _path: Path = PrivateAttr(default=Path("brief.toml"))

    @property
    def path(self) -> Path:
        """The file that the brief was read from."""
        return self._path

    @property
    def pins(self) -> dict[str, Pin]:
        """Pinned packs by the names that they are shown with."""
        given = self.pin if isinstance(self.pin, tuple) else (self.pin,) if self.pin is not None else ()
        return dict(zip(names_of([pin.name for pin in given]), given, strict=True))

    @property
    def name(self) -> str:
        """The file's name without its ending, used to name the run's folder."""
        return self._path.stem

    def figures_asked(self) -> frozenset[str]:
        """Figures that objectives and constraints name."""
        bounds = (sided(name)[0] for name, value in self.constraints if value is not None)
        return frozenset({*self.objectives.use, *bounds})

    def files(self) -> dict[str, Path]:
        """Input files by dotted key, such as {"catalog.cells": …}, resolved against the brief's folder."""
        named = {f"catalog.{key}": value for key, value in self.catalog if value is not None}
        if self.ride is not None and self.ride.trace is not None:
            named["ride.trace"] = self.ride.trace
        named |= {f"situation[{item.name}].trace": item.trace for item in self.situation if item.trace is not None}
        for at, room in enumerate(self.compartment, start=1):
            for place, item in ((f"compartment[{at}]", room), *(
                (f"compartment[{at}].keep_out[{k}]", part) for k, part in enumerate(room.keep_out, start=1)
            )):  # fmt: skip
                for key in ("solid", "profile"):
                    if getattr(item, key, None) is not None:
                        named[f"{place}.{key}"] = getattr(item, key)
        return {key: self._path.parent / value for key, value in named.items()}
