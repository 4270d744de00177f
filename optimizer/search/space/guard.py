"""Which fuse protects which wire and plates, and which breaks what the cells drive through a short circuit."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from optimizer.base.arrays import Flags, Floats, Ints
from optimizer.brief import Brief
from optimizer.fit.region.layout import CellSize
from optimizer.pack.conductors.tabbed import WINDOW_MM
from optimizer.pack.protection import warming
from optimizer.pack.protection.fuses import must_bear_a
from optimizer.pack.protection.warming import Warming
from optimizer.pack.second import second_of
from optimizer.ride.load.profile import Profile
from optimizer.score.inputs import BREAKS, PLATES, WIRES, Inputs
from optimizer.score.outside import box_air_c

if TYPE_CHECKING:
    from optimizer.search.space.parts import Build


def wires_over_time(inputs: Inputs, rows: Ints) -> Warming:
    """Wires of the catalog over time."""
    table = inputs.wires
    return warming.wires(
        table.resistance_ohm_per_km[rows], rated_a=table.current_a[rows], insulation_c=table.insulation_temp_c[rows],
        air_c=box_air_c(inputs.brief),
    )  # fmt: skip


def connector_over_time(brief: Brief) -> Warming | None:
    """The connectors of power wires over time: at their rating at their limit, in the air of the box; None for none."""
    plug = brief.power_connector
    if plug is None:
        return None
    air = box_air_c(brief)
    limit = np.maximum([plug.limit_c], air + warming.LEAST_K)
    return warming.one_stage(np.array([plug.current_a]), limit_c=limit, air_c=air, tau_s=np.array([plug.tau_s]))


def span_mm(size: CellSize, *, cell_gap_mm: float) -> float:
    """Strip between the welds of two neighbours: from axis to axis, or the wider way between two blocks [mm]."""
    across = size.diameter_mm if size.shape == "cylinder" else max(size.width_mm, size.thickness_mm)
    return across + cell_gap_mm


def cell_mm3(size: CellSize) -> float:
    """Volume of a cell [mm³]."""
    if size.shape == "cylinder":
        return math.pi / 4.0 * size.diameter_mm**2 * size.length_mm
    return size.length_mm * size.width_mm * size.thickness_mm


def strip_over_time(inputs: Inputs, build: Build, *, size: CellSize) -> Warming:
    """One layer of a build between two cells over time."""
    brief = inputs.brief
    return warming.strip(
        str(inputs.strips.material[build.strip]), section_mm2=build.section_mm2, density_a_mm2=build.density_a_mm2,
        resistivity_ohm_m=float(inputs.strips.resistivity_ohm_m[build.strip]), layers=build.layers,
        span_mm=span_mm(size, cell_gap_mm=brief.clearance.cell_gap_mm), cell_mm3=cell_mm3(size),
        limit_c=brief.protection.strip_limit_c, air_c=box_air_c(brief),
    )  # fmt: skip


def tabs_over_time(inputs: Inputs, build: Build, *, size: CellSize) -> Warming | None:
    """Tabs of a build over time, None without: strip from its weld to both sides of its window, both on one cell.

    A collector warms with the plate under it, which holds it at every cell (`parts._way` rates it for that).
    """
    brief, second = inputs.brief, second_of(inputs.strips, build.strip)
    if second is None or build.way.bar:
        return None
    around = {"limit_c": brief.protection.strip_limit_c, "air_c": box_air_c(brief)}
    return warming.strip(
        second.material, section_mm2=second.section_mm2, density_a_mm2=second.density_a_mm2,
        resistivity_ohm_m=second.resistivity_ohm_m, layers=2, span_mm=WINDOW_MM / 2, cell_mm3=cell_mm3(size), **around,
    )  # fmt: skip


def joint_over_time(inputs: Inputs, build: Build) -> Warming:
    """A joint between layers of a build over time, at the pack's current; all joints of a build are as wide."""
    return warming.free_strip(
        str(inputs.strips.material[build.strip]), rated_a=build.density_a_mm2 * build.section_mm2 * build.layers,
        density_a_mm2=build.density_a_mm2, resistivity_ohm_m=float(inputs.strips.resistivity_ohm_m[build.strip]),
        limit_c=inputs.brief.protection.strip_limit_c, air_c=box_air_c(inputs.brief),
    )  # fmt: skip


@dataclass(frozen=True, eq=False)
class Guard:
    """What each fuse of [vary] asks of the conductors behind it.

    Parameters
    ----------
    bears : ndarray of bool, shape (f, w)
        Whether the fuse protects the wire and the connectors.
    wire_a : ndarray, shape (f, w)
        Continuous rating that the wire must have behind the fuse [A].
    need_a : ndarray, shape (f, b)
        Continuous limit that plates of a build must have behind the fuse [A].
    joints : ndarray of bool, shape (f, b)
        Whether the fuse protects the joints between layers of a build.
    plug_a : ndarray, shape (f,)
        Continuous rating that connectors of power wires must have behind the fuse [A]; 0 where there are none.
    """

    bears: Flags
    wire_a: Floats
    need_a: Floats
    joints: Flags
    plug_a: Floats

    def classes(self) -> Ints:
        """Columns that tell the fuses apart, less being better: a fuse with no column over another's protects more.

        Shape (f, k). Columns that order the fuses alike are one.
        """
        whole = np.hstack([~self.bears, self.need_a, ~self.joints])
        ranks = [np.unique(column, return_inverse=True)[1] for column in whole.T]
        found = np.unique(np.array(ranks, dtype=np.int64).reshape(-1, len(whole)), axis=0)
        return np.asarray(found[found.max(axis=1, initial=0) > 0].T)


def guard(inputs: Inputs, builds: list[Build], *, size: CellSize) -> Guard:
    """Fuses of [vary] against its wires, and builds over one cell size.

    Where the rule is turned off, or parts are spared, every fuse protects them.
    """
    rows, fuses, spared = inputs.fuse_rows, inputs.fuses, _spared(inputs)
    plug, plug_a = connector_over_time(inputs.brief), np.zeros(len(rows))
    wires, (strips, joints) = wires_over_time(inputs, inputs.wire_rows), _metal(inputs, builds, size=size)

    def asked_of(parts: Warming, kind: str) -> Floats:
        if kind in spared:
            return np.zeros((len(rows), len(parts.rated_a)))
        return np.array([
            must_bear_a(float(fuses.current_a[row]), points=fuses.opens_most[row], share=parts.share, tau_s=parts.tau_s)
            for row in rows
        ]).reshape(len(rows), len(parts.rated_a))  # fmt: skip

    asked, need = asked_of(wires, WIRES), asked_of(strips, PLATES)
    tabs, rows_of = _tabs(inputs, builds, size=size)
    if tabs is not None:
        # Plates are rated by what bears less, the sheet or its tabs: either's need is the whole's.
        need[:, rows_of] = np.maximum(need[:, rows_of], asked_of(tabs, PLATES))
    bears = wires.rated_a >= asked * (1.0 - 1e-12)
    if plug is not None:
        plug_a = asked_of(plug, WIRES)[:, 0]
        bears &= (plug.rated_a >= plug_a * (1.0 - 1e-12))[:, None]
    return Guard(bears, asked, need, joints.rated_a >= asked_of(joints, PLATES) * (1.0 - 1e-12), plug_a)


def _spared(inputs: Inputs) -> set[str]:
    """What fuses need not do: rules that are turned off, and what is spared."""
    rules = inputs.brief.protection
    off = {WIRES: rules.fuse_protects, PLATES: rules.fuse_protects, BREAKS: rules.fuse_breaks}
    return {*inputs.spared, *(name for name, on in off.items() if not on)}


def _metal(inputs: Inputs, builds: list[Build], *, size: CellSize) -> tuple[Warming, Warming]:
    """Layers of builds between two cells, and joints between layers, one of each for each build."""
    layers = warming.together([strip_over_time(inputs, build, size=size) for build in builds])
    return layers, warming.together([joint_over_time(inputs, build) for build in builds])


def _tabs(inputs: Inputs, builds: list[Build], *, size: CellSize) -> tuple[Warming | None, list[int]]:
    """Tabs over time, and the builds that have them."""
    each = [(k, tabs_over_time(inputs, build, size=size)) for k, build in enumerate(builds)]
    found = [(k, one) for k, one in each if one is not None]
    return warming.together([one for _, one in found]) if found else None, [k for k, _ in found]


def overloads(
    inputs: Inputs, builds: list[Build], *, size: CellSize, seconds: float, profile: Profile
) -> Floats:
    """What plates may carry over their continuous limit, and what joints between layers may carry, shape (4, b).

    Plates with their tabs for a peak out of rest, and along a ride [-]; joints for both [A]. Along a ride: the
    highest current of the lap whose moving mean of squares, stage by stage, is the limit's.
    """
    strips, joints = _metal(inputs, builds, size=size)
    out = np.array([
        warming.overload(seconds, share=strips.share, tau_s=strips.tau_s), ride_overload(strips, profile=profile),
        joints.allowed_a(seconds), joints.rated_a * ride_overload(joints, profile=profile),
    ])  # fmt: skip
    tabs, rows_of = _tabs(inputs, builds, size=size)
    if tabs is not None:
        more = warming.overload(seconds, share=tabs.share, tau_s=tabs.tau_s), ride_overload(tabs, profile=profile)
        out[:2, rows_of] = np.minimum(out[:2, rows_of], np.array(more))
    return out


def ride_overload(parts: Warming, *, profile: Profile) -> Floats:
    """Highest current of an endless ride over the continuous rating of each conductor, shape (n,): 1 / √Σ share·y."""
    return np.asarray(1.0 / np.sqrt((parts.share * profile.mean_square(parts.tau_s)).sum(axis=1)))


def breaks(inputs: Inputs, fault_a: float) -> Flags:
    """Fuses of [vary] that can break a current, shape (f,); all where the rule is turned off."""
    if BREAKS in _spared(inputs):
        return np.ones(len(inputs.fuse_rows), dtype=bool)
    return np.asarray(inputs.fuses.breaking_a[inputs.fuse_rows] >= fault_a * (1.0 - 1e-12))
