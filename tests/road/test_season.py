"""The invented season of the demo: every log is read and cleaned, the vehicle is fitted, the cells are matched."""

import pytest

from optimizer.bench.match import match
from optimizer.bench.measured import read_measured
from optimizer.catalog import builtin_catalogs
from optimizer.road.calibrate import calibrate
from optimizer.road.energy import Road
from optimizer.road.reading import read_log
from optimizer.road.ride import clean

SEASON = builtin_catalogs() / "season"
LOGS = ("spring-controller.csv", "summer-phone.gpx", "autumn-controller.csv", "winter-phone.csv")


def test_four_logs_say_that_they_are_invented_and_become_rides():
    for name in LOGS:
        assert "invented" in (SEASON / name).read_text(encoding="utf-8")[:400]
        ride = clean(read_log(SEASON / name))
        assert 5.0 < ride.after.distance_km < 15.0 and ride.after.climb_m < ride.before.climb_m


def test_the_vehicle_of_the_season_is_found():
    """The logs were made with CdA 0.68 m² and Crr 0.0165 at 132 kg."""
    road = Road(0.75, 0.015, 0.8, 8.0, 132.0, 0.0, 1.05, 1.19)
    found = calibrate([clean(read_log(SEASON / name)) for name in (LOGS[0], LOGS[2])], road=road).values
    assert abs(found["cda_m2"].value - 0.68) < 2 * found["cda_m2"].se
    assert abs(found["crr"].value - 0.0165) < 2 * found["crr"].se


def test_seventy_cells_fill_sixty_seats():
    found = match(read_measured(SEASON / "measured-cells.csv"), series=20, parallel=3)
    assert [each.id for each in found.rejected] == ["C12", "C34", "C59"] and len(found.spares) == 7
    assert found.spread_ah - found.bound_ah < 1e-3 * found.group_ah.mean()
    assert found.group_mohm.min() == pytest.approx(found.group_mohm.max(), rel=0.01)
