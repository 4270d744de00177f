"""Solids of compartments and keep-outs stored inside design.json, so that the file is complete."""

from __future__ import annotations

import base64
import zlib
from collections.abc import Sequence
from typing import Any

import numpy as np

from optimizer.brief import Brief
from optimizer.fit.region.compartment import Compartment
from optimizer.fit.region.solid import Solid

# A packed body unpacks to no more than this.
MOST_BYTES = 128 * 2**20


def portable(brief: Brief) -> dict[str, Any]:
    """A brief as plain JSON values in which each body has the name that `solids_of` gives it."""
    data: dict[str, Any] = brief.model_dump(mode="json", exclude_none=True)
    number = 0
    for room in data["compartment"]:
        for item in (room, *room.get("keep_out", ())):
            for key in ("profile", "profile_layer", "profile_units"):
                item.pop(key, None)  # its corners stand in profile_mm
            if item["shape"] == "solid":
                item |= {"solid": f"solid_{number}.stl", "units": "mm"}
                number += 1
    return data


def solids_of(rooms: Sequence[Compartment]) -> dict[str, str]:
    """Bodies of compartments and keep-outs by name, packed; in the order in which a brief has them."""
    found: list[tuple[Solid, tuple[float, float, float]]] = []
    for room in rooms:
        if room.solid is not None:
            found.append((room.solid, (0.0, 0.0, 0.0)))
        found += [(part.solid, part.solid.origin_mm) for part in room.keep_outs if part.solid is not None]
    return {f"solid_{k}.stl": packed(solid, shift) for k, (solid, shift) in enumerate(found)}


def packed(solid: Solid, shift_mm: Sequence[float]) -> str:
    """A body as binary STL in its file's own axes, deflated, in base 64."""
    triangles = (solid.triangles - np.asarray(shift_mm)).astype("<f4")
    record = np.zeros(len(triangles), dtype=[("v", "<f4", (4, 3)), ("attribute", "<u2")])
    record["v"][:, 1:] = triangles
    data = b"cellstow".ljust(80) + np.array([len(triangles)], dtype="<u4").tobytes() + record.tobytes()
    return base64.b64encode(zlib.compress(data, 9)).decode("ascii")


def unpacked(text: str) -> bytes:
    """What `packed` made, as a file.

    Raises
    ------
    ValueError
        If it is no packed body, or too large.
    """
    reader = zlib.decompressobj()
    try:
        data = reader.decompress(base64.b64decode(text, validate=True), MOST_BYTES)
    except (zlib.error, ValueError) as wrong:
        raise ValueError(f"a packed solid can't be read: {wrong}") from None
    if reader.unconsumed_tail:
        raise ValueError("a packed solid is too large")
    return data
