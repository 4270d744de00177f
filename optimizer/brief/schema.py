"""The shape of a brief: sections, keys, types and defaults, as frozen models.

One fault in a value is found here by its type and sign; what depends on several values, or on what is
plausible, is in brief_rules.py. Every key is listed in DEVELOPERS.md; units are part of the names.
"""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Literal

from pydantic import AfterValidator, BaseModel, ConfigDict, Discriminator, Field, PrivateAttr, Strict
from pydantic_core import PydanticCustomError

from optimizer.texts import unseen


def _visible(text: str) -> str:
    sign = unseen(text)
    if sign:
        raise PydanticCustomError("control_character", "holds {sign}", {"sign": sign})
    return text


Number = Annotated[float, Strict(), Field(allow_inf_nan=False)]
Positive = Annotated[Number, Field(gt=0)]
NotNegative = Annotated[Number, Field(ge=0)]
Fraction = Annotated[Number, Field(ge=0, le=1)]
Efficiency = Annotated[Number, Field(gt=0, le=1)]
Whole = Annotated[int, Strict()]
Text = Annotated[str, Strict()]
Name = Annotated[Text, Field(min_length=1, max_length=1000)]
# Texts that are shown and drawn.
Title = Annotated[Text, Field(max_length=200), AfterValidator(_visible)]
Label = Annotated[Text, Field(min_length=1, max_length=60), AfterValidator(_visible)]
Flag = Annotated[bool, Strict()]
Axis = Literal["x", "y", "z"]
Point2 = tuple[Number, Number]
Point3 = tuple[Number, Number, Number]
Size3 = tuple[Positive, Positive, Positive]
Profile = Annotated[tuple[Point2, ...], Field(min_length=3, max_length=2000)]
# Beyond any pack, so that a slip of the keyboard is an error and no endless search.
CellCount = Annotated[Whole, Field(ge=1, le=5000)]
CountRange = tuple[CellCount, CellCount]
Layers = Annotated[Whole, Field(ge=1, le=20)]
Seed = Annotated[Whole, Field(ge=0, le=2**32 - 1)]
# Names end up in file names and labels.
CompartmentName = Annotated[Text, Field(pattern=r"^\w[\w .+()-]*$", max_length=60), AfterValidator(_visible)]
Names = Annotated[tuple[Name, ...], Field(min_length=1, max_length=10_000)]

ObjectiveName = Literal[
    "range_km",
    "peak_power_w",
    "pack_mass_kg",
    "cost",
    "energy_wh",
    "continuous_power_w",
    "peak_low_w",
    "consumption_wh_per_km",
    "speed_headroom_kmh",
    "hot_cell_c",
    "charge_min",
]


class Section(BaseModel):
    """A table of the brief: frozen, and an unknown key in it is an error."""

    model_config = ConfigDict(frozen=True, extra="forbid")


class CatalogFiles(Section):
    """[catalog]: paths of the tables as written in the brief, relative to the brief."""

    cells: Name
    strips: Name | None = None
    wires: Name | None = None
    bms: Name | None = None
    fuses: Name | None = None
    chargers: Name | None = None
    ocv: Name | None = None


class ClearanceRules(Section):
    """[clearance]: free distances, surface to surface, with the meaning of fit.layout.Clearance."""

    wall_mm: NotNegative = 1.0
    case_mm: NotNegative = 1.6
    cell_gap_mm: NotNegative = 0.8
    end_mm: NotNegative = 2.5
    module_gap_mm: NotNegative = 0.5


class FitRules(Section):
    """[fit]: ways and placements to try, and the time for one compartment and cell size.

    size_step_mm: sizes of cells are rounded up to whole steps, so that cells of nearly one size share a layout, which
    holds each of them with up to a step of play; 0 takes every size as it stands.
    groups_per_module: allowed numbers of series groups in one module; empty means any. seed: None means
    the brief's own seed.
    """

    ways: Annotated[tuple[Literal["tray", "modules"], ...], Field(min_length=1)] = ("tray", "modules")
    placements: Annotated[tuple[Literal["square", "staggered", "free"], ...], Field(min_length=1)] = (
        "square",
        "staggered",
        "free",
    )
    seconds: Positive = 2.0
    size_step_mm: Annotated[Number, Field(ge=0, le=5)] = 0.0
    seed: Seed | None = None
    groups_per_module: tuple[CellCount, ...] = ()


class BoxKeepOut(Section):
    """[[compartment.keep_out]] with shape = "box": its low corner and its size in the compartment's axes."""

    name: Label = "keep-out"
    shape: Literal["box"]
    origin_mm: Point3 = (0.0, 0.0, 0.0)
    length_mm: Positive
    width_mm: Positive
    height_mm: Positive


class PrismKeepOut(Section):
    """[[compartment.keep_out]] with shape = "prism": a profile extruded along an axis, moved by origin_mm."""

    name: Label = "keep-out"
    shape: Literal["prism"]
    origin_mm: Point3 = (0.0, 0.0, 0.0)
    profile_mm: Profile
    extrude: Axis
    depth_mm: Positive


KeepOut = Annotated[BoxKeepOut | PrismKeepOut, Discriminator("shape")]


class BoxCompartment(Section):
    """[[compartment]] with shape = "box": corner at the origin, x = length, y = width, z = height.

    outer_max_mm: most size along its own axes that the vehicle leaves it, walls included.
    """

    name: CompartmentName
    shape: Literal["box"]
    length_mm: Positive
    width_mm: Positive
    height_mm: Positive
    position_mm: Point3 = (0.0, 0.0, 0.0)
    rotation_deg: Point3 = (0.0, 0.0, 0.0)
    axes: Annotated[tuple[Axis, ...], Field(min_length=1)] = ("x", "y", "z")
    outer_max_mm: Size3 | None = None
    keep_out: Annotated[tuple[KeepOut, ...], Field(max_length=200)] = ()


class PrismCompartment(Section):
    """[[compartment]] with shape = "prism": a profile in two axes, extruded to depth_mm along the third.

    outer_max_mm: most size along its own axes that the vehicle leaves it, walls included.
    """

    name: CompartmentName
    shape: Literal["prism"]
    profile_mm: Profile
    extrude: Axis
    depth_mm: Positive
    position_mm: Point3 = (0.0, 0.0, 0.0)
    rotation_deg: Point3 = (0.0, 0.0, 0.0)
    axes: Annotated[tuple[Axis, ...], Field(min_length=1)] = ("x", "y", "z")
    outer_max_mm: Size3 | None = None
    keep_out: Annotated[tuple[KeepOut, ...], Field(max_length=200)] = ()


class BoxWalls(Section):
    """[box]: walls of compartments that are still to be made; their mass and cost go into the bill.

    wall_mm lies outside the compartment's own size. compartments: those whose walls are billed, in use or not;
    empty means those with a free dimension. price_per_kg: material and making together.
    """

    wall_mm: Positive
    density_kg_m3: Positive
    price_per_kg: NotNegative
    compartments: tuple[CompartmentName, ...] = ()


class Envelope(Section):
    """[envelope]: most size that all compartments with their walls may have together, in the vehicle's axes."""

    length_mm_max: Positive | None = None
    width_mm_max: Positive | None = None
    height_mm_max: Positive | None = None


class SearchRules(Section):
    """[search]: how free dimensions are explored; without ranges it has no effect.

    sampler: multi-objective TPE or NSGA-II. trials: boxes to try at most. grid: values of each dimension in
    the coarse grid that the search starts from. patience: boxes in a row without gain after which it ends; 0
    never ends it. gain: how far a pack must be ahead of every other one in some objective to count, as a
    share of the front's spread.
    """

    sampler: Literal["tpe", "nsga2"] = "tpe"
    trials: Annotated[Whole, Field(ge=1, le=1_000_000)] = 200
    grid: Annotated[Whole, Field(ge=1, le=20)] = 3
    patience: Annotated[Whole, Field(ge=0, le=1_000_000)] = 40
    gain: Annotated[Number, Field(ge=0, le=0.5)] = 0.01


Compartment = Annotated[BoxCompartment | PrismCompartment, Discriminator("shape")]


class Electrical(Section):
    """[electrical]: the controller's window and currents, and the states at which power is asked for."""

    voltage_max_v: Positive
    voltage_min_v: Positive
    battery_current_a: Positive
    regen_current_a: NotNegative = 0.0
    peak_seconds: Annotated[Number, Field(ge=0.1, le=60)] = 10.0
    reference_soc: Fraction = 0.5
    low_soc: Fraction = 0.2
    temp_c: Number = 25.0


class Vehicle(Section):
    """[vehicle]: masses without the pack, resistances to motion, and the motor where its speed matters."""

    mass_kg: Positive
    rider_kg: NotNegative
    payload_kg: NotNegative = 0.0
    cda_m2: Positive
    crr: Positive
    drivetrain_efficiency: Efficiency
    regen_efficiency: Fraction = 0.0
    accessory_w: NotNegative = 0.0
    rotating_factor: Annotated[Number, Field(ge=1)] = 1.05
    altitude_m: Number = 0.0
    wheel_diameter_mm: Positive | None = None
    motor_speed_constant_rpm_per_v: Positive | None = None
    motor_resistance_mohm: NotNegative | None = None
    balances_on_motor: Flag = False


class RidePlan(Section):
    """[ride]: a trace, or a steady cruise; and from which state of charge to which it is repeated."""

    trace: Name | None = None
    speed_kmh: Positive | None = None
    grade_pct: Number = 0.0
    length_km: Positive = 1.0
    start_soc: Fraction = 1.0
    reserve_soc: Fraction = 0.1
    temp_c: Number = 25.0


class Constraints(Section):
    """[constraints]: what every pack of the front must meet; None asks for nothing."""

    range_km_min: Positive | None = None
    peak_power_w_min: Positive | None = None
    continuous_power_w_min: Positive | None = None
    peak_low_w_min: Positive | None = None
    pack_mass_kg_max: Positive | None = None
    cost_max: Positive | None = None
    energy_wh_min: Positive | None = None
    hot_cell_c_max: Number | None = None
    speed_headroom_kmh_min: Number | None = None
    charge_min_max: Positive | None = None


class Objectives(Section):
    """[objectives]: what the front trades off; the sense of each (most or least) is known to the front.

    resolution: per objective, the difference below which two packs count as equal; the front is then thinned
    to rows that stand for all others within it. Without it every non-dominated row is kept.
    """

    use: Annotated[tuple[ObjectiveName, ...], Field(min_length=1)] = (
        "range_km",
        "peak_power_w",
        "pack_mass_kg",
        "cost",
    )
    resolution: dict[ObjectiveName, Positive] = {}


class Vary(Section):
    """[vary]: what may change; ids or glob patterns for parts, least and most for counts."""

    cells: Names = ("*",)
    series: CountRange = (1, 400)
    parallel: CountRange = (1, 400)
    strips: Names = ("*",)
    wires: Names = ("*",)
    bms: Names = ("*",)
    fuses: Names = ("*",)
    strip_layers: Annotated[tuple[Layers, ...], Field(min_length=1)] = (1,)


class Parts(Section):
    """[parts]: small things that no catalog lists, for the bill and the weld resistance."""

    case_density_kg_m3: Positive = 1270.0
    case_price_per_kg: NotNegative = 25.0
    insulation_g_per_cell: NotNegative = 0.3
    insulation_price_per_cell: NotNegative = 0.05
    connector_g: NotNegative = 30.0
    connector_price: NotNegative = 6.0
    spare_fraction: Fraction = 0.05
    sensors: Annotated[Whole, Field(ge=0, le=1000)] = 2
    weld_mohm: NotNegative = 0.1


class HarnessRules(Section):
    """[harness]: where the BMS sits ("" lets the lightest harness decide) and how leads are run."""

    bms_in: Text = ""
    share_balance_leads: Flag = False
    slack_mm: NotNegative = 50.0


class Ageing(Section):
    """[ageing]: capacity left and resistance grown, against new."""

    capacity_fraction: Efficiency = 1.0
    resistance_factor: Annotated[Number, Field(ge=1)] = 1.0


class Spread(Section):
    """[spread]: relative standard deviations for the tolerances; 0 means no spread.

    New cells of one batch: capacity 0.2-0.3 %, resistance 0.7-3.8 % (literature range in the abstract of
    Wildfeuer and Lienkamp, eTransportation 2021).
    """

    capacity: NotNegative = 0.003
    dcir: NotNegative = 0.02
    diameter: NotNegative = 0.0
    mass: NotNegative = 0.0
    price: NotNegative = 0.0


class Pin(Section):
    """[pin]: a pack that exists or is fancied, scored beside the front; what is left out stays open.

    groups_per_module: 0 for a tray. axes: along which axis the cells of a compartment lie.
    """

    cell: Name
    series: CellCount
    parallel: CellCount
    split: dict[str, Annotated[Whole, Field(ge=0)]] | None = None
    groups_per_module: Annotated[Whole, Field(ge=0)] | None = None
    axes: dict[str, Axis] | None = None
    strip: Name | None = None
    strip_layers: Layers | None = None
    wire: Name | None = None
    bms: Name | None = None
    fuse: Name | None = None


class Brief(Section):
    """What is wanted. `fit` needs only catalog.cells, clearance and compartment."""

    title: Title = "untitled"
    currency: Annotated[Title, Field(max_length=20)] = "EUR"
    seed: Seed = 0
    catalog: CatalogFiles
    clearance: ClearanceRules = ClearanceRules()
    fit: FitRules = FitRules()
    compartment: Annotated[tuple[Compartment, ...], Field(min_length=1, max_length=100)]
    electrical: Electrical | None = None
    vehicle: Vehicle | None = None
    ride: RidePlan | None = None
    constraints: Constraints = Constraints()
    objectives: Objectives = Objectives()
    vary: Vary = Vary()
    parts: Parts = Parts()
    harness: HarnessRules = HarnessRules()
    ageing: Ageing = Ageing()
    spread: Spread = Spread()
    box: BoxWalls | None = None
    envelope: Envelope = Envelope()
    search: SearchRules = SearchRules()
    pin: Pin | None = None
    _path: Path = PrivateAttr(default=Path("brief.toml"))

    @property
    def path(self) -> Path:
        """The file that the brief was read from."""
        return self._path

    @property
    def name(self) -> str:
        """The file's name without its ending, used to name the run's folder."""
        return self._path.stem

    def files(self) -> dict[str, Path]:
        """Input files by dotted key, such as {"catalog.cells": …}, resolved against the brief's folder."""
        named = {f"catalog.{key}": value for key, value in self.catalog if value is not None}
        if self.ride is not None and self.ride.trace is not None:
            named["ride.trace"] = self.ride.trace
        return {key: self._path.parent / value for key, value in named.items()}
