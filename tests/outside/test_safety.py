"""Thresholds against standards and rules, at their edges."""

from __future__ import annotations

import pytest

from optimizer.pack.cautions import air_class, pack_cautions, voltage_class


@pytest.mark.parametrize(
    ("volts", "kind"),
    [(30.0, "extra-low"), (60.0, "extra-low"), (60.1, "over-60"), (120.0, "over-60"), (120.1, "over-120")],
)
def test_voltage_bands(volts: float, kind: str) -> None:
    # From memory: 60 V DC, IEC 60364-4-41 cl. 414.4.5 and UN R100/R136 (high voltage is *over* 60 V);
    # 120 V DC, extra-low voltage of IEC 61140.
    assert voltage_class(volts) == kind


@pytest.mark.parametrize(
    ("series", "cell_v", "kind"),
    [
        (14, 4.2, "extra-low"),  # 58.8 V
        (15, 4.2, "over-60"),  # 63.0 V
        (16, 3.65, "extra-low"),  # 58.4 V, iron phosphate
        (17, 3.65, "over-60"),  # 62.05 V
        (15, 4.0, "extra-low"),  # 60.0 V, sodium-ion: the limit itself
        (28, 4.2, "over-60"),  # 117.6 V
        (29, 4.2, "over-120"),  # 121.8 V
    ],
)
def test_series_counts_at_the_thresholds(series: int, cell_v: float, kind: str) -> None:
    # Closed form: series count times the cell's full voltage, against the bands above.
    assert voltage_class(series * cell_v) == kind


def test_twenty_four_cells_at_full_charge() -> None:
    # Common practice, no published source: 24 lithium-ion cells in series at 4.2 V are 100.8 V.
    volts = 24 * 4.2
    assert volts == pytest.approx(100.8)
    cautions = {c.code: c for c in pack_cautions(voltage_full_v=volts, energy_wh=1800.0)}
    assert "100.8 V" in cautions["voltage-over-60"].text
    assert cautions["voltage-over-60"].level == "warning"


@pytest.mark.parametrize(
    ("volts", "hours", "kind"),
    [
        (36.0, 2.7, "free"),  # 97.2 Wh
        (36.0, 2.5, "free"),  # 90 Wh
        (40.0, 2.5, "free"),  # 100 Wh: the limit itself
        (36.0, 2.8, "approval"),  # 100.8 Wh
        (40.0, 4.0, "approval"),  # 160 Wh: the limit itself
        (36.0, 4.5, "forbidden"),  # 162 Wh
    ],
)
def test_energy_bands_for_air(volts: float, hours: float, kind: str) -> None:
    # From memory: IATA Dangerous Goods Regulations 2.3, passenger baggage: 100 Wh free, 160 Wh with approval.
    assert air_class(volts * hours) == kind


def test_charging_below_zero_is_always_cautioned() -> None:
    # Common rule of cell makers (from memory): charge window 0 to 45 °C.
    cautions = {c.code: c for c in pack_cautions(voltage_full_v=42.0, energy_wh=400.0)}
    assert "below 0 °C" in cautions["charge-cold"].text
