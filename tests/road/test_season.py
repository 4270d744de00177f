"""The invented season of the demo: every log is read and cleaned, the vehicle is fitted, the cells are matched."""

import json
import re
from pathlib import Path

import pandas as pd
import pytest
from click.testing import CliRunner

from optimizer.bench.match import match
from optimizer.bench.measured import read_measured
from optimizer.catalog import builtin_catalogs
from optimizer.cli import main
from optimizer.road.calibrate import calibrate
from optimizer.road.energy import Road
from optimizer.road.reading import read_log
from optimizer.road.ride import clean

SEASON, ROOT = builtin_catalogs() / "season", Path(__file__).parents[2]
LOGS = ("spring-controller.csv", "summer-phone.gpx", "autumn-controller.csv", "winter-phone.csv")


def test_four_logs_say_that_they_are_invented_and_become_rides():
    for name in LOGS:
        assert "invented" in (SEASON / name).read_text(encoding="utf-8")[:400]
        ride = clean(read_log(SEASON / name))
        assert 5.0 < ride.after.distance_km < 15.0 and ride.after.climb_m < ride.before.climb_m


def test_the_vehicle_of_the_season_is_found():
    """The logs were made with CdA 0.68 m² and Crr 0.0165 at 132 kg: the brief's 124, the pick's 4.9, 3.1 of luggage."""
    road = Road(0.75, 0.015, 0.8, 8.0, 132.0, 0.0, 1.05, 1.19)
    found = calibrate([clean(read_log(SEASON / name)) for name in (LOGS[0], LOGS[2])], road=road).values
    assert abs(found["cda_m2"].value - 0.68) < 2 * found["cda_m2"].se
    assert abs(found["crr"].value - 0.0165) < 2 * found["crr"].se


def test_seventy_cells_fill_sixty_seats():
    found = match(read_measured(SEASON / "measured-cells.csv"), series=20, parallel=3)
    assert [each.id for each in found.rejected] == ["C12", "C34", "C59"] and len(found.spares) == 7
    assert found.spread_ah - found.bound_ah < 1e-3 * found.group_ah.mean()
    assert found.group_mohm.min() == pytest.approx(found.group_mohm.max(), rel=0.01)


def test_the_readme_names_a_pack_of_the_committed_run():
    readme = (ROOT / "README.md").read_text(encoding="utf-8")
    front = pd.read_csv(ROOT / "results" / "demo" / "front.csv").set_index("design_id")
    for design in re.findall(r"results/demo:(\w+)", readme):
        assert f"{front.loc[design, 'series']}S{front.loc[design, 'parallel']}P" == "20S3P"


@pytest.mark.nightly
def test_the_readme_tells_what_the_season_did_to_the_pick(tmp_path):
    """The controllers' logs were made with the pick's model: fresh in spring; 1.15 of its resistance and 0.97 of its
    capacity in autumn."""
    readme = (ROOT / "README.md").read_text(encoding="utf-8")
    design = re.search(r"cellstow against (results/demo:\w+)", readme)[1]
    logs = [str(SEASON / LOGS[k]) for k in (0, 2)]
    run = str(ROOT / design)
    done = CliRunner().invoke(main, ["against", run, *logs, "--picture", str(tmp_path / "p.png"), "--json"])
    assert done.exit_code == 0, done.output
    record = json.loads(done.stdout)
    for log, resistance, capacity in zip(record["logs"], (1.0, 1.15), (1.0, 0.97), strict=True):
        found = log["explains"]
        assert abs(found["resistance"]["value"] - resistance) < max(3 * found["resistance"]["se"], 0.005)
        assert abs(found["capacity"]["value"] - capacity) < max(3 * found["capacity"]["se"], 0.005)
        assert not log["another_pack"] and log["voltage_left_v"] < 0.1
    assert record["logs"][1]["most_likely"] == "resistance"
    cells = str(SEASON / "measured-cells.csv")
    done = CliRunner().invoke(main, ["match", cells, "--design", run, "--out", str(tmp_path / "m"), "--json"])
    found = json.loads(done.stdout)
    assert done.exit_code == 0 and found["range_km"]["p10"] < found["range_km"]["matched"]
