"""Tables of a brief that say where cells may go: compartments, keep-outs, clearances, walls still to be made."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import ConfigDict, Discriminator, Field

from optimizer.brief.kinds import (
    Axis,
    CellCount,
    CompartmentName,
    Flag,
    Label,
    Name,
    NotNegative,
    Number,
    Point3,
    Positive,
    Profile,
    Section,
    Seed,
    Size3,
    Title,
    Whole,
)

Units = Literal["mm", "cm", "m", "inch"]


class ClearanceRules(Section):
    """[clearance]: free distances, surface to surface, with the meaning of fit.layout.Clearance."""

    wall_mm: NotNegative = 1.0
    """Free gap between a case, or its ends, and the compartment's walls and keep-outs [mm]."""
    case_mm: NotNegative = 1.6
    """Thickness of the case's own wall around the cells, across their axis [mm]."""
    cell_gap_mm: NotNegative = 0.8
    """Free gap between neighbouring cells, across their axis [mm]."""
    end_mm: NotNegative = 2.5
    """Room at each end of a cell: stack_mm at most for insulating ring (0.2) and metal, the rest is cover [mm]."""
    stack_mm: Positive = 1.5
    """Of end_mm, room for ring, plates and joints over them under a cover; metal of 2 mm takes 2.2 [mm]; default:
    common practice."""
    module_gap_mm: NotNegative = 0.5
    """Free gap between neighbouring module cases [mm]."""
    plate_gap_mm: Positive = 2.0
    """Free gap between conductors of different potential on a face, and to cell ends that they don't join [mm];
    default: common practice."""
    wire_mm: NotNegative = 0.0
    """Room for wires over the case at each end of a cell, besides wall_mm [mm]; default: none, and build.md says which
    wires have no room."""


class CaseSection(Section):
    """[case]: how the cases that hold the cells are printed; their wall is [clearance] case_mm."""

    nozzle_mm: Positive = 0.4
    """Width of the line that the printer lays [mm]; no wall between bores is printed thinner."""
    bed_mm: Size3 = (220.0, 220.0, 250.0)
    """Largest print: two sides and the height [mm]; longer bodies are cut between groups and lap."""
    bore_clearance_mm: NotNegative = 0.3
    """By how much a bore is wider than its cell, on the diameter [mm]; print the test ring first."""
    rib_mm: Positive = 0.8
    """Thickness of the ring around a bore [mm]."""
    lap_mm: Positive = 6.0
    """How far two pieces of a body that was cut overlap [mm]."""
    joint_mm: NotNegative = 0.2
    """Free gap between printed parts that are put together, and between a foot and the compartment [mm]."""
    lid: Literal["snaps", "screws", "none"] = "snaps"
    """What holds the covers: printed pegs (snaps), countersunk M2.5 screws in inserts (screws), or a wrap (none)."""
    hold: Literal["feet", "straps", "none"] = "feet"
    """What holds a tray in its compartment: printed feet, straps around it, or nothing."""
    chamfer_mm: NotNegative = 0.3
    """By how much the first layers draw back from the outline, against elephant's foot [mm]; 0: not at all."""
    mark_mm: NotNegative = 0.4
    """Depth of polarity, group numbers and names in the covers [mm]; 0: no marks."""
    slot_mm: NotNegative = 5.0
    """Width of the slots in the wall for leads and sensors [mm]; joints get slots of their own width; 0: no slots."""
    screw_g: NotNegative = 0.9
    """Mass of one screw with its insert [g]."""
    screw_price: NotNegative = 0.15
    """Price of one screw with its insert [currency]."""
    strap_g: NotNegative = 8.0
    """Mass of one strap, two for each tray body [g]."""
    strap_price: NotNegative = 0.8
    """Price of one strap [currency]."""
    layer_mm: Positive = 0.2
    """Height of a printed layer, for the printing time [mm]."""
    speed_mm_s: Positive = 60.0
    """Mean speed of the nozzle, for the printing time [mm/s]."""


class FitRules(Section):
    """[fit]: ways and placements to try, and the time for one compartment and cell size."""

    ways: Annotated[tuple[Literal["tray", "modules"], ...], Field(min_length=1)] = ("tray", "modules")
    """How to fill a compartment: one holder for all cells of a layer (tray), or identical small cases (modules)."""
    placements: Annotated[tuple[Literal["square", "staggered", "free"], ...], Field(min_length=1)] = (
        "square",
        "staggered",
        "free",
    )
    """How cells stand in a tray: in square rows, in staggered rows, or off any grid (free)."""
    seconds: Positive = 2.0
    """Effort for one compartment and one cell size, about how long it may take [s]."""
    size_step_mm: Annotated[Number, Field(ge=0, le=5)] = 0.0
    """Sizes of cells are rounded up to whole steps, so that cells of nearly one size share a layout, which holds
    each of them with up to a step of play [mm]; 0 takes every size as it stands."""
    seed: Seed | None = None
    """Start of the random numbers for placement and for chains of groups; left out: the brief's own seed."""
    groups_per_module: tuple[CellCount, ...] = ()
    """Allowed numbers of series groups in one module; empty: any number."""
    zones: Annotated[Whole, Field(ge=1, le=3)] = 1
    """Most zones into which planes cut a compartment, each filled in its own way, where that holds more groups; 1: no
    compartment is cut, which is found sooner."""


class BoxKeepOut(Section):
    """[[compartment.keep_out]] with shape = "box": its low corner and its size in the compartment's axes."""

    name: Label = "keep-out"
    """What stands there, for drawings and messages."""
    shape: Literal["box"]
    """A rectangular block; "prism" is the other shape."""
    origin_mm: Point3 = (0.0, 0.0, 0.0)
    """Its low corner in the compartment's own axes x, y, z [mm]; default: the origin."""
    length_mm: Positive
    """Size along the compartment's x axis [mm]."""
    width_mm: Positive
    """Size along the compartment's y axis [mm]."""
    height_mm: Positive
    """Size along the compartment's z axis [mm]."""


class PrismKeepOut(Section):
    """[[compartment.keep_out]] with shape = "prism": a profile extruded along an axis, moved by origin_mm."""

    name: Label = "keep-out"
    """What stands there, for drawings and messages."""
    shape: Literal["prism"]
    """A profile extruded along an axis; "box" is the other shape."""
    origin_mm: Point3 = (0.0, 0.0, 0.0)
    """By how much the extruded profile is moved along x, y, z [mm]; default: not moved."""
    profile_mm: Profile
    """Corners of the profile in order, in the two axes other than extrude, those in x, y, z order [mm]."""
    profile: Name | None = None
    """DXF file with one closed outline, in place of profile_mm; its path relative to the brief."""
    profile_layer: Title | None = None
    """Layer of the drawing that holds the outline; left out: any."""
    profile_units: Units | None = None
    """Unit of the drawing; left out: what it says itself."""
    extrude: Axis
    """Axis along which the profile is extruded."""
    depth_mm: Positive
    """How far the profile is extruded [mm]."""


class SolidKeepOut(Section):
    """[[compartment.keep_out]] with shape = "solid": a closed body from a file."""

    name: Label = "keep-out"
    """What stands there, for drawings and messages."""
    shape: Literal["solid"]
    """A closed body from a file; "box" and "prism" are the other shapes."""
    origin_mm: Point3 = (0.0, 0.0, 0.0)
    """By how much the body is moved along x, y, z of the compartment [mm]; default: not moved."""
    solid: Name
    """STL, 3MF or STEP file, its path relative to the brief; its axes are the compartment's."""
    units: Units | None = None
    """Unit of the file; left out: what the file says, or millimetres."""


KeepOut = Annotated[BoxKeepOut | PrismKeepOut | SolidKeepOut, Discriminator("shape")]


class BoxCompartment(Section):
    """[[compartment]] with shape = "box": corner at the origin, x = length, y = width, z = height."""

    name: CompartmentName
    """What the compartment is called; names must differ."""
    shape: Literal["box"]
    """A rectangular hollow; "prism" is the other shape."""
    length_mm: Positive
    """Inside, along its own x axis [mm]."""
    width_mm: Positive
    """Inside, along its own y axis [mm]."""
    height_mm: Positive
    """Inside, along its own z axis [mm]."""
    position_mm: Point3 = (0.0, 0.0, 0.0)
    """Where its origin lies in the vehicle's axes x, y, z [mm]; wires between compartments need it."""
    rotation_deg: Point3 = (0.0, 0.0, 0.0)
    """How it is turned in the vehicle: about x, then y, then z [degrees]; default: not turned."""
    axes: Annotated[tuple[Axis, ...], Field(min_length=1)] = ("x", "y", "z")
    """Its own axes along which cells may lie; default: all three."""
    outer_max_mm: Size3 | None = None
    """Most size along its own axes x, y, z that the vehicle leaves it, walls included [mm]; left out: no limit."""
    keep_out: Annotated[tuple[KeepOut, ...], Field(max_length=200)] = ()
    """Volumes inside that cells may not use; default: none."""


class PrismCompartment(Section):
    """[[compartment]] with shape = "prism": a profile in two axes, extruded to depth_mm along the third."""

    name: CompartmentName
    """What the compartment is called; names must differ."""
    shape: Literal["prism"]
    """A profile extruded along an axis; "box" is the other shape."""
    profile_mm: Profile
    """Corners of the inside in order, in the two axes other than extrude, those in x, y, z order [mm]."""
    profile: Name | None = None
    """DXF file with one closed outline, in place of profile_mm; its path relative to the brief."""
    profile_layer: Title | None = None
    """Layer of the drawing that holds the outline; left out: any."""
    profile_units: Units | None = None
    """Unit of the drawing; left out: what it says itself."""
    extrude: Axis
    """Its own axis along which the profile is extruded."""
    depth_mm: Positive
    """Inside, how far the profile is extruded [mm]."""
    position_mm: Point3 = (0.0, 0.0, 0.0)
    """Where its origin lies in the vehicle's axes x, y, z [mm]; wires between compartments need it."""
    rotation_deg: Point3 = (0.0, 0.0, 0.0)
    """How it is turned in the vehicle: about x, then y, then z [degrees]; default: not turned."""
    axes: Annotated[tuple[Axis, ...], Field(min_length=1)] = ("x", "y", "z")
    """Its own axes along which cells may lie; default: all three."""
    outer_max_mm: Size3 | None = None
    """Most size along its own axes x, y, z that the vehicle leaves it, walls included [mm]; left out: no limit."""
    keep_out: Annotated[tuple[KeepOut, ...], Field(max_length=200)] = ()
    """Volumes inside that cells may not use; default: none."""


class SolidCompartment(Section):
    """[[compartment]] with shape = "solid": the free volume as a closed body from a file."""

    name: CompartmentName
    """What the compartment is called; names must differ."""
    shape: Literal["solid"]
    """A closed body from a file; "box" and "prism" are the other shapes."""
    solid: Name
    """STL, 3MF or STEP file of the inside, its path relative to the brief; its axes are the compartment's own."""
    units: Units | None = None
    """Unit of the file; left out: what the file says, or millimetres."""
    position_mm: Point3 = (0.0, 0.0, 0.0)
    """Where its origin lies in the vehicle's axes x, y, z [mm]; wires between compartments need it."""
    rotation_deg: Point3 = (0.0, 0.0, 0.0)
    """How it is turned in the vehicle: about x, then y, then z [degrees]; default: not turned."""
    axes: Annotated[tuple[Axis, ...], Field(min_length=1)] = ("x", "y", "z")
    """Its own axes along which cells may lie; default: all three."""
    outer_max_mm: Size3 | None = None
    """Most size along its own axes x, y, z that the vehicle leaves it, walls included [mm]; left out: no limit."""
    keep_out: Annotated[tuple[KeepOut, ...], Field(max_length=200)] = ()
    """Volumes inside that cells may not use; default: none."""


Compartment = Annotated[BoxCompartment | PrismCompartment | SolidCompartment, Discriminator("shape")]


class PartSection(Section):
    """[[part]]: a body that lies among the cells: board, fuse, switch, connector, sensor; one without lives outside."""

    name: Label
    """What it is called on drawings; names must differ, and that of the board holds "BMS"."""
    kind: Literal["BMS", "fuse", "other"] = "other"
    """"BMS": as large as the board that is chosen, billed as that; "fuse": room for every fuse of [vary] whose size is
    in its table, billed as the one that is chosen; "other": a part of your own."""
    size_mm: Size3 | None = None
    """Length, width and height as it lies on its back [mm]; of a BMS the catalog's, of a fuse the largest sides in its
    table, if left out."""
    mass_g: NotNegative = 0.0
    """Mass [g]; of a BMS and a fuse the catalog's."""
    price: NotNegative = 0.0
    """Price [currency]; of a BMS and a fuse the catalog's."""
    within: tuple[CompartmentName, ...] = ()
    """Compartments that it may lie in; empty: any."""
    outside: Flag = False
    """Whether it lives outside of all compartments: it is weighed and billed, and takes no room."""
    up: Annotated[tuple[Axis, ...], Field(min_length=1)] = ("x", "y", "z")
    """Axes of the compartment along which its height may point; default: it may lie, stand and lean any way."""
    gap_mm: NotNegative = 1.0
    """Free distance to walls, cases and other parts, for heat and insulation [mm]."""
    free_face: Literal["length", "width", "height"] = "length"
    """Its connectors are on a face across its length, width or height."""
    free_mm: NotNegative = 0.0
    """Room kept free in front of that face, for plugs and cables [mm]."""


class PassageSection(Section):
    """[[passage]]: an opening for wires between two compartments; without one they run straight."""

    model_config = ConfigDict(serialize_by_alias=True)

    name: Label
    """What it is called; names must differ."""
    from_: CompartmentName = Field(alias="from")
    """Compartment at its one end."""
    to: CompartmentName
    """Compartment at its other end."""
    position_mm: Point3 | None = None
    """Where it is, in the vehicle's axes x, y, z [mm]; left out: from_mm and to_mm say where each mouth is."""
    from_mm: Point3 | None = None
    """Middle of its mouth in the compartment `from`, in the vehicle's axes [mm]; left out: position_mm."""
    to_mm: Point3 | None = None
    """Middle of its mouth in the compartment `to`, in the vehicle's axes [mm]; left out: position_mm."""
    bore_mm: Positive
    """Diameter of the opening [mm]; what passes may fill 40 % of it."""


class BoxWalls(Section):
    """[box]: walls of compartments that are still to be made; their mass and cost go into the bill."""

    wall_mm: Positive
    """Thickness of the walls, outside the compartment's own size [mm]."""
    density_kg_m3: Positive
    """Density of the walls' material [kg/m³]."""
    price_per_kg: NotNegative
    """Price of the walls, material and making together [currency/kg]."""
    compartments: tuple[CompartmentName, ...] = ()
    """Those whose walls are billed, in use or not; empty: those with a free dimension."""


class Envelope(Section):
    """[envelope]: most size that all compartments with their walls may have together, in the vehicle's axes."""

    length_mm_max: Positive | None = None
    """Most size along the vehicle's x axis [mm]; left out: no limit."""
    width_mm_max: Positive | None = None
    """Most size along the vehicle's y axis [mm]; left out: no limit."""
    height_mm_max: Positive | None = None
    """Most size along the vehicle's z axis [mm]; left out: no limit."""
