"""Cleaning: what a ride is after noise, gaps, jumps, doubled and shuffled rows, against the ride that was made up."""

import numpy as np
import pytest
from rides import Truth, drift

from optimizer.base.problems import BadInput
from optimizer.ride.load.drivetrain import Drivetrain
from optimizer.ride.load.roadload import Vehicle
from optimizer.road.joining import Path as Way
from optimizer.road.log import RawLog
from optimizer.road.ride import clean
from optimizer.road.shorten import longest_climb, shorten
from optimizer.road.smooth import slope_noise, smoothing_of_window, white_noise, whittaker


def log_of(truth, rng, *, position=3.0, height=2.0, memory=2.0, keep=None):
    """What a receiver writes: white noise of position and height, and drift of the height."""
    n = len(truth.time_s)
    lat, lon = truth.degrees(rng.normal(0.0, position, (2, n)))
    alt = truth.height_m + rng.normal(0.0, height, n) + drift(rng, n, sd=memory, seconds=300.0)
    at = np.arange(n) if keep is None else keep
    columns = {"latitude_deg": lat[at], "longitude_deg": lon[at], "altitude_m": alt[at]}
    return RawLog("log", truth.time_s[at] + 1.7776e9, columns)


@pytest.mark.parametrize("step_s", [5, 10])
def test_noisy_positions_every_few_seconds_make_no_way_longer(step_s):
    for seed in range(4):
        truth = Truth(seed)
        keep = np.arange(0, len(truth.time_s), step_s)
        ride = clean(log_of(truth, np.random.default_rng(40 + seed), keep=keep))
        assert ride.after.distance_km == pytest.approx(truth.way_m[keep[-1]] / 1000.0, rel=0.01)


def test_heights_every_few_seconds_climb_what_there_is_to_climb():
    """Noise of 2 m, drift, a row every 5 s: within 15 % of the ride that was made up (with the window of 1 s: +27)."""
    for seed in range(4):
        truth = Truth(seed)
        log = log_of(truth, np.random.default_rng(seed), position=0.5, keep=np.arange(0, len(truth.time_s), 5))
        rises = np.diff(truth.height_m)
        assert clean(log).after.climb_m == pytest.approx(rises[rises > 0].sum(), rel=0.15)


@pytest.mark.parametrize("seed", range(4))
def test_distance_climb_and_stops_of_noisy_positions(seed):
    truth = Truth(seed)
    ride = clean(log_of(truth, np.random.default_rng(seed)))
    assert ride.after.distance_km == pytest.approx(truth.way_m[-1] / 1000.0, rel=0.01)
    assert ride.after.climb_m == pytest.approx(truth.climb_m, rel=0.12)
    assert abs(ride.after.stops - truth.stops) <= 1
    assert ride.before.distance_km > 1.2 * ride.after.distance_km  # noise lengthens the raw way


def test_gaps_jumps_doubled_and_shuffled_rows():
    truth, rng = Truth(2), np.random.default_rng(5)
    keep = np.array([k for k in range(1500) if not 300 < k < 345 and not 900 < k < 960])
    keep = np.sort(np.concatenate([keep, keep[100:150]]))
    log = log_of(truth, rng, keep=keep)
    columns = {name: each.copy() for name, each in log.columns.items()}
    columns["latitude_deg"][[50, 700, 701]] += 0.02  # 2 km away
    columns["altitude_m"][400] = 900.0
    order = np.arange(len(keep))
    order[200:220] = order[200:220][::-1]
    ride = clean(RawLog("log", log.time_s[order], {n: c[order] for n, c in columns.items()}))
    text = " ".join(ride.changes)
    for word in ("gaps bridged: 2", "jumps of position: 3", "doubled stamps: 50", "out of order", "jumps of height"):
        assert word in text
    assert ride.after.distance_km == pytest.approx(truth.way_m[-1] / 1000.0, rel=0.015)
    assert ride.after.duration_s == 1499.0


def test_speed_of_a_wheel_is_kept():
    truth, rng = Truth(3), np.random.default_rng(1)
    speed = np.abs(truth.speed_m_s + np.where(truth.speed_m_s > 0, rng.normal(0, 0.1, 1500), 0.0))
    ride = clean(RawLog("log", truth.time_s, {"speed_m_s": speed, "altitude_m": truth.height_m}))
    assert ride.after.distance_km == pytest.approx(truth.way_m[-1] / 1000.0, rel=0.002)
    assert ride.after.climb_m == pytest.approx(truth.climb_m, rel=0.03)
    assert ride.after.stops == truth.stops


def test_a_change_of_zone_is_no_way_back_in_time():
    truth = Truth(3)
    time = truth.time_s + 8 * 3600.0
    time[700:] -= 3600.0
    ride = clean(RawLog("log", time, {"speed_m_s": truth.speed_m_s}, zoned=False))
    assert ride.after.duration_s == 1499.0 and any("time zone" in text for text in ride.changes)
    assert ride.after.distance_km == pytest.approx(truth.way_m[-1] / 1000.0, rel=0.001)


def test_a_pause_is_no_part_of_the_ride():
    truth = Truth(3)
    time = truth.time_s.copy()
    time[700:] += 5000.0
    ride = clean(RawLog("log", time, {"speed_m_s": truth.speed_m_s}))
    assert ride.after.duration_s == pytest.approx(1499.0, abs=6.0) and any("pauses" in text for text in ride.changes)


def test_what_nobody_knows_of_is_no_way():
    """A receiver that finds its place late, a wheel whose sensor wakes up late: standing until then, and said."""
    truth, rng = Truth(3), np.random.default_rng(4)
    known = np.arange(1500) >= 200
    lat, lon = truth.degrees(rng.normal(0.0, 1.0, (2, 1500)))
    placed = {"latitude_deg": lat * known, "longitude_deg": lon * known, "altitude_m": truth.height_m * known}
    rolled = {"speed_m_s": np.where(known, truth.speed_m_s, np.nan), "altitude_m": truth.height_m}
    for columns, error in ((placed, 0.01), (rolled, 0.002)):
        ride = clean(RawLog("log", truth.time_s, columns))
        assert ride.after.distance_km == pytest.approx((truth.way_m[-1] - truth.way_m[200]) / 1000.0, rel=error)
        assert ride.after.climb_m < 1.05 * truth.climb_m and "unknown in 200 s" in " ".join(ride.changes)


def test_a_speed_in_another_unit_is_asked_about():
    truth = Truth(3)
    lat, lon = truth.degrees()
    columns = {"speed_m_s": truth.speed_m_s / 3.6, "latitude_deg": lat, "longitude_deg": lon}
    ride = clean(RawLog("log", truth.time_s, columns))
    assert "is its unit m/s, not km/h" in " ".join(ride.changes)


def test_a_log_that_never_moves_is_refused():
    for columns in (
        {"speed_m_s": np.zeros(100)},
        {"latitude_deg": np.full(100, 48.0), "longitude_deg": np.full(100, 11.0)},
    ):
        with pytest.raises(BadInput) as error:
            clean(RawLog("log", np.arange(100.0), columns))
        assert {p.code for p in error.value.problems} == {"no-movement"}


def test_smoother_has_the_window_and_the_noise_it_states():
    """A wave of the window's length keeps half its height; the slope's noise is that of the formula (closed form)."""
    place, rng = np.arange(4000) * 5.0, np.random.default_rng(0)
    lam = smoothing_of_window(200.0, spacing=5.0)
    wave = whittaker(np.sin(2 * np.pi * place / 200.0), weights=np.ones(4000), smoothing=lam)
    assert np.abs(wave[1000:3000]).max() == pytest.approx(0.5, rel=0.01)
    noise = rng.normal(0, 2.0, 4000)
    slope = np.gradient(whittaker(noise, weights=np.ones(4000), smoothing=lam), 5.0)
    assert slope.std() == pytest.approx(slope_noise(2.0, window=200.0, spacing=5.0), rel=0.1)
    assert white_noise(noise + 50 * np.sin(place / 300.0)) == pytest.approx(2.0, rel=0.1)


def test_a_short_ride_stands_for_a_long_one():
    truth, vehicle = Truth(4, seconds=9000), Vehicle(0.7, 0.012, Drivetrain(0.8))
    ride = clean(RawLog("log", truth.time_s, {"speed_m_s": truth.speed_m_s, "altitude_m": truth.height_m}))
    short = shorten([ride], distance_km=8.0, vehicle=vehicle, mass_kg=120.0)
    way = 0.5 * (short.path.speed_m_s[1:] + short.path.speed_m_s[:-1]).sum() / 1000.0
    assert 6.0 < way < 10.0
    assert short.power_error < 0.08 and abs(short.consumption_error) < 0.04
    assert short.climb_m == pytest.approx(longest_climb(Way(ride.speed_m_s, ride.grade))[0], rel=1e-9)
    assert np.abs(np.diff(short.path.speed_m_s)).max() < 2.0
