"""`cellstow ride` from files to a trace that a brief reads."""

import json

import numpy as np
import pytest
from click.testing import CliRunner
from rides import Truth, gpx

from optimizer.catalog import read_ride
from optimizer.cli import main


def run(*args):
    return CliRunner().invoke(main, ["ride", *map(str, args)])


@pytest.fixture
def logs(tmp_path):
    rng = np.random.default_rng(3)
    for seed in (1, 2):
        truth = Truth(seed, seconds=700)
        lat, lon = truth.degrees(rng.normal(0, 3, (2, 700)))
        (tmp_path / f"{seed}.gpx").write_text(gpx(lat, lon, truth.height_m + rng.normal(0, 2, 700), truth.time_s))
    return tmp_path


def test_json_has_the_keys_and_the_trace_is_what_the_brief_reads(logs):
    done = run(logs / "1.gpx", "--out", logs / "trace.csv", "--json")
    assert done.exit_code == 0, done.output
    record = json.loads(done.stdout)
    assert {"distance_km", "climb_m", "duration_s", "stops", "changes"} <= set(record)
    ride = read_ride(logs / "trace.csv")
    assert np.trapezoid(ride.speed_kmh, ride.time_s) / 3600 == pytest.approx(record["distance_km"], rel=1e-3)
    assert (logs / "trace.png").read_bytes()[:4] == b"\x89PNG"


def test_weights_repeat_and_each_writes_its_own(logs):
    one, two = (json.loads(run(logs / f"{k}.gpx", "--json").stdout) for k in (1, 2))
    both = json.loads(run(logs / "1.gpx", logs / "2.gpx", "--weight", 3, "--weight", 1, "--json").stdout)
    assert both["distance_km"] == pytest.approx(3 * one["distance_km"] + two["distance_km"], rel=1e-3)
    done = run(logs / "1.gpx", logs / "2.gpx", "--each", "--out", logs / "t.csv", "--json")
    assert [r["distance_km"] for r in json.loads(done.stdout)["rides"]] == [one["distance_km"], two["distance_km"]]
    assert (logs / "t-1.csv").is_file() and (logs / "t-2.png").is_file()


def test_bad_logs_are_all_named_and_nothing_is_overwritten(logs):
    (logs / "empty.csv").write_text("")
    kept = logs / "kept.csv"
    kept.write_text("mine")
    done = run(logs / "empty.csv", logs / "none.gpx", "--out", logs / "t.csv")
    assert done.exit_code == 2 and "empty-log" in done.output and "missing-file" in done.output
    assert "Traceback" not in done.output and not (logs / "t.csv").exists()
    done = run(logs / "1.gpx", "--out", kept)
    assert done.exit_code == 2 and kept.read_text() == "mine"
    done = run(logs / "1.gpx", "--column", "speed_parsec=x")
    assert done.exit_code == 2 and "bad-column" in done.output
