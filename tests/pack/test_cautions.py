"""Cautions: which appear, how grave they are, and in what order."""

from __future__ import annotations

import pytest

from optimizer.pack.cautions import Caution, air_class, pack_cautions, voltage_class


def by_code(**change: object) -> dict[str, Caution]:
    given = {"voltage_full_v": 42.0, "energy_wh": 500.0, **change}
    return {caution.code: caution for caution in pack_cautions(**given)}


def test_a_small_pack_gets_what_every_pack_gets() -> None:
    found = by_code(energy_wh=90.0)
    assert not any(code.startswith("voltage") for code in found)
    assert found["transport-free"].level == "note"
    assert {
        "local-codes",
        "live-work",
        "welding",
        "matching",
        "protection",
        "charging",
        "charge-cold",
    } <= set(found)
    assert "rider-falls" not in found


def test_every_caution_of_a_threshold_defers_to_local_codes() -> None:
    found = by_code(voltage_full_v=84.0)
    for code in ("voltage-over-60", "transport-forbidden", "local-codes"):
        assert "local codes" in found[code].text.lower()
        assert "licensed practice" in found[code].text
    assert "licensed practice" in by_code(voltage_full_v=130.0)["voltage-over-120"].text


def test_what_is_not_protected_comes_first_of_all() -> None:
    text = "The fuse of 30 A does not protect the power wire."
    found = pack_cautions(voltage_full_v=130.0, energy_wh=360.0, balances_on_motor=True, unprotected=[text])
    assert found[0].code == "unprotected" and found[0].text.startswith(text)
    assert "unprotected" not in by_code()


def test_charging_in_the_cold() -> None:
    assert by_code()["charge-cold"].level == "caution"
    assert "Regeneration" in by_code(regenerates=True)["charge-cold"].text
    assert "Regeneration" not in by_code()["charge-cold"].text


def test_rider_who_balances_is_warned_first() -> None:
    levels = [c.level for c in pack_cautions(voltage_full_v=84.0, energy_wh=900.0, balances_on_motor=True)]
    assert levels == sorted(levels, key=("warning", "caution", "note").index)
    assert by_code(balances_on_motor=True)["rider-falls"].level == "warning"


def test_codes_are_distinct() -> None:
    codes = [c.code for c in pack_cautions(voltage_full_v=84.0, energy_wh=900.0, balances_on_motor=True)]
    assert len(codes) == len(set(codes))


def test_misuse_is_refused() -> None:
    with pytest.raises(ValueError, match="voltage_v must be positive"):
        voltage_class(0.0)
    with pytest.raises(ValueError, match="energy_wh must be positive"):
        air_class(float("nan"))
