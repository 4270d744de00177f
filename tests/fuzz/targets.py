"""Everything that reads a file, with a sound file for each and the numbers that it takes from it."""

import io
from dataclasses import dataclass, fields
from pathlib import Path
from typing import Any

import numpy as np

from optimizer.base.problems import BadInput
from optimizer.catalog import (
    builtin_catalogs,
    read_bms,
    read_cells,
    read_chargers,
    read_fuses,
    read_ocv,
    read_ride,
    read_strips,
    read_wires,
)
from optimizer.cell.curves import read_curves, read_profile, read_pulses

CATALOGS = builtin_catalogs()
FLAT = {
    "prismatic": "slab-a,own,prismatic,,120.0,34.0,12.0,0.2,LFP,6.0,5.9,3.2,3.65,2.5,6.5,12,24,10,3,125.0,9.5,"
    "50:9;200:8,40,-10,55,,5",
    "pouch": "pouch-a,own,pouch,,130.0,60.0,9.0,,NMC,8.0,7.8,3.7,4.2,3.0,5.0,24,60,10,8,170.0,14.0,,,-20,60,own.csv,",
}
OWN = "soc,ocv_v\n0,3.0\n0.1,3.4\n0.3,3.55\n0.5,3.65\n0.7,3.85\n0.9,4.05\n1,4.18\n"
CURVES = "current_a,capacity_ah,voltage_v\n" + "".join(
    f"{amp},{charge:.3f},{4.1 - 0.05 * amp - charge / 3 - 0.6 * (charge / 3) ** 9:.4f}\n"
    for amp in (0.6, 3.0)
    for charge in np.linspace(0.0, 3.0 - 0.05 * amp, 12)
)
PULSES = "soc,current_a,time_s,voltage_before_v,voltage_v\n" + "".join(
    f"{soc},3.0,{time},{3.4 + 0.7 * soc:.3f},{3.4 + 0.7 * soc - 0.09 - 0.02 * time / 10:.3f}\n"
    for soc in (0.2, 0.5, 0.8)
    for time in (0.1, 10)
)
PROFILE = "time_s,power_w\n0,5\n60,5\n61,12\n70,12\n71,-2\n90,-2\n91,4\n200,4\n"


def lines(name, *, first, step=1, most=100):
    """Some rows of a demo table, without its notes."""
    text = (CATALOGS / name).read_text(encoding="utf-8")
    rows = [line for line in text.splitlines() if line and not line.startswith("#")]
    return "\n".join([rows[0], *rows[1 + first :: step][:most]]) + "\n"


def with_terminals(text):
    """A cell table with the columns of terminals and models, which the demo's leaves out."""
    head, *rows = text.splitlines()
    steps = "-5:0.05;10:0.3"
    more = {True: f",ends,7.4,,,,,,,,,{steps}", False: f",same_end,,6,15,terminals,12,6.5,60,2,,{steps}"}
    names = ",terminal_layout,positive_diameter_mm,terminal_mm,terminal_spacing_mm,vent_end,stud_mm,fastener_mm"
    names += ",pressure_kpa,tie_plate_mm,model,charge_limits"
    return "\n".join([head + names, *(row + more[",cylinder," in row] for row in rows)]) + "\n"


def with_tabs(text):
    """A table of strips with the columns of tabs on sheet, which its last sheet gets, and of collectors on nickel."""
    before, after = text.rsplit(",sheet,", 1)
    head, *rows = f"{before},tabbed,{after}".splitlines()
    names = ",tab_mm,tab_width_mm,tab_price_per_m,tab_density_a_mm2,collector_mm,collector_width_mm"
    names += ",collector_material,collector_price_per_m,collector_density_a_mm2"
    tab, none, collector = ",0.15,6,1.1,5,,,,,", ",,,,,,,,,", ",,,,,1.0,10,copper,4,12"
    more = [tab if ",tabbed," in row else collector if row.startswith("nickel") else none for row in rows]
    return "\n".join([head + names, *(row + cells for row, cells in zip(rows, more, strict=True))]) + "\n"


@dataclass(frozen=True)
class Target:
    """A kind of file: what it is called, a sound one, its neighbours in the folder, and how it is read.

    read gives numbers by column, as taken from the file; comments: rows that begin with # are passed over.
    """

    name: str
    file: str
    content: bytes
    read: Any
    beside: dict[str, str] | None = None
    comments: bool = False


def numbers_of(catalog):
    """Number columns of a catalog table that stand in its file."""
    found = {}
    for item in fields(catalog):
        value = getattr(catalog, item.name)
        if (
            isinstance(value, np.ndarray)
            and value.dtype.kind in "fi"
            and value.ndim == 1
            and item.name in catalog.frame
        ):
            found[item.name] = value.astype(float).tolist()
    return found


def _catalog(reader):
    return lambda path: numbers_of(reader(path))


def _cells(path):
    cells = read_cells(path)
    extra = {
        "break_price": cells.break_price.ravel().tolist(),
        "break_quantity": [q for q in cells.break_quantity.ravel().tolist() if np.isfinite(q)],
    }
    return numbers_of(cells) | extra


def _own_curve(path):
    curve = read_cells(path.parent / "cells.csv").curves
    own = next(item for item in curve if Path(item.file).name == path.name)
    return {"soc": own.soc.tolist(), "ocv_v": own.ocv_v.tolist()}


def _named(reader, names):
    def read(path):
        found = reader(path)
        return {name: getattr(found, name).tolist() for name in names}

    return read


def _characterize(reader):
    def read(path):
        problems = []
        found = reader(path, problems)
        if problems:
            raise BadInput(problems)
        if isinstance(found, tuple):
            return {"time_s": found[0].tolist(), "power_w": found[1].tolist()}
        return {}

    return read


def _sorted_curves(path):
    """Curves are put in order and grouped, so that only what they span can be held against the file."""
    problems = []
    curves = read_curves(path, problems)
    if problems:
        raise BadInput(problems)
    values = {"current_a": [c.current_a for c in curves]}
    for name in ("capacity_ah", "voltage_v"):
        values[name] = np.concatenate([getattr(c, name) for c in curves]).tolist()
    assert len(curves) >= 2 and all(np.isfinite(v).all() for v in values.values())
    return {name: v for name, v in values.items() if name != "capacity_ah"} | {"_unordered": []}


def _pulses(path):
    problems = []
    pulses = read_pulses(path, problems)
    if problems:
        raise BadInput(problems)
    return {
        "soc": [p.soc for p in pulses],
        "time_s": np.concatenate([p.time_s for p in pulses]).tolist(),
        "voltage_before_v": [p.rest_v for p in pulses],
        "_unordered": [],
    }


def sized_fuses():
    """A table of fuses with the columns of their sizes."""
    head, *rows = lines("fuses.csv", first=0, step=2).splitlines()
    return "\n".join([head + ",length_mm,width_mm,height_mm", *(row + ",52,22,20" for row in rows), ""]).encode()


TARGETS = (
    Target(
        "cells",
        "cells.csv",
        with_terminals(lines("cells.csv", first=0, step=9, most=5) + "\n".join(FLAT.values()) + "\n").encode(),
        _cells,
        {"own.csv": OWN},
    ),
    Target(
        "own curve",
        "own.csv",
        OWN.encode(),
        _own_curve,
        {"cells.csv": lines("cells.csv", first=0, most=1) + FLAT["pouch"] + "\n"},
    ),
    Target("strips", "strips.csv", with_tabs(lines("strips.csv", first=0, step=2)).encode(), _catalog(read_strips)),
    Target("wires", "wires.csv", lines("wires.csv", first=0, step=2).encode(), _catalog(read_wires)),
    Target("bms", "bms.csv", lines("bms.csv", first=0, step=3).encode(), _catalog(read_bms)),
    Target("fuses", "fuses.csv", sized_fuses(), _catalog(read_fuses)),
    Target("chargers", "chargers.csv", lines("chargers.csv", first=0, step=3).encode(), _catalog(read_chargers)),
    Target("ocv", "NMC.csv", lines("ocv/NMC.csv", first=0, step=10).encode(), _named(read_ocv, ("soc", "ocv_v"))),
    Target(
        "ride",
        "ride.csv",
        lines("rides/urban-hills.csv", first=0, most=60).encode(),
        _named(read_ride, ("time_s", "speed_kmh", "grade_pct")),
    ),
    Target("curves", "curves.csv", CURVES.encode(), _sorted_curves, comments=True),
    Target("pulses", "pulses.csv", PULSES.encode(), _pulses, comments=True),
    Target("profile", "profile.csv", PROFILE.encode(), _characterize(read_profile), comments=True),
)


def as_parquet(data, *, change=None):
    """A sound table as Parquet, its columns with the types that pandas gives them; change alters the table."""
    import pandas as pd
    import pyarrow as pa
    import pyarrow.parquet as pq

    table = pa.Table.from_pandas(pd.read_csv(io.BytesIO(data)), preserve_index=False)
    sink = pa.BufferOutputStream()
    pq.write_table(change(table) if change else table, sink)
    return bytes(sink.getvalue())
