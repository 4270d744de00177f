"""FIT files: records of a ride, by fitdecode (the extra `logs`)."""

from __future__ import annotations

import warnings
from pathlib import Path
from typing import Any

import numpy as np

from optimizer.base.arrays import Floats
from optimizer.road.log import Progress, RawLog, refuse, silent

# Field of a record → ours; the later one goes before the earlier one.
FIELDS = (
    ("altitude", "altitude_m"), ("enhanced_altitude", "altitude_m"), ("speed", "speed_m_s"),
    ("enhanced_speed", "speed_m_s"), ("distance", "distance_m"),
)  # fmt: skip
# Positions are counted in 2^31 parts of a half turn.
DEG_PER_SEMICIRCLE = 180.0 / 2**31


def read_fit_log(path: Path, *, progress: Progress = silent) -> RawLog:
    """Read a FIT file.

    One with a wrong checksum, or cut off, gives the records that can be read, and says so.

    Parameters
    ----------
    progress : callable
        Told the share that is read.

    Raises
    ------
    BadInput
        Codes: no-fitdecode, bad-fit, empty-log.
    """
    try:
        import fitdecode
    except ImportError:
        raise refuse("no-fitdecode", str(path), "is a FIT file: pip install 'cellstow[logs]' reads it") from None
    rows: list[dict[str, float]] = []
    wrong = ""
    with warnings.catch_warnings(record=True) as caught:
        warnings.simplefilter("always")
        size = max(path.stat().st_size, 1)
        try:
            with fitdecode.FitReader(path, check_crc=fitdecode.CrcCheck.WARN) as reader:
                for frame in reader:
                    if frame.frame_type == fitdecode.FIT_FRAME_DATA and frame.name == "record":
                        rows.append(_record(frame))
                        if len(rows) % 20_000 == 0:
                            progress(min(frame.chunk.offset / size, 1.0))
        # A damaged file may fail anywhere in the decoder: as a FIT error, or on a value that makes no sense.
        except Exception as error:
            wrong = f"{type(error).__name__}: {error}"
        crc = [str(each.message) for each in caught if "crc" in str(each.message).lower()]
    rows = [row for row in rows if np.isfinite(row.get("time_s", np.nan))]
    if not rows:
        raise refuse("bad-fit" if wrong else "empty-log", str(path), "holds no record of a ride that can be read",
                     found=wrong[:200])  # fmt: skip
    notes = []
    if crc or "Crc" in wrong:
        notes.append("the file's checksum is wrong: it was damaged; what could be read is used, jumps are taken out")
    if wrong:
        notes.append(f"the file is cut off or damaged ({wrong[:120]}); the {len(rows)} records before are used")
    names = {name for row in rows for name in row}
    columns: dict[str, Floats] = {
        name: np.array([row.get(name, np.nan) for row in rows]) for name in sorted(names - {"time_s"})
    }
    time_s = np.array([row["time_s"] for row in rows])
    return RawLog(str(path), time_s, {k: v for k, v in columns.items() if np.isfinite(v).any()}, notes=tuple(notes))


def _record(frame: Any) -> dict[str, float]:
    """What one record says, in our names and units."""
    found: dict[str, float] = {}
    moment = frame.get_value("timestamp", fallback=None)
    if hasattr(moment, "timestamp"):
        found["time_s"] = float(moment.timestamp())
    for name, ours in FIELDS:
        value = frame.get_value(name, fallback=None)
        if isinstance(value, int | float):
            found[ours] = float(value)
    for name, ours in (("position_lat", "latitude_deg"), ("position_long", "longitude_deg")):
        value = frame.get_value(name, fallback=None)
        if isinstance(value, int | float):
            found[ours] = float(value) * DEG_PER_SEMICIRCLE
    return found
