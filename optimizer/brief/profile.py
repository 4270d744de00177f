"""A compartment's profile read from a DXF file: one closed outline, scaled by the file's units."""

from __future__ import annotations

import copy
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any

import numpy as np
import shapely

from optimizer.base.problems import Problem
from optimizer.brief.faults import Loc, dotted, key_lines, line_of, show

#: Units of a drawing by its header $INSUNITS (DXF reference), and by the words of a brief [mm].
HEADER_UNITS = {1: 25.4, 2: 304.8, 4: 1.0, 5: 10.0, 6: 1000.0}
UNITS = {"mm": 1.0, "cm": 10.0, "m": 1000.0, "inch": 25.4}

#: Chords of arcs and splines stay this near to them, ends nearer than SNAP_MM meet [mm].
CHORD_MM = 0.01
SNAP_MM = 1e-3

MOST_BYTES = 64 * 2**20


class ProfileError(ValueError):
    """What is wrong with a drawing: code, found, expected."""


def with_profiles(
    data: Mapping[str, Any], *, folder: Path, file: str, text: str
) -> tuple[dict[str, Any], list[Problem]]:
    """A parsed brief with the corners of every profile that a drawing holds as `profile_mm` beside `profile`.

    Problems: conflict, bad-profile, no-outline, several-outlines, unknown-units.
    """
    if not any(True for _ in _drawn(data)):
        return dict(data), []
    out, problems, lines = copy.deepcopy(dict(data)), [], key_lines(text)
    for loc, item in _drawn(out):
        place = (*loc, "profile")
        if "profile_mm" in item:
            words = "and profile_mm exclude each other: a drawing, or corners"
            problems.append(Problem("conflict", file, line_of(lines, place), dotted(place, data), "", words))
            continue
        path, layer, units = folder / str(item["profile"]), item.get("profile_layer"), item.get("profile_units")
        if not path.is_file() or not (units is None or units in UNITS):
            item["profile_mm"] = [[0.0, 0.0], [100.0, 0.0], [0.0, 100.0]]  # said elsewhere
            continue
        try:
            item["profile_mm"] = read_profile(path, layer=layer, units=units)
        except ProfileError as wrong:
            code, found, expected = wrong.args
            problems.append(Problem(code, str(path), "", dotted(place, data), found, expected))
    return out, problems


def _drawn(data: Mapping[str, Any]) -> Iterator[tuple[Loc, dict[str, Any]]]:
    """Tables of compartments and keep-outs whose profile is a drawing, with their places."""
    rooms = data.get("compartment")
    for k, room in enumerate(rooms if isinstance(rooms, list) else []):
        if not isinstance(room, dict):
            continue
        if isinstance(room.get("profile"), str) and room["profile"]:
            yield ("compartment", k), room
        parts = room.get("keep_out")
        for m, part in enumerate(parts if isinstance(parts, list) else []):
            if isinstance(part, dict) and isinstance(part.get("profile"), str) and part["profile"]:
                yield ("compartment", k, "keep_out", m), part


def read_profile(path: Path, *, layer: str | None = None, units: str | None = None) -> list[list[float]]:
    """Corners of the one closed outline of a drawing.

    Parameters
    ----------
    path : Path
        DXF file.
    layer : str, optional
        Where the outline lies; left out: anywhere.
    units : str, optional
        Key of UNITS; left out: what the file says.

    Returns
    -------
    list of [x, y]
        [mm]

    Raises
    ------
    ProfileError
        With code, what was found, and what is expected.
    """
    drawing = _drawing(path)
    scale = HEADER_UNITS.get(int(drawing.header.get("$INSUNITS", 0)))
    if units is not None:
        if scale is not None and abs(scale - UNITS[units]) > 1e-9:
            says = next((name for name, size in UNITS.items() if size == scale), "feet")
            raise ProfileError("conflict", f'profile_units = "{units}"', f"and the drawing says {says}: leave it out")
        scale = UNITS[units]
    if scale is None:
        raise ProfileError("unknown-units", "no units", 'must say its units: add profile_units = "mm", "inch", …')
    found = _outlines(drawing, layer, scale)
    if not found:
        layers = ", ".join(sorted({item.dxf.layer for item in drawing.modelspace()})) or "none"
        where = f"on layer {show(layer)}" if layer else "anywhere"
        raise ProfileError("no-outline", f"layers {layers}", f"must hold one closed outline; there is none {where}")
    if len(found) > 1:
        each = "; ".join(f"{name}: {_size(ring)}" for name, ring in found[:4])
        raise ProfileError("several-outlines", f"{len(found)} closed outlines", f"must be one; name its layer by "
                           f"profile_layer, or leave the others out ({each})")  # fmt: skip
    corners = np.round(found[0][1], 6)
    if len(corners) > 2000:
        corners = shapely.get_coordinates(shapely.simplify(shapely.linearrings(corners), 2 * CHORD_MM))[:-1]
    return [[float(x), float(y)] for x, y in corners]


def _size(ring: Any) -> str:
    wide, high = np.ptp(ring, axis=0)
    return f"{wide:.4g} × {high:.4g} mm at x {ring[:, 0].min():.4g}, y {ring[:, 1].min():.4g}"


def _drawing(path: Path) -> Any:
    from ezdxf.filemanagement import readfile

    if path.stat().st_size > MOST_BYTES:
        raise ProfileError("bad-profile", f"{path.stat().st_size / 2**20:.0f} MiB", "must be at most 64 MiB")
    try:
        return readfile(path)
    except Exception as wrong:  # a reader of foreign files fails in any way; the reader's own word is told
        text = str(wrong)[:120]
        raise ProfileError("bad-profile", type(wrong).__name__, f"can't be read as DXF: {text}") from None


def _outlines(drawing: Any, layer: str | None, scale: float) -> list[tuple[str, Any]]:
    """Closed outlines with their layers: closed curves, and loops of open ones that meet end to end."""
    from ezdxf.path import make_path

    closed: list[tuple[str, Any]] = []
    loose: dict[str, list[Any]] = {}
    for item in drawing.modelspace():
        name = str(item.dxf.layer)
        if layer is not None and name.casefold() != layer.casefold():
            continue
        try:
            curve = make_path(item)
        except TypeError:
            continue  # texts, dimensions and the like have no path
        points = np.array([(p.x, p.y) for p in curve.flattening(CHORD_MM / scale)]) * scale
        if len(points) < 2 or not np.isfinite(points).all():
            continue
        if len(points) > 3 and np.linalg.norm(points[0] - points[-1]) < SNAP_MM:
            closed.append((name, points[:-1]))
        else:
            loose.setdefault(name, []).append(np.round(points / SNAP_MM) * SNAP_MM)
    for name, lines in loose.items():
        joined = shapely.line_merge(shapely.multilinestrings([shapely.linestrings(line) for line in lines]))
        for part in shapely.get_parts(joined):
            if part.is_ring:
                closed.append((name, shapely.get_coordinates(part)[:-1]))
    return [(name, ring) for name, ring in closed if shapely.Polygon(ring).area > 1e-6]
