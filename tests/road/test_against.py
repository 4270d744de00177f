"""A prediction against logs: factors that were put into a made-up log are found again, with honest errors."""

import json

import numpy as np
import pandas as pd
import pytest
from click.testing import CliRunner
from rides import Truth, drift

from optimizer.base.problems import BadInput
from optimizer.brief.editing import with_values
from optimizer.cli import main
from optimizer.road.log import RawLog
from optimizer.road.packrun import Health, PackModel, drive, explain, ratio_error
from optimizer.workflows.against import with_current

SOC = np.linspace(0.0, 1.0, 101)
PACK = PackModel(
    series=10, parallel=3, ocv_v=3.0 + 1.2 * SOC**0.8, r0_ohm=0.02 + 0.02 * (1 - SOC) ** 4, r1_ohm=np.full(101, 0.01),
    r2_ohm=np.full(101, 0.012), capacity_ah=5.0, tau1_s=5.0, tau2_s=120.0, extra_ohm=0.01, rise_k_per_w=5.0,
    heat_j_k=60.0, air_c=20.0,
)  # fmt: skip


def load(seed=0, seconds=3000):
    rng = np.random.default_rng(seed)
    return np.clip(np.repeat(rng.normal(9.0, 8.0, seconds // 20), 20), -3.0, 30.0)


def test_a_constant_current_by_hand():
    """After many time constants V = S·(OCV − i·(R0 + R1 + R2)) − I·extra, and the rise is r·i²·R."""
    flat = PackModel(**{**vars(PACK), "ocv_v": np.full(101, 3.7), "r0_ohm": np.full(101, 0.02), "heat_j_k": 4.0})
    run = drive(flat, np.full(900, 6.0), health=Health())
    assert run.voltage_v[-1] == pytest.approx(10 * (3.7 - 2.0 * (0.02 + 0.01 + 0.012)) - 0.06, abs=2e-3)
    assert run.soc[-1] == pytest.approx(1.0 - 2.0 * 899 / 3600 / 5.0)
    assert run.temp_c[-1] == pytest.approx(20.0 + 5.0 * 4.0 * 0.042, abs=2e-3)


def test_power_and_its_current_give_one_run():
    amps = load()
    by_current = drive(PACK, amps, health=Health(start=0.95))
    by_power = drive(PACK, by_current.voltage_v * amps, health=Health(start=0.95), by_power=True)
    assert np.allclose(by_power.voltage_v, by_current.voltage_v, atol=1e-6)


def test_resistance_and_capacity_are_found_again():
    """Ten logs with meter noise and drift: within two standard errors in nine at least."""
    hits = {"resistance": 0, "capacity": 0}
    for seed in range(10):
        amps, rng = load(seed), np.random.default_rng(50 + seed)
        volts = drive(PACK, amps, health=Health(1.3, 0.9, 0.97)).voltage_v
        volts = volts + rng.normal(0, 0.03, len(amps)) + drift(rng, len(amps), sd=0.02, seconds=200.0)
        found = explain(PACK, amps, volts)
        for name, truth in (("resistance", 1.3), ("capacity", 0.9)):
            error = found.errors[name]
            assert error is not None
            hits[name] += abs(getattr(found.health, name) - truth) <= 2 * error
    assert min(hits.values()) >= 8


def test_a_short_log_tells_no_capacity():
    amps = load(1)[:120]
    volts = drive(PACK, amps, health=Health(1.2, 0.8, 0.9)).voltage_v
    found = explain(PACK, amps, volts + np.random.default_rng(0).normal(0, 0.05, 120))
    assert found.errors["capacity"] is None and found.health.capacity == 1.0


def test_jackknife_of_a_ratio():
    """Equal parts have no error; else that of the ratio of means (Cochran, Sampling Techniques, 6.4)."""
    assert ratio_error(np.full(100, 3.0), np.full(100, 2.0)) == pytest.approx((1.5, 0.0))
    rng = np.random.default_rng(0)
    bottom = np.full(4000, 2.0)
    value, error = ratio_error(3.0 + rng.normal(0, 1.0, 4000), bottom)
    assert abs(value - 1.5) < 3 * error
    assert error == pytest.approx(0.5 / np.sqrt(4000), rel=0.4)


def built(**changed):
    """Ten minutes at 6 m/s of PACK at 200 W, as a log whose columns are changed."""
    run = drive(PACK, np.full(600, 200.0), health=Health(start=0.95), by_power=True)
    columns = {"speed_m_s": np.full(600, 6.0), "voltage_v": run.voltage_v, "current_a": run.current_a}
    columns = {name: each for name, each in (columns | changed).items() if each is not None}
    return RawLog("log", np.arange(600.0), columns)


@pytest.mark.parametrize(
    ("changed", "told"),
    [
        ({"voltage_v": None}, "voltage_v must be there"),
        ({"current_a": None, "voltage_v": None}, "voltage_v and current_a must be there"),
        ({"voltage_v": np.full(600, np.nan)}, "ten rows with voltage and current"),
        ({"current_a": np.zeros(600)}, "never has a current"),
        ({"voltage_v": np.full(600, 2.6)}, "10 of its cells in series have 30 to 42 V at rest"),
        ({"voltage_v": np.full(600, 72.0)}, "not of this pack, or not in V and A"),
        ({"current_a": np.full(600, 5300.0)}, "more than the 15 Ah that the pack holds"),
        ({"current_a": np.full(600, 118.0)}, "more than the 15 Ah that the pack holds"),
        ({"voltage_v": np.zeros(600)}, "not of this pack, or not in V and A"),
        ({"speed_m_s": np.zeros(600)}, "never moves"),
    ],
)
def test_a_log_that_cannot_be_held_against_the_pack_is_one_message(changed, told):
    with pytest.raises(BadInput) as bad:
        with_current(built(**changed), PACK)
    assert len(bad.value.problems) == 1 and told in str(bad.value)


def test_a_turned_current_and_holes_are_said():
    amps = built().columns["current_a"]
    assert not any("sign" in text for text in with_current(built(), PACK).changes)
    ride = with_current(built(current_a=-amps), PACK)
    assert np.array_equal(ride.columns["current_a"], amps) and any("sign is turned" in text for text in ride.changes)
    holed = np.where((np.arange(600) >= 100) & (np.arange(600) < 140), np.nan, amps)
    assert any("40 s without" in text for text in with_current(built(current_a=holed), PACK).changes)


@pytest.fixture(scope="module")
def searched(tmp_path_factory):
    """A brief and its run."""
    from optimizer.catalog import builtin_catalogs

    folder = tmp_path_factory.mktemp("built")
    text = (builtin_catalogs() / "briefs" / "quick-36v.toml").read_text(encoding="utf-8")
    brief = folder / "b.toml"
    brief.write_text(text.replace('"../', f'"{builtin_catalogs().as_posix()}/'), encoding="utf-8")
    done = CliRunner().invoke(main, ["search", str(brief), "--out", str(folder / "run"), "--quiet"])
    assert done.exit_code == 0, done.output
    return brief, folder / "run"


@pytest.mark.slow
def test_command_from_run_to_factors(searched, tmp_path):
    from optimizer.design.runs import read_run
    from optimizer.ride.load.roadload import ride_steps
    from optimizer.ride.load.trace import Trace
    from optimizer.workflows.against import pack_model

    out = searched[1]
    run = read_run(out)
    row = run.row(str(run.front["design_id"].iloc[0]))
    space = run.homes([row])[0]
    truth = Truth(3, seconds=2400, top_m_s=7.0)
    slope = np.gradient(truth.height_m) / np.maximum(np.gradient(truth.way_m), 0.2)
    steps = ride_steps(Trace(truth.time_s, truth.speed_m_s, slope), vehicle=space.context.steps.vehicle)
    asked = np.append(steps.battery_power_w(space.context.vehicle_mass_kg + row["pack_mass_kg"]), 0.0)
    logs = []
    for name, load, health in (("fresh", 1.0, Health(1.0, 1.0, 0.98)), ("worn", 1.1, Health(1.2, 0.95, 0.98))):
        ridden = drive(pack_model(space, row), load * asked, health=health, by_power=True)
        logs.append(tmp_path / f"{name}.csv")
        columns = {"time_s": truth.time_s, "speed_kmh": 3.6 * truth.speed_m_s, "altitude_m": truth.height_m}
        columns |= {"voltage_v": ridden.voltage_v, "current_a": ridden.current_a}
        pd.DataFrame(columns).to_csv(logs[-1], index=False)
    args = ["against", f"{out}:{row['design_id']}", *map(str, logs), "--picture", str(tmp_path / "p.png"), "--json"]
    done = CliRunner().invoke(main, args)
    assert done.exit_code == 0, done.output
    record = json.loads(done.stdout)
    for name, value in record["logs"][0]["explains"].items():
        assert value["value"] == pytest.approx(1.0, abs=0.03), name
    for name, change, room in (("resistance", 0.2, 0.03), ("capacity", -0.05, 0.04), ("road load", 0.1, 0.03)):
        assert record["season"][name]["change"] == pytest.approx(change, abs=room), name
    found = record["logs"][1]
    assert found["explains"]["resistance"]["value"] == pytest.approx(1.2, abs=0.02)
    assert found["explains"]["capacity"]["value"] == pytest.approx(0.95, abs=0.03)
    assert found["explains"]["road load"]["value"] == pytest.approx(1.1, abs=0.02)
    assert {"mean voltage", "energy", "hottest cell", "range on this ride"} <= set(found["figures"])
    assert found["most_likely"] == "resistance" and not found["another_pack"]
    other = pd.read_csv(logs[0])
    other["voltage_v"] *= 1.06
    other.to_csv(tmp_path / "other.csv", index=False)
    args = ["against", f"{out}:{row['design_id']}", str(tmp_path / "other.csv"), "--picture", str(tmp_path / "p.png")]
    done = CliRunner().invoke(main, args)
    assert "is it the log of this pack?" in done.output and "no parameter is surely" in done.output
    bad = CliRunner().invoke(main, ["against", f"{out}:nothing", str(logs[0])])
    assert bad.exit_code == 2 and "unknown-design" in bad.output


@pytest.mark.slow
def test_from_measured_cells_to_the_build_sheet_of_that_pack(searched, tmp_path):
    """Cells fill the seats of a design; the brief with their groups gives that pack's figures and build sheet."""
    from optimizer.catalog import builtin_catalogs

    brief, out = searched
    row = pd.read_csv(out / "front.csv").sort_values(["parallel", "design_id"]).iloc[-1]
    s, p = int(row["series"]), int(row["parallel"])
    catalog = pd.read_csv(builtin_catalogs() / "cells.csv", comment="#").set_index("id").loc[row["cell_id"]]
    rng, n = np.random.default_rng(1), s * p + 4
    cells = pd.DataFrame({"id": [f"M{k:03d}" for k in range(n)]})
    for name, usual in (("capacity_ah", catalog["capacity_ah"]), ("resistance_mohm", catalog["dcir_mohm"])):
        cells[name] = (usual * (1 + 0.01 * rng.normal(size=n))).round(3)
    cells.to_csv(tmp_path / "cells.csv", index=False)
    args = ["match", str(tmp_path / "cells.csv"), "--design", f"{out}:{row['design_id']}", "--out", str(tmp_path / "m")]
    done = CliRunner().invoke(main, [*args, "--json"])
    assert done.exit_code == 0, done.output
    record = json.loads(done.stdout)
    assert [len(group) for group in record["groups"]] == [p] * s and len(record["spares"]) == 4
    assert record["range_km"]["p10"] <= record["range_km"]["matched"] + 1e-9
    seats = pd.read_csv(tmp_path / "m" / "seats.csv")
    assert len(seats.groupby(["compartment", "x_mm", "y_mm", "z_mm"])) == s * p
    measured = (tmp_path / "m" / "measured.toml").read_text(encoding="utf-8")
    own = brief.with_name("own.toml")
    errors = {"cda_m2_se": "0.05", "crr_se": "0.001", "cda_crr_correlation": "-0.9"}
    text = with_values(brief.read_text(encoding="utf-8"), "vehicle", errors)
    own.write_text(f"{text}\n{measured}", encoding="utf-8")
    run = tmp_path / "own"
    for command in (["search", str(own), "--out", str(run)], ["shortlist", str(run), "--count", "1"]):
        done = CliRunner().invoke(main, [*command, "--quiet"])
        assert done.exit_code == 0, done.output
    folder = next((run / "designs").iterdir())
    sheet = (folder / "build.md").read_text(encoding="utf-8")
    for group in record["group_capacity_ah"]:
        assert f"{group:.3f}" in sheet
    done = CliRunner().invoke(main, ["rescore", str(folder / "design.json"), "--json"])
    assert done.exit_code == 0 and json.loads(done.stdout)["differs"] == {}, done.output
    figures = json.loads(done.stdout)["figures"]
    assert figures["series"] == s and figures["parallel"] == p
    assert figures["energy_wh"] == pytest.approx(row["energy_wh"], rel=0.02) and figures["cell_id"] == row["cell_id"]
    band = json.loads(done.stdout)["range_band"]
    listed = pd.read_csv(run / "shortlist.csv").iloc[0]
    for end in ("low", "high"):
        assert listed[f"range_km_{end}"] == pytest.approx(band[f"{end}_km"], rel=1e-9)

    def changed(name, by):
        record = json.loads((folder / "design.json").read_text(encoding="utf-8"))
        record["brief"]["vehicle"][name] += by
        path = tmp_path / "changed.json"
        path.write_text(json.dumps(record), encoding="utf-8")
        return json.loads(CliRunner().invoke(main, ["rescore", str(path), "--json"]).stdout)["figures"]["range_km"]

    by = [changed(name, se) - changed(name, -se) for name, se in (("cda_m2", 0.05), ("crr", 0.001))]
    se = 0.5 * np.sqrt(by[0] ** 2 + by[1] ** 2 - 1.8 * by[0] * by[1])
    assert band["se_km"] == pytest.approx(se, rel=0.02)
    assert band["high_km"] - band["low_km"] == pytest.approx(2 * 1.96 * se, rel=0.02)
