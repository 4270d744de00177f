import numpy as np
import pytest

from optimizer.pack.charge import charge_time, choose_charger

SOC = np.linspace(0.0, 1.0, 51)
CURVE = 3.3 + 0.75 * SOC + 0.15 * SOC**6 - 0.5 * np.exp(-SOC / 0.03)
OHMS = 0.05 + 0.03 * np.exp(-SOC / 0.1)


def stepped(current, *, stop, taper, start=0.0, ocv=CURVE, ohms=OHMS, capacity=3.0, v_max=4.2):
    """Hours and SoC by small steps of time: the slow twin."""
    z, t, dt = start, 0.0, 1.0
    middle = 0.5 * (ohms[1:] + ohms[:-1])
    while z < stop:
        part = min(int(z * (len(SOC) - 1) + 1e-9), len(SOC) - 2)
        amps = min(current, (v_max - np.interp(z, SOC, ocv)) / middle[part])
        if amps <= min(taper, current) and amps < current:
            break
        z += amps * dt / 3600 / capacity
        t += dt
    return t / 3600, z


@pytest.mark.parametrize("current", [0.6, 1.5, 6.0])
@pytest.mark.parametrize(("start", "stop"), [(0.0, 0.8), (0.15, 1.0)])
def test_equals_the_stepped_twin(current, start, stop):
    fast = charge_time(
        current, ocv_v=CURVE[None], resistance_ohm=OHMS[None], capacity_ah=3.0, voltage_max_v=4.2,
        start_soc=start, stop_soc=stop,
    )  # fmt: skip
    hours, soc = stepped(current, start=start, stop=stop, taper=0.15)
    assert fast.hours[0] == pytest.approx(hours, rel=2e-3)
    assert fast.soc_end[0] == pytest.approx(soc, abs=2e-3)


def test_vector_equals_loop_and_inputs_stay():
    ocv, ohms = np.stack([CURVE, CURVE - 0.1]), np.stack([OHMS, 2 * OHMS])
    kept = ocv.copy()
    both = charge_time([1.0, 2.0], ocv_v=ocv, resistance_ohm=ohms, capacity_ah=[2.0, 4.0], voltage_max_v=4.2)
    for n, (amps, capacity) in enumerate(((1.0, 2.0), (2.0, 4.0))):
        one = charge_time(
            amps, ocv_v=ocv[n : n + 1], resistance_ohm=ohms[n : n + 1], capacity_ah=capacity, voltage_max_v=4.2
        )
        assert (one.hours[0], one.soc_end[0]) == (both.hours[n], both.soc_end[n])
    assert np.array_equal(kept, ocv)


def test_no_current_never_ends_and_a_flat_curve_charges_at_its_gap():
    flat = np.full((1, 51), 3.3)
    kw = {"ocv_v": flat, "resistance_ohm": np.full((1, 51), 0.1), "capacity_ah": 3.0, "voltage_max_v": 3.4}
    assert charge_time(0.0, **kw).hours[0] == np.inf
    # 0.1 V over 0.1 Ω: 1 A whatever the charger gives, 3 Ah in 3 h.
    assert charge_time(5.0, **kw).hours[0] == pytest.approx(3.0)
    assert charge_time(0.5, **kw).hours[0] == pytest.approx(6.0)


def test_more_current_never_takes_longer():
    amps = np.linspace(0.05, 9.0, 300)
    shape = (300, 51)
    hours = charge_time(
        amps, ocv_v=np.broadcast_to(CURVE, shape), resistance_ohm=np.broadcast_to(OHMS, shape),
        capacity_ah=3.0, voltage_max_v=4.2, stop_soc=0.8,
    ).hours  # fmt: skip
    assert np.all(np.diff(hours) <= 1e-12)


@pytest.mark.parametrize(
    ("change", "text"),
    [
        ({"resistance_ohm": np.zeros((1, 51))}, "resistance_ohm must be > 0"),
        ({"ocv_v": CURVE[None, ::-1]}, "ocv_v must not fall"),
        ({"capacity_ah": 0.0}, "capacity_ah must be > 0"),
        ({"start_soc": 0.9, "stop_soc": 0.8}, "start_soc <= stop_soc"),
        ({"taper_a": 0.0}, "taper_a must be > 0"),
        ({"resistance_ohm": np.ones((1, 50))}, "one shape"),
    ],
)
def test_bad_values_are_named(change, text):
    good = {"ocv_v": CURVE[None], "resistance_ohm": OHMS[None], "capacity_ah": 3.0, "voltage_max_v": 4.2}
    with pytest.raises(ValueError, match=text):
        charge_time(1.0, **(good | change))
    with pytest.raises(ValueError, match="current_a must be >= 0"):
        charge_time(-1.0, **good)


def test_charger_by_series_count():
    chargers = {
        "charger_voltage_v": [42.0, 54.6, 54.6, 54.6, 58.4],
        "charger_current_a": [2.0, 2.0, 5.0, 5.0, 5.0],
        "charger_price": [20.0, 25.0, 60.0, 55.0, 60.0],
    }
    found = choose_charger(
        [42.0, 54.6, 54.6, 58.8, 50.4], series=[10, 13, 13, 14, 12], pack_limit_a=[3.0, 9.0, 4.0, 9.0, 9.0],
        **chargers,
    )  # fmt: skip
    # 14S ask for 58.8 V: 58.4 V is 0.029 V per cell too little; nothing is near 12S.
    assert list(found) == [0, 3, 1, -1, -1]
    none = choose_charger(42.0, series=10, pack_limit_a=9.0, charger_voltage_v=[], charger_current_a=[],
                          charger_price=[])  # fmt: skip
    assert list(none) == [-1]
