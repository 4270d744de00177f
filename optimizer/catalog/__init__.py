"""Catalogs: cells, strips, wires, BMS, fuses and chargers, their OCV curves, and a ride's trace.

Each reader returns a frozen table of NumPy arrays, one per column and named like it, beside the pandas
frame as read. All faults of a file are raised together as BadInput.
"""

from optimizer.catalog.cells import read_cells
from optimizer.catalog.ocv import OcvCurve, builtin_catalogs, ocv_curve, read_ocv
from optimizer.catalog.parts import read_bms, read_chargers, read_fuses, read_strips, read_wires
from optimizer.catalog.ride_trace import TraceColumns, read_ride
from optimizer.catalog.selection import matching, pattern_problems
from optimizer.catalog.tables import file_sha256
from optimizer.catalog.types import Bms, Catalog, Cells, Chargers, Fuses, Strips, Wires

__all__ = [
    "Bms",
    "Catalog",
    "Cells",
    "Chargers",
    "Fuses",
    "OcvCurve",
    "Strips",
    "TraceColumns",
    "Wires",
    "builtin_catalogs",
    "file_sha256",
    "matching",
    "ocv_curve",
    "pattern_problems",
    "read_bms",
    "read_cells",
    "read_chargers",
    "read_fuses",
    "read_ocv",
    "read_ride",
    "read_strips",
    "read_wires",
]
