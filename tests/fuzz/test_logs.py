"""Damaged logs and tables of measured cells: a sound ride or sound groups, or one refusal, and nothing else."""

import os

import numpy as np
import pytest
from drives import drive
from rides import Truth, fit, gpx

from optimizer.base.problems import BadInput
from optimizer.bench.match import match
from optimizer.bench.measured import read_measured
from optimizer.road.calibrate import calibrate
from optimizer.road.energy import Road
from optimizer.road.reading import read_log
from optimizer.road.ride import clean

TRUTH = Truth(seed=2, seconds=140)
LAT, LON = TRUTH.degrees()
TOKENS = ("", "nan", "inf", "-inf", "1e308", "-1", "0", "999999999999", "1,5", "x", '"', ";", "\x00", "25:61:99",
          "-0.0", "2026-13-45T99:99Z", "1e-320", "٣", "=1+1", "<", "&", "\ud7ff")  # fmt: skip


def csv_log():
    rows = zip(TRUTH.time_s, 3.6 * TRUTH.speed_m_s, TRUTH.height_m, strict=True)
    return "time_s,speed_kmh,altitude_m,voltage_v,current_a\n" + "".join(
        f"{t:.0f},{v:.1f},{h:.1f},51.2,{0.3 * v:.2f}\n" for t, v, h in rows
    )


def cells():
    rng = np.random.default_rng(0)
    return "id,capacity_ah,resistance_mohm,mass_g\n" + "".join(
        f"M{k},{3 + 0.02 * rng.normal():.3f},{25 + 0.4 * rng.normal():.2f},69.5\n" for k in range(14)
    )


SOUND = {
    "log.csv": csv_log().encode(),
    "log.gpx": gpx(LAT, LON, TRUTH.height_m, TRUTH.time_s).encode(),
    "log.fit": fit(LAT, LON, TRUTH.height_m, TRUTH.speed_m_s, TRUTH.time_s),
    "cells.csv": cells().encode(),
}


def damaged(content, rng):
    """The file with one to four faults, in its bytes, its lines or its fields."""
    for _ in range(rng.integers(1, 5)):
        kind, size = rng.integers(7), max(len(content), 1)
        at, more = int(rng.integers(size)), int(rng.integers(1, 1 + max(size // 6, 1)))
        lines = content.split(b"\n")
        row = int(rng.integers(len(lines)))
        if kind == 0:
            content = content[:at]
        elif kind == 1:
            content = content[:at] + content[at + more :]
        elif kind == 2:
            content = content[:at] + content[at : at + more] + content[at:]
        elif kind == 3:
            content = content[:at] + rng.bytes(int(rng.integers(1, 5))) + content[at + 1 :]
        elif kind == 4:
            rng.shuffle(lines)
            content = b"\n".join(lines)
        elif kind == 5:
            fields = lines[row].split(b",")
            fields[int(rng.integers(len(fields)))] = TOKENS[rng.integers(len(TOKENS))].encode("utf-8", "surrogatepass")
            content = b"\n".join([*lines[:row], b",".join(fields), *lines[row + 1 :]])
        else:
            column = int(rng.integers(5))
            token = TOKENS[rng.integers(len(TOKENS))].encode("utf-8", "surrogatepass")
            parts = [line.split(b",") for line in lines]
            content = b"\n".join(b",".join(token if k == column else f for k, f in enumerate(p)) for p in parts)
    return content


def taken(path):
    """What comes of a file is whole: finite numbers within what a ride can be, every cell once."""
    if path.name == "cells.csv":
        found = match(read_measured(path), series=4, parallel=3)
        seats = found.groups.ravel().tolist()
        assert len(set(seats)) == 12 and np.isfinite(found.group_ah).all() and np.isfinite(found.group_mohm).all()
        assert found.bound_ah <= found.spread_ah + 1e-9
        return
    ride = clean(read_log(path))
    for values in (ride.speed_m_s, ride.grade, ride.height_m):
        assert np.isfinite(values).all() and len(values) == len(ride)
    assert (ride.speed_m_s >= 0).all() and ride.speed_m_s.max() <= 70 and np.abs(ride.grade).max() < 0.4
    assert ride.changes[0].startswith("distance")


@pytest.mark.parametrize("name", list(SOUND))
def test_damaged_files_become_rides_or_one_refusal(name, tmp_path):
    for number in range(int(os.environ.get("CELLSTOW_FUZZ", "600")) // 10):
        rng = np.random.default_rng([number, len(name)])
        path = tmp_path / name
        path.write_bytes(damaged(SOUND[name], rng))
        said = ["a ride"]
        try:
            taken(path)
        except BadInput as bad:
            said = [each.text() for each in bad.problems]
        except Exception as error:
            raise AssertionError(f"{name} {number}: {error!r}") from error
        assert said and all(said), number


def test_a_damaged_log_does_not_break_a_calibration(tmp_path):
    """Whatever current says: values within their bounds or kept, errors finite."""
    log = drive(1, seconds=400)
    road = Road(0.75, 0.02, 0.8, 5.0, 124.0, 0.0, 1.05, 1.19)
    for change in (0.0, np.nan, 1e6, -1.0):
        columns = dict(log.columns) | {"current_a": log.columns["current_a"] * change}
        found = calibrate([clean(type(log)("log", log.time_s, columns))], road=road)
        for each in found.values.values():
            assert np.isfinite(each.value) and (each.se is None or np.isfinite(each.se))
