"""The command `characterize`: order, files, extrapolation, and every fault named with its row."""

import json
from pathlib import Path
from types import SimpleNamespace

import matplotlib.pyplot as plt
import numpy as np
import pytest
from click.testing import CliRunner, Result

from optimizer.base.problems import BadInput, Problem
from optimizer.brief import Ageing
from optimizer.catalog import builtin_catalogs, read_cells
from optimizer.cell.characterize import CharacterizeRequest, read_asked
from optimizer.cell.curves import read_curves, read_profile, read_pulses, rising_rows
from optimizer.cell.default import cell_models
from optimizer.cell.measured import Curve, Pulse
from optimizer.cell.steps import run_constant
from optimizer.cli import main
from optimizer.review.sheets.cell_plot import _curves, _resistances, _runs
from optimizer.workflows.characterize import ROW_COLUMNS

REFERENCE = Path(__file__).parent / "outside" / "reference" / "Marquis2019"
CURVES, PULSES = REFERENCE / "curves.csv", REFERENCE / "pulses.csv"
HEAD = "current_a,capacity_ah,voltage_v\n"


def invoke(*arguments: object) -> Result:
    """Run the command line."""
    return CliRunner().invoke(main, ["characterize", *map(str, arguments)])


def sound(current_a: float = 0.1, top: float = 4.0) -> list[str]:
    """Rows of a curve without fault."""
    return [f"{current_a},{q:.2f},{top - q - 2 * q**8:.4f}" for q in np.linspace(0, 1, 12)]


def faults(path: Path, text: str, reader: object = read_curves, **options: object) -> dict[str, str]:
    """Codes and places of the problems that a file has."""
    path.write_text(text, encoding="utf-8")
    problems: list[Problem] = []
    reader(path, problems, **options)  # type: ignore[operator]
    return {p.code: p.where for p in reversed(problems)}


@pytest.fixture
def here(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.chdir(tmp_path)
    return tmp_path


def test_json_has_the_cases_in_order_and_nothing_else_on_stdout(here: Path):
    profile = here / "ride.csv"
    profile.write_text("time_s,power_w\n0,1.0\n300,1.0\n301,4.0\n310,4.0\n311,-0.5\n330,-0.5\n")
    result = invoke(CURVES, "--pulses", PULSES, "--predict", profile, "--power", 1.25, "--current", 0.34, "--current",
                    2.1, "--start-soc", 0.95, "--json")  # fmt: skip
    assert result.exit_code == 0, result.output
    record = json.loads(result.stdout)
    assert set(record) == {"fit", "predictions"}
    kinds = [p["case"].split()[0] for p in record["predictions"]]
    assert kinds == ["current", "current", "power", "profile"]
    assert all(set(p) == {"case", "energy_wh", "capacity_ah", "duration_s", "lap_min_voltage_v", "extrapolates"}
               for p in record["predictions"])  # fmt: skip
    # 2.1 A is three times the highest fitted current, 0.34 A half of it.
    assert [p["extrapolates"] for p in record["predictions"]] == [False, True, False, False]
    ride = record["predictions"][3]
    assert len(ride["lap_min_voltage_v"]) == int(np.ceil(ride["duration_s"] / 330))
    assert len(record["fit"]["curves"]) == 2


def test_temperature_peaks_charges_and_own_heat_in_the_json(here: Path):
    ask = (CURVES, "--pulses", PULSES, "--current", 0.34, "--charge", 0.34, "--start-soc", 0.2, "--peak-seconds", 10,
           "--peak-soc", "0.8,0.5,0.2,0.002", "--json")  # fmt: skip
    cold, warm = (json.loads(invoke(*ask, *more).stdout) for more in (
        ("--temp-c", -5), ("--temp-c", -5, "--heat-capacity-j-k", 12, "--cooling-w-k", 0.002)))  # fmt: skip
    assert [p["soc"] for p in cold["peaks"]] == [0.8, 0.5, 0.2, 0.002]
    assert all(set(p) == {"soc", "power_w", "extrapolates"} for p in cold["peaks"])
    # Powers of a charged cell take many times the fitted 0.7 A, an empty one's does not.
    assert [p["extrapolates"] for p in cold["peaks"]] == [True, True, True, False], cold["peaks"]
    assert any("powers that extrapolate" in note for note in cold["fit"]["notes"])
    assert set(cold["predictions"][1]) == {"case", "charge_80_min", "charge_min", "extrapolates"}
    assert 0 < cold["predictions"][1]["charge_80_min"] < cold["predictions"][1]["charge_min"]
    assert any("told from discharges" in note for note in cold["fit"]["notes"])
    # A cell that warms gives more, and is charged sooner.
    assert warm["predictions"][0]["energy_wh"] > cold["predictions"][0]["energy_wh"]
    assert warm["predictions"][1]["charge_min"] < cold["predictions"][1]["charge_min"]


def test_options_of_temperature_that_make_no_sense_are_refused_at_once(here: Path):
    result = invoke(CURVES, "--temp-c", 120, "--peak-soc", "0.5,2", "--peak-seconds", 0, "--charge", -1,
                    "--cooling-w-k", 1)  # fmt: skip
    assert result.exit_code == 2
    for option in ("--temp-c", "--peak-soc", "--peak-seconds", "--charge", "--heat-capacity-j-k"):
        assert option in result.output
    assert "with commas" in invoke(CURVES, "--peak-soc", "a,b").output


def test_curves_of_one_current_at_two_temperatures_are_two_curves(here: Path):
    lines = [f"{t},{row}" for t in (25, 0) for row in sound(0.5, 4.0 if t else 3.9)]
    path = here / "c.csv"
    path.write_text("temp_c," + HEAD + "\n".join(lines) + "\n")
    problems: list[Problem] = []
    curves = read_curves(path, problems)
    assert problems == [] and [c.temp_c for c in curves] == [25.0, 0.0]
    assert "out-of-range" in faults(path, "temp_c," + HEAD + "\n".join(f"300,{r}" for r in sound()) + "\n")


def test_constant_loads_start_from_full_and_profiles_from_the_given_charge(here: Path):
    profile = here / "flat.csv"
    profile.write_text("time_s,power_w\n0,1.2\n60,1.2\n")
    runs = {}
    for soc in (1.0, 0.5):
        out = invoke(CURVES, "--power", 1.2, "--predict", profile, "--start-soc", soc, "--json").stdout
        runs[soc] = [p["energy_wh"] for p in json.loads(out)["predictions"]]
    assert runs[1.0][0] == runs[0.5][0]
    assert runs[1.0][1] == pytest.approx(runs[1.0][0], rel=1e-3)
    assert runs[0.5][1] < 0.6 * runs[1.0][1]


def test_files_are_written_and_never_over_others(here: Path):
    assert invoke(CURVES, "--name", "demo", "--chemistry", "NMC").exit_code == 0
    assert sorted(p.name for p in (here / "demo-cell").iterdir()) == ["cell.csv", "fit.png", "model.json", "ocv.csv"]
    header, row = (here / "demo-cell" / "cell.csv").read_text().splitlines()
    assert header.split(",") == list(ROW_COLUMNS)
    values = dict(zip(ROW_COLUMNS, row.split(","), strict=True))
    assert (values["id"], values["chemistry"], values["ocv"]) == ("demo", "NMC", "ocv.csv")
    assert (here / "demo-cell" / "fit.png").read_bytes().startswith(b"\x89PNG")
    assert invoke(CURVES, "--name", "demo").exit_code == 0
    assert (here / "demo-cell-2").is_dir()
    refused = invoke(CURVES, "--out", "demo-cell")
    assert refused.exit_code == 2
    assert "output-exists" in refused.stderr
    (here / "demo-cell" / "mine.txt").write_text("kept")
    assert invoke(CURVES, "--out", "demo-cell", "--name", "other", "--force").exit_code == 0
    assert "other" in (here / "demo-cell" / "cell.csv").read_text()
    assert (here / "demo-cell" / "mine.txt").read_text() == "kept"
    assert not [p for p in here.iterdir() if p.name.startswith(".")]


def test_cutoff_ends_runs_earlier_and_below_the_curves_extrapolates(here: Path):
    def run(*more: object) -> dict[str, object]:
        found: dict[str, object] = json.loads(invoke(CURVES, "--current", 0.34, "--json", *more).stdout)
        return found["predictions"][0]  # type: ignore[index, no-any-return]

    usual, early, late = run(), run("--cutoff", 3.5), run("--cutoff", 2.9)
    assert early["lap_min_voltage_v"] == [3.5]
    assert early["capacity_ah"] < usual["capacity_ah"] <= late["capacity_ah"]  # type: ignore[operator]
    assert (usual["extrapolates"], late["extrapolates"]) == (False, True)


def test_bad_input_is_named_at_once_and_nothing_is_written(here: Path):
    rows = sound(0.1) + sound(1.0, 3.9)
    rows[4] = rows[4].rsplit(",", 1)[0] + ",4.4"
    (here / "c.csv").write_text(HEAD + "\n".join(rows) + "\n")
    (here / "p.csv").write_text("soc,current_a,time_s,voltage_before_v,voltage_v\n1.5,1,0.1,3.6,3.5\n")
    (here / "r.csv").write_text("time_s,power_w\n0,1\n5,2\n5,3\n")
    before = sorted(here.iterdir())
    result = invoke("c.csv", "--pulses", "p.csv", "--predict", "r.csv", "--current", -1, "--start-soc", 1.2)
    assert result.exit_code == 2
    assert "Traceback" not in result.output
    for place in ("c.csv row 6", "p.csv row 2", "r.csv row 4", "--current", "--start-soc"):
        assert place in result.stderr
    assert sorted(here.iterdir()) == before


def test_faults_of_curves_have_their_rows(tmp_path: Path):
    path, slow, quick = tmp_path / "c.csv", sound(0.1), sound(1.0, 3.9)

    def text(rows: list[str]) -> str:
        return HEAD + "\n".join(rows) + "\n"

    assert faults(path, text(slow + quick)) == {}
    assert faults(path, text(slow)) == {"too-few-currents": ""}
    risen = [r.replace(r.split(",")[2], "3.95") if i == 5 else r for i, r in enumerate(slow)]
    assert faults(path, text(risen + quick)) == {"curve-rises": "row 7"}
    mirrored = [",".join([a, q, f"{7.0 - float(v):.4f}"]) for a, q, v in (r.split(",") for r in slow)]
    assert "curve-rises" in faults(path, text(mirrored + quick))
    assert faults(path, text(slow + ["-" + r for r in quick]))["mixed-sign"] == "row 14"
    assert faults(path, text(["-" + r for r in slow + quick])) == {}
    assert faults(path, text([*slow, *quick, "1.0,1.5,0.8"]))["capacity-beyond"] == "row 26"
    assert faults(path, text(slow + quick), rated_ah=0.5)["capacity-beyond"] == "row 13"
    assert faults(path, text([*slow, "1.0,nan,3.0"])) == {"not-finite": "row 14"}
    assert faults(path, text([*slow, "1.0,,3.0"])) == {"missing-value": "row 14"}
    assert faults(path, text([*slow, "1.0,x,3.0"])) == {"not-a-number": "row 14"}
    assert faults(path, text([*slow, *quick, "0,0.5,3.0"])) == {"zero-current": "row 26"}
    assert faults(path, text(slow + quick[:2])) == {"too-few-rows": "row 14"}
    assert faults(path, "current_a,voltage_v\n1,3\n") == {"missing-column": "row 1"}
    assert faults(path, HEAD) == {"empty-file": ""}
    assert faults(path, "") == {"empty-file": ""}


def test_faults_of_pulses_and_profiles_have_their_rows(tmp_path: Path):
    path, head = tmp_path / "x.csv", "soc,current_a,time_s,voltage_before_v,voltage_v\n"
    good = "0.5,1,0.1,3.6,3.5\n0.5,1,10,3.6,3.45\n"
    assert faults(path, head + good, read_pulses) == {}
    assert faults(path, head + good.replace(",1,", ",-1,"), read_pulses) == {}
    assert faults(path, head + good + "-0.1,1,1,3.6,3.5\n", read_pulses) == {"out-of-range": "row 4"}
    assert faults(path, head + good + "0.5,1,1,3.6,3.7\n", read_pulses) == {"wrong-way": "row 4"}
    assert faults(path, head + good + "0.5,1,0,3.6,3.5\n", read_pulses) == {"not-positive": "row 4"}
    cold = "temp_c," + head + "".join(f"{t},{row}\n" for t in (25, 0) for row in good.split())
    cold = cold.replace("0,0.5,1,10,3.6,3.45", "0,0.5,1,10,3.6,3.3")
    assert faults(path, cold, read_pulses) == {}
    # The same drops with the temperature in another unit, or without it, are no pulses of 25 degC.
    assert faults(path, cold.replace("temp_c", "temp_k"), read_pulses) == {"unknown-column": "row 1"}
    bare = head + good + good.replace("3.45", "3.3")
    assert faults(path, bare, read_pulses) == {"pulses-differ": "row 3"}
    assert faults(path, "time_s,power_w\n0,1\n2,1\n1,1\n", read_profile) == {"not-increasing": "row 4"}
    assert faults(path, "time_s,power_w\n0,1\n", read_profile) == {"too-few-rows": ""}
    assert faults(path, "time_s,power_w\n0,-1\n2,0\n", read_profile) == {"no-discharge": ""}


@pytest.mark.filterwarnings("error")
def test_a_plot_shows_charges_or_says_that_nothing_was_asked_for():
    figure, axes = plt.subplots(1, 2)
    _runs(*axes, SimpleNamespace(predictions=()))
    assert [text.get_text() for one in axes for text in one.texts] == ["no case asked for"] * 2
    plt.close(figure)
    figure, axes = plt.subplots(1, 2)
    hour = SimpleNamespace(time_s=np.array([0.0, 3600.0]), voltage_v=np.array([3.6, 4.2]), current_a=np.ones(2))
    _runs(*axes, SimpleNamespace(predictions=(SimpleNamespace(case="charge 1 A", run=hour, extrapolates=False),)))
    # An hour at 1 A is 1 Ah.
    assert [one.lines[0].get_xdata().tolist() for one in axes] == [[0.0, 60.0], [0.0, 1.0]]
    assert not any(one.texts for one in axes)
    plt.close(figure)


def test_a_plot_shows_the_fit_at_each_temperature():
    model = cell_models(read_cells(builtin_catalogs() / "cells.csv"), np.array([0]), ageing=Ageing())[0]
    temps = (25.0, -10.0)

    def rows_of(run):
        return 2.0 * run.time_s / 3600.0, run.voltage_v

    curves = [Curve(2.0, *rows_of(run_constant(model, current_a=2.0, temp_c=t)), temp_c=t) for t in temps]
    pulses = [Pulse(0.5, 2.0, np.array([10.0]), np.array([0.1 + 0.1 * (t < 0)]), 3.7, t) for t in temps]
    figure, axes = plt.subplots(1, 2)
    result = SimpleNamespace(curves=curves, pulses=pulses, fit=SimpleNamespace(model=model))
    _curves(axes[0], result)
    _resistances(axes[1], result)
    for dots, line in (axes[0].lines[:2], axes[0].lines[2:4]):  # rows made by the model: the line goes through them
        assert np.interp(dots.get_xdata(), line.get_xdata(), line.get_ydata()) == pytest.approx(dots.get_ydata())
    _, warm, dot, _, cold, other = axes[1].lines
    assert warm.get_color() == dot.get_color() != cold.get_color() == other.get_color()
    assert (cold.get_ydata() > 1.3 * warm.get_ydata()).all()
    plt.close(figure)


def test_missing_file_is_named(here: Path):
    result = invoke("nowhere.csv")
    assert result.exit_code == 2
    assert "nowhere.csv" in result.stderr


def test_shuffled_rows_comments_and_semicolons_are_read(tmp_path: Path):
    rows = sound(0.1) + sound(1.0, 3.9)
    path, problems = tmp_path / "c.csv", list[Problem]()
    path.write_text("# invented\n" + (HEAD + "\n".join(reversed(rows))).replace(",", ";") + "\n", encoding="utf-8-sig")
    curves = read_curves(path, problems)
    assert problems == []
    assert [c.current_a for c in curves] == [0.1, 1.0]
    assert np.all(np.diff(curves[0].capacity_ah) > 0)


def test_noise_and_a_passing_dip_are_no_rise():
    x = np.linspace(0, 1, 200)
    assert len(rising_rows(4 - x + 0.002 * np.random.default_rng(5).standard_normal(200))) == 0
    dipped = np.array([3.24, 3.21, 3.14, 3.17, 3.165, 3.14])
    assert len(rising_rows(dipped)) == 0
    assert list(rising_rows(np.array([4.0, 3.9, 3.8, 3.85, 3.7]))) == [2]


def test_all_faults_come_together(tmp_path: Path):
    with pytest.raises(BadInput) as caught:
        read_asked(
            CharacterizeRequest(
                curves=tmp_path / "a.csv", pulses=tmp_path / "b.csv", profiles=[tmp_path / "c.csv"], powers_w=[np.nan]
            )
        )
    assert len(caught.value.problems) == 4


def test_a_capacity_beyond_every_curve_is_said(here: Path):
    """Curves that end early, as a load does that stops above the cut-off: what the cell would hold at no current."""
    rows = [line for line in CURVES.read_text().splitlines() if not line.startswith("#")]
    most = max(float(row.split(",")[1]) for row in rows[1:])
    short = here / "short.csv"
    short.write_text("\n".join([rows[0], *(r for r in rows[1:] if float(r.split(",")[1]) < 0.8 * most)]) + "\n")
    for file, told in ((CURVES, False), (short, True)):
        record = json.loads(invoke(file, "--json").stdout)["fit"]
        seen = max(curve["capacity_ah"] for curve in record["curves"])
        beyond = record["capacity_ah"] / seen - 1
        assert (beyond > 0.02) == told == any("beyond what any curve gave" in note for note in record["notes"])
        text = invoke(file).output
        assert ("beyond what any curve gave" in text) == told
