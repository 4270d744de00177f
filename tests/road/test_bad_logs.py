"""Logs as phones and controllers spoil them, by the command in an empty folder: a stated repair, or one message."""

import json
import os
import resource
import subprocess
import sys
from datetime import datetime, timedelta

import numpy as np
import pytest
from click.testing import CliRunner
from rides import Truth, fit, gpx

from optimizer.catalog import builtin_catalogs
from optimizer.cli import main

TRUTH = Truth(5, seconds=600)
LAT, LON = TRUTH.degrees()
KMH = [f"{3.6 * each:.1f}" for each in TRUTH.speed_m_s]
HEIGHT = [f"{each:.1f}" for each in TRUTH.height_m]
ORDER = np.random.default_rng(1).permutation(600).tolist()
ROWS = range(600)


def table(head, rows, *, sign=","):
    return "\n".join([head, *(sign.join(map(str, row)) for row in rows)]) + "\n"


def at(seconds, text="%H:%M:%S", *, hour=8, minute=0):
    return (datetime(2026, 5, 1, hour, minute) + timedelta(seconds=seconds)).strftime(text)


PLAIN = table("time_s,speed_kmh,altitude_m", [(k, KMH[k], HEIGHT[k]) for k in ROWS])
GPX = gpx(LAT, LON, TRUTH.height_m, TRUTH.time_s)
FIT = fit(LAT, LON, TRUTH.height_m, TRUTH.speed_m_s, TRUTH.time_s)
ISO = "%Y-%m-%dT%H:%M:%S"

#: Name → content, and what is said of the repair.
MENDED = {
    "shuffled.csv": (table("time_s,speed_kmh", [(k, KMH[k]) for k in ORDER]), "out of order"),
    "two-zones.csv": (
        table("time,speed_kmh", [(at(k, ISO) + "+02:00" if k < 300 else at(k - 3600, ISO) + "+01:00", KMH[k])
                                 for k in ROWS]), "2 time zones"),
    "zone-changed.csv": (
        table("time,speed_kmh", [(at(k - 3600 * (k > 300), ISO), KMH[k]) for k in ROWS]), "change of time zone"),
    "midnight.csv": (
        table("clock,speed_kmh", [(at(k, hour=23, minute=55), KMH[k]) for k in ROWS]), "midnight"),
    "miles-and-feet.csv": (
        table("time_s,Speed (mph),Elevation (ft)", [(k, f"{TRUTH.speed_m_s[k] / 0.44704:.2f}",
                                                    f"{TRUTH.height_m[k] / 0.3048:.1f}") for k in ROWS]), "(mph)"),
    "decimal-commas.csv": (
        "\ufeff" + table("Zeit;Geschwindigkeit [km/h];Höhe [m]", [
            (at(k), KMH[k].replace(".", ","), HEIGHT[k].replace(".", ",")) for k in ROWS], sign=";"), "Höhe [m]"),
    "no-mark-of-16-bits.csv": (PLAIN.encode("utf-16-le"), "speed_kmh"),
    "16-bits.csv": (PLAIN.replace(",", "\t").encode("utf-16"), "speed_kmh"),
    "minutes-and-seconds.csv": (
        table("Time,Speed km/h", [(f"{k // 60:02d}:{k % 60:02d}", KMH[k]) for k in ROWS]), "minutes and seconds"),
    "switched-off-and-on.csv": (
        table("time_s,speed_kmh", [(k if k < 300 else k - 300, KMH[k]) for k in ROWS]), "begins anew 1 time"),
    "units-in-values.csv": (
        table("Timestamp,Speed,Elevation", [(at(k, ISO), f"{KMH[k]} km/h", f"{HEIGHT[k]} m") for k in ROWS]), "(kmh)"),
    "seconds-since-1970.csv": (table("unix,speed_kmh", [(1777622400 + k, KMH[k]) for k in ROWS]), "unix"),
    "written-twice.csv": (PLAIN + PLAIN.split("\n", 1)[1], "doubled stamps: 600"),
    "header-again.csv": ("".join(PLAIN[:5000].rpartition("\n")[:2]) + PLAIN[:27] + PLAIN[5000:], "left out"),
    "points-without-time.gpx": ("".join(
        each.replace("<time>", "<cmt>").replace("</time>", "</cmt>") if k % 9 == 4 else each
        for k, each in enumerate(GPX.splitlines(keepends=True))), "points without a time left out"),
    "hours-between.gpx": (
        gpx(LAT, LON, TRUTH.height_m, TRUTH.time_s + 7200.0 * (TRUTH.time_s > 300)), "pauses without rows cut out: 1"),
    "bad-checksum.fit": (FIT[:-1] + bytes([FIT[-1] ^ 0x55]), "checksum is wrong"),
}  # fmt: skip
#: Cut off: half a ride is left.
CUT = {
    "cut.csv": (PLAIN[: PLAIN.index("\n300,") + 7], "cut off"),
    "cut.gpx": (GPX[: len(GPX) // 2], "cut off"),
    "cut.fit": (FIT[: len(FIT) // 2], "cut off or damaged"),
}
#: Refused, under a code.
REFUSED = {
    "empty.csv": ("", "empty-log"),
    "header-alone.csv": ("time_s,speed_kmh\n", "empty-log"),
    "still.csv": (table("time_s,speed_kmh", [(k, 0) for k in ROWS]), "no-movement"),
    "zone-here-and-there.csv": (
        table("time,speed_kmh", [(at(k, ISO) + "Z" * (k % 2), KMH[k]) for k in ROWS]), "zones"),
    "unit-unknown.csv": (table("time_s,Speed", [(k, KMH[k]) for k in ROWS]), "unknown-unit"),
    "drawn.gpx": (GPX.replace("<time>", "<cmt>").replace("</time>", "</cmt>"), "no-time"),
    "neither-way-nor-speed.tcx": (
        "<TrainingCenterDatabase><Track>" + "".join(
            f"<Trackpoint><Time>{at(k, ISO)}Z</Time><AltitudeMeters>{HEIGHT[k]}</AltitudeMeters></Trackpoint>"
            for k in ROWS) + "</Track></TrainingCenterDatabase>", "no-speed"),
}  # fmt: skip


@pytest.fixture(autouse=True)
def empty_folder(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    return tmp_path


def ride(name, content):
    with open(name, "wb") as stream:
        stream.write(content if isinstance(content, bytes) else content.encode())
    return CliRunner().invoke(main, ["ride", name, "--json"])


@pytest.mark.parametrize("name", list(MENDED | CUT))
def test_a_repair_is_stated(name):
    content, said = (MENDED | CUT)[name]
    done = ride(name, content)
    assert done.exit_code == 0, done.output
    record, share = json.loads(done.stdout), 0.5 if name in CUT else 1.0
    assert said in " ".join(record["changes"])
    assert record["distance_km"] == pytest.approx(share * TRUTH.way_m[-1] / 1000.0, rel=0.02 if share == 1.0 else 0.2)
    assert record["duration_s"] == pytest.approx(share * 599, abs=40.0 if share < 1.0 else 7.0)
    assert os.listdir() == [name]


@pytest.mark.parametrize("name", list(REFUSED))
def test_a_refusal_is_one_message(name):
    content, code = REFUSED[name]
    done = ride(name, content)
    assert done.exit_code == 2 and code in done.output and name in done.output and "Traceback" not in done.output
    assert os.listdir() == [name]


def test_a_log_of_three_rows_calibrates_nothing_in_one_message():
    with open("short.csv", "w", encoding="utf-8") as stream:
        stream.write("time_s,speed_kmh\n0,5\n1,6\n2,5\n")
    brief = builtin_catalogs() / "briefs" / "cargo-scooter.toml"
    done = CliRunner().invoke(main, ["calibrate", str(brief), "short.csv"])
    assert done.exit_code == 2 and "nothing-told" in done.output and "Traceback" not in done.output
    assert os.listdir() == ["short.csv"]


@pytest.mark.nightly
def test_two_million_rows_in_bounded_memory():
    """Ten rows a second for 55 hours: under 900 MiB, telling of its progress."""
    lap = np.interp(np.arange(6000) / 10.0, TRUTH.time_s, 3.6 * TRUTH.speed_m_s)
    speed = np.round(np.tile(lap, 334)[:2_000_000], 2)
    with open("long.csv", "w", encoding="utf-8") as stream:
        stream.write("time_s,speed_kmh,altitude_m,voltage_v,current_a\n")
        stream.writelines(f"{k / 10:.1f},{v},100.0,51.2,{0.3 * v:.2f}\n" for k, v in enumerate(speed.tolist()))
    code = [sys.executable, "-m", "optimizer", "ride", "long.csv", "--out", "trace.csv", "--json"]
    done = subprocess.run(code, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr[-2000:]
    assert "% read" in done.stderr and "shortened" in json.loads(done.stdout)
    assert resource.getrusage(resource.RUSAGE_CHILDREN).ru_maxrss < 900 * 1024
