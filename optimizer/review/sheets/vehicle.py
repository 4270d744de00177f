"""The pack in the vehicle: every compartment at its place with its cells, parts and leads, in one isometric drawing."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise
from typing import TYPE_CHECKING, Any

import numpy as np
import shapely
from shapely.geometry import MultiPoint

from optimizer.base.arrays import Floats
from optimizer.fit.region.geometry import rotation, to_vehicle
from optimizer.fit.region.section import cross_axes
from optimizer.pack.wiring.passages import STRAIGHT
from optimizer.pack.wiring.table import corners_of
from optimizer.review.colours import TINTS
from optimizer.review.sheets import style as look
from optimizer.review.sheets.harness import FUNCTIONS, function_of

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from optimizer.design.model import Design, Station
    from optimizer.fit.region.compartment import Compartment


SHEET_MM = (297.0, 210.0)
HEAD_MM, FOOT_MM, EDGE_MM = 16.0, 30.0, 8.0

# x to the right and away, y to the left and away, z up: ISO 5456-3, isometric axes at 30 degrees. The eye looks along
# (1, 1, -1), so that the faces towards -x, -y and +z are seen.
PLANE = np.array([[np.cos(np.pi / 6), -np.cos(np.pi / 6), 0.0], [0.5, 0.5, 1.0]])
AWAY = np.array([1.0, 1.0, -1.0])
SIDES = 24


def flat(points_mm: Floats) -> Floats:
    """Points of the vehicle in the plane of the drawing, shape (…, 2) [mm]."""
    return np.asarray(points_mm @ PLANE.T)


def draw_vehicle(design: Design) -> Figure:
    """One sheet with all compartments, not to a named scale."""
    with look.own_look():
        figure, axes = look.sheet(width_mm=SHEET_MM[0], height_mm=SHEET_MM[1])
        edges = [edge for room in design.rooms for edge in outline(room)]
        low, high = (getattr(flat(np.concatenate(edges)), end)(axis=0) for end in ("min", "max"))
        free = np.array([SHEET_MM[0] - 2 * EDGE_MM, SHEET_MM[1] - HEAD_MM - FOOT_MM - EDGE_MM])
        scale = float((free / (high - low)).min())
        shift = np.array([SHEET_MM[0] / 2, FOOT_MM + free[1] / 2]) - scale * (low + high) / 2
        pen = _Pen(axes, scale, shift)
        for line in edges:
            pen.line(line, look.RULE, 0.7, order=1)
        bodies = [body for station in design.stations for body in _cells(station)] + _parts(design)
        for k, (_, shapes, colour, edge) in enumerate(sorted(bodies, key=lambda body: -body[0])):
            for shape in shapes:
                pen.area(shape, colour, edge, order=2 + k)
        _names(design, pen)
        legend = [f"{n}  {words}" for n, words in enumerate(_leads(design, pen), start=1)]
        title = f"{design.title}: the pack in the vehicle"
        axes.text(EDGE_MM, SHEET_MM[1] - HEAD_MM / 2, title, fontsize=11, va="center", parse_math=False)
        _legend(axes, design, legend)
    return figure


class _Pen:
    """Draws points of the vehicle on the sheet."""

    def __init__(self, axes: Axes, scale: float, shift: Floats) -> None:
        self.axes, self.scale, self.shift = axes, scale, shift

    def at(self, points_mm: Floats) -> Floats:
        return np.asarray(flat(points_mm) * self.scale + self.shift)

    def line(self, points_mm: Floats, colour: str, width: float, *, order: float, dashed: bool = False) -> None:
        x, y = self.at(points_mm).T
        self.axes.plot(x, y, color=colour, lw=width, zorder=order, ls=(0, (3, 2)) if dashed else "-")

    def area(self, points_mm: Floats, colour: str, edge: str, *, order: float) -> None:
        x, y = self.at(points_mm).T
        self.axes.fill(x, y, facecolor=colour, edgecolor=edge, lw=0.25, zorder=order)

    def text(self, point_mm: Floats, text: str, **how: Any) -> None:
        x, y = self.at(point_mm)
        box = {"boxstyle": "round,pad=0.15", "facecolor": look.PAPER, "edgecolor": "none", "alpha": 0.85}
        self.axes.text(x, y, text, ha="center", va="center", parse_math=False, zorder=10_000, bbox=box, **how)


def outline(room: Compartment) -> list[Floats]:
    """Edges of a compartment in the vehicle, closed lines of shape (k, 3) [mm]; of a solid those of its block."""
    axis = room.extrude
    u, v = cross_axes(axis)
    profile = np.array([*room.profile_mm, room.profile_mm[0]], dtype=float)
    low, high = room.extent_mm[axis]
    ends = []
    for level in (low, high):
        ring = np.empty((len(profile), 3))
        ring[:, [u, v]], ring[:, axis] = profile, level
        ends.append(to_vehicle(room, ring))
    ribs = [np.array(pair) for pair in zip(ends[0][:-1], ends[1][:-1], strict=True)]
    return [*ends, *(ribs if len(ribs) <= 40 else [])]


Body = tuple[float, list[Floats], str, str]


def _cells(station: Station) -> list[Body]:
    """Cells in use, each as its outline and the end that is seen."""
    room, layout = station.compartment, station.layout
    turn = rotation(room.rotation_deg)
    found: list[Body] = []
    for k in np.flatnonzero(station.used):
        half, middle = layout.extents_mm[k] / 2, layout.centres_mm[k]
        along = np.zeros(3)
        along[layout.axis] = half[layout.axis]
        # The end that looks towards the eye.
        near = along if (turn @ along) @ AWAY < 0 else -along
        if layout.size.shape == "cylinder":
            u, v = cross_axes(layout.axis)
            angle = np.linspace(0.0, 2.0 * np.pi, SIDES, endpoint=False)
            ring = np.zeros((SIDES, 3))
            ring[:, u], ring[:, v] = half[u] * np.cos(angle), half[v] * np.sin(angle)
            ends = [to_vehicle(room, middle + ring + near), to_vehicle(room, middle + ring - near)]
            shapes = [_hull(np.concatenate(ends)), ends[0]]
        else:
            shapes = _faces(room, middle - half, middle + half)
        tint = TINTS[int(station.chain.group[k] + station.first_group) % len(TINTS)]
        found.append((float(to_vehicle(room, middle) @ AWAY), shapes, tint, look.SOFT))
    return found


def _parts(design: Design) -> list[Body]:
    rooms = {room.name: room for room in design.rooms}
    found: list[Body] = []
    for part in design.placed:
        low = np.array(part.corner_mm)
        high, room = low + part.extents_mm, rooms[part.compartment]
        found.append((float(to_vehicle(room, (low + high) / 2) @ AWAY), _faces(room, low, high), "#4e7a5f", look.INK))
    return found


def _faces(room: Compartment, low: Floats, high: Floats) -> list[Floats]:
    """Faces of a block that the eye sees, in the vehicle [mm]."""
    turn, ends, found = rotation(room.rotation_deg), np.array([low, high]), []
    for axis in range(3):
        u, v = cross_axes(axis)
        side = 0 if turn[:, axis] @ AWAY > 0 else 1
        ring = np.empty((4, 3))
        ring[:, axis] = ends[side, axis]
        ring[:, u], ring[:, v] = ends[[0, 1, 1, 0], u], ends[[0, 0, 1, 1], v]
        found.append(to_vehicle(room, ring))
    return found


def _hull(points_mm: Floats) -> Floats:
    """Those of the points that make the outline seen, in order."""
    seen = flat(points_mm)
    ring = shapely.get_coordinates(MultiPoint(seen).convex_hull.exterior)[:-1]
    picks = [int(np.argmin(np.hypot(*(seen - corner).T))) for corner in ring]
    return points_mm[picks]


def _names(design: Design, pen: _Pen) -> None:
    for room in design.rooms:
        corners = np.concatenate(outline(room))
        top = corners[np.argmax(flat(corners)[:, 1])]
        pen.text(top, room.name, fontsize=9, color=look.INK)
    rooms = {room.name: room for room in design.rooms}
    for part in design.placed:
        middle = np.array(part.corner_mm) + np.array(part.extents_mm) / 2
        pen.text(to_vehicle(rooms[part.compartment], middle), part.name, fontsize=7, color=look.INK)


def _leads(design: Design, pen: _Pen) -> list[str]:
    """Draw all wires along their ways, the power wires with numbers; what each of these is, in words."""
    words: list[str] = []
    for wire in design.harness.to_dict("records"):
        line = corners_of(str(wire["way_mm"]))
        if wire["purpose"] != "power":
            pen.line(line, look.SOFT, 0.5, order=4_999)
            continue
        word, colour = FUNCTIONS[function_of(wire)]
        words.append(f"{wire['from']} to {wire['to']}: {word}")
        pen.line(line, look.PAPER, 2.6, order=5_000)
        pen.line(line, colour, 1.3, order=5_001)
        longest = max(pairwise(line), key=lambda pair: float(np.linalg.norm(pair[1] - pair[0])))
        pen.text((longest[0] + longest[1]) / 2, str(len(words)), fontsize=7, color=colour, fontweight="bold")
    return words


def _legend(axes: Axes, design: Design, leads: Sequence[str]) -> None:
    lines = [*leads, *(part.words for part in design.placed)]
    notes = ["Cells tinted by series group; parts dark.", "Thin lines: balance leads and sensor wires."]
    if (design.harness["through"] == STRAIGHT).any():
        notes.append("Between boxes without a passage wires run straight.")
    for k, text in enumerate([*lines[:10], *notes]):
        column, row = divmod(k, 5)
        x, y = EDGE_MM + column * 100.0, FOOT_MM - 4.0 - row * 5.0
        axes.text(x, y, text[:70], fontsize=6.5, va="center", color=look.INK, parse_math=False)
