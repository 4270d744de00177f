import numpy as np
import pytest

from optimizer.ride.load.trace import steady_cruise, trace_from_arrays


def test_figures_of_a_lap_by_hand():
    # 0 → 36 km/h in 10 s, 20 s steady on 5 %, down to 0 in 5 s: 50 + 200 + 25 m.
    lap = trace_from_arrays([0, 10, 30, 35], speed_kmh=[0, 36, 36, 0], grade_pct=[0, 5, 5, 0])
    assert lap.distance_m == pytest.approx(275.0, rel=1e-12)
    assert lap.duration_s == 35.0
    assert lap.acceleration_m_s2 == pytest.approx([1.0, 0.0, -2.0])
    assert lap.step_grade == pytest.approx([0.025, 0.05, 0.025])
    # Mean of v³ over a rise from 0 to 10 m/s is 10³/4.
    assert lap.step_speed_cubed == pytest.approx([250.0, 1000.0, 250.0])
    assert lap.speed_max_kmh == pytest.approx(36.0)
    way = np.array([50.0, 200.0, 25.0])
    assert lap.climb_m == pytest.approx(float(way @ np.sin(np.arctan([0.025, 0.05, 0.025]))))


def test_steady_cruise_is_one_step():
    lap = steady_cruise(25.0, grade_pct=-2.0, length_km=2.0)
    assert lap.distance_m == pytest.approx(2000.0)
    assert lap.duration_s == pytest.approx(288.0)
    assert lap.step_grade == pytest.approx([-0.02])


@pytest.mark.parametrize(
    ("time", "speed", "grade", "text"),
    [
        ([0, 5, 4], [1, 1, 1], 0.0, "point 2: time_s must rise"),
        ([0, 5, 5], [1, 1, 1], 0.0, "point 2: time_s must rise"),
        ([0, 1], [1, -1], 0.0, "point 1: speed must not be below 0, found -0.277"),
        ([0, 1], [1, np.nan], 0.0, "point 1: speed must be finite"),
        ([0, np.inf], [1, 1], 0.0, "point 1: time_s must be finite"),
        ([0, 1], [1, 1], [0, 120], "point 1: grade must be within"),
        ([0, 1], [0, 0], 0.0, "stands still"),
        ([0], [1], 0.0, "at least 2 points"),
        ([0, 1, 2], [1, 1], 0.0, "differ in length: 3, 2, 3"),
    ],
)
def test_faults_are_named(time, speed, grade, text):
    with pytest.raises(ValueError, match=text):
        trace_from_arrays(time, speed_kmh=speed, grade_pct=grade)


def test_all_faults_are_named_at_once():
    with pytest.raises(ValueError, match=r"time_s must rise.*speed must not be below 0"):
        trace_from_arrays([0, 2, 1], speed_kmh=[1, -1, 1])


@pytest.mark.parametrize(("speed", "length"), [(0.0, 1.0), (20.0, 0.0), (np.nan, 1.0)])
def test_cruise_needs_speed_and_length(speed, length):
    with pytest.raises(ValueError, match="must be > 0"):
        steady_cruise(speed, length_km=length)
