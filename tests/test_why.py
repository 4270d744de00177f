"""Why a pack is not on the front: every rule and limit by its figure, and the rows that beat it.

Expected values are worked out by hand from the quick brief and the demo tables (closed form), or found a second
way from the run's own front (second implementation).
"""

import json
import re

import numpy as np
import pytest
from click.testing import CliRunner

from optimizer import api
from optimizer.analysis import widening
from optimizer.analysis.obstacles import remedies
from optimizer.analysis.why import parse_shares, whole_space, why
from optimizer.analysis.widening import account, widened
from optimizer.base.problems import BadInput
from optimizer.brief.choice import Choice
from optimizer.catalog import builtin_catalogs
from optimizer.cli import main
from optimizer.front.pareto import signed
from optimizer.search.running.run import search

QUICK = builtin_catalogs() / "briefs" / "quick-36v.toml"


def run(*args):
    return CliRunner().invoke(main, [str(arg) for arg in args])


@pytest.fixture(scope="module")
def space():
    return api.load(QUICK)


@pytest.fixture(scope="module")
def front(space):
    return api.front(space, api.search(space))


def limited(tmp_path, **limits):
    """The quick brief with constraints, as a space."""
    text = QUICK.read_text().replace('"../', f'"{builtin_catalogs().as_posix()}/')
    path = tmp_path / "limited.toml"
    path.write_text(text + "\n[constraints]\n" + "".join(f"{name} = {value}\n" for name, value in limits.items()))
    return api.load(path)


def only(answer):
    assert len(answer.reasons) == 1
    return answer.reasons[0]


def test_voltage_window_by_how_many_volts(space):
    reason = only(why(space, Choice(cell="amber-18650-e35", series=11)))
    assert reason.rule == "voltage window"
    assert reason.short == pytest.approx(11 * 4.2 - 42.0)
    under = only(why(space, Choice(cell="amber-18650-e35", series=9)))
    assert under.short == pytest.approx(25.0 - 9 * 2.5)


def test_room_by_how_many_groups(space):
    reason = only(why(space, Choice(parallel=9)))
    held = max(sum(space.most_cells(k)) for k in range(len(space.sizes)))
    assert reason.rule == "does not fit"
    # A group needs nine of the places; chains may lose a few of them, never gain any.
    assert 10 - held // 9 <= reason.short < 10


def test_split_that_a_compartment_does_not_hold_names_it(space):
    reason = only(why(space, Choice(cell="amber-21700-e50", parallel=4, split={"box": 10})))
    assert reason.rule == "does not fit"
    assert "box" in reason.text


def test_no_bms_and_stock(tmp_path):
    no_bms = limited(tmp_path)
    answer = why(no_bms, Choice(cell="amber-18650-e35", series=10, parallel=2, bms="warden-14s-30a"))
    assert only(answer).rule == "no BMS or fuse"
    assert "10 NMC cells in series" in only(answer).text
    # 240 in stock (cells.csv); 10 × 24 built in and 5 % spare make 252.
    scarce = why(no_bms, Choice(cell="cinder-21700-p42", series=10, parallel=24))
    assert only(scarce).rule in ("does not fit", "stock")


@pytest.mark.parametrize(
    ("limit", "figure", "most"),
    [({"range_km_min": 60.0}, "range_km", True), ({"cost_max": 60.0}, "cost", False)],
)
def test_a_limit_that_fails_says_by_how_much(tmp_path, front, limit, figure, most):
    asked = Choice(cell="amber-18650-e35", parallel=3)
    reason = only(why(limited(tmp_path, **limit), asked))
    rows = front[(front["cell_id"] == asked.cell) & (front["parallel"] == 3)]
    (name, bound), = limit.items()
    assert reason.rule == name
    best = rows[figure].max() if most else rows[figure].min()
    short = bound - best if most else best - bound
    # The front is thinned to the brief's resolution: 1 km, 5 EUR. The range's fast form differs by a per mille.
    assert short - (1.0 if most else 5.0) - 0.05 <= reason.short <= short + 0.05


def test_limits_that_only_fail_together(tmp_path, front):
    # A cell whose pack of most range is not its cheapest one.
    apart = [
        name for name, rows in front.groupby("cell_id") if rows["range_km"].idxmax() != rows["cost"].idxmin()
    ]
    cell = str(apart[0])
    rows = front[front["cell_id"] == cell]
    both = {"range_km_min": float(rows["range_km"].max()) - 0.5, "cost_max": float(rows["cost"].min()) + 0.5}
    reason = only(why(limited(tmp_path, **both), Choice(cell=cell)))
    assert reason.rule == "limits together"
    assert "range_km_min" in reason.text or "cost_max" in reason.text


def test_one_change_of_a_limit_lets_a_pack_through_and_a_smaller_one_does_not(tmp_path, front):
    limits = {"range_km_min": float(front["range_km"].max()) - 2.0, "cost_max": float(front["cost"].min()) + 20.0}
    narrow = limited(tmp_path, **limits)
    found = remedies(narrow)
    assert {each.name for each in found} == set(limits)
    assert [each.share for each in found] == sorted(each.share for each in found)
    for each in found:
        low = each.name.endswith("_min")
        assert each.row["margin_" + ("cost_max" if low else "range_km_min")] >= 0
        for part, some in ((1e-6, True), (-1e-4, False)):
            changed = each.needed * (1.0 - part if low else 1.0 + part)
            assert bool(len(search(limited(tmp_path, **limits | {each.name: changed})).found)) is some


def small(tmp_path, **lengths):
    """The quick brief with one cell, P = 2 and other lengths of its box, as a space."""
    text = QUICK.read_text().replace('"../', f'"{builtin_catalogs().as_posix()}/')
    for name, value in lengths.items():
        text = re.sub(rf"(?m)^{name}_mm = .*", f"{name}_mm = {value}", text)
    text = re.sub(r"(?m)^cells = \[.*", 'cells = ["amber-18650-e35"]', text).replace("[2, 5]", "[2, 2]")
    text = text.replace('["square", "staggered"]', '["square"]').replace('["silicone-*"]', '["silicone-4"]')
    path = tmp_path / "small.toml"
    text = re.sub(r"(?m)^strips = \[.*", 'strips = ["nickel-8x0.20"]', text)
    path.write_text(text + "\n[protection]\nfuse_protects = false\n")
    return api.load(path)


def test_a_length_that_lets_a_pack_through_does_and_a_millimetre_less_does_not(tmp_path, monkeypatch):
    monkeypatch.setattr(widening, "MOST_MM", 24)
    asked = {"length": 120.0, "width": 70.0, "height": 80.0}
    told = account(small(tmp_path, **asked), seconds=60.0)
    assert told["obstacles"][0]["rule"] == "does not fit" and not told["unlooked"]
    found = {each["constraint"].removeprefix("box "): each for each in told["remedies"]}
    assert len(found) >= 2
    for name, each in found.items():
        assert each["bound"] == asked[name] and each["needed"] == int(each["needed"])
        for value, some in ((each["needed"], True), (each["needed"] - 1.0, False)):
            assert bool(len(search(small(tmp_path, **asked | {name: value})).found)) is some
    late = widened(small(tmp_path, **asked), seconds=0.0)
    assert late.unlooked == ("box length", "box width", "box height") and not late.remedies


def test_rows_said_to_beat_a_pack_do(space, front):
    tried = (
        why(space, Choice(series=10, parallel=parallel, axes={"box": axis}), front=front)
        for parallel in (3, 4, 2) for axis in "xyz"
    )  # fmt: skip
    answer = next(answer for answer in tried if not answer.reasons and answer.beaten)
    assert not answer.reasons
    assert answer.beaten
    use = space.brief.objectives.use
    for item in answer.beaten:
        own = signed({name: np.array([item.row[name]]) for name in use}, objectives=use)
        for row in item.by.to_dict("records"):
            other = signed({name: np.array([row[name]]) for name in use}, objectives=use)
            assert np.all(other <= own + 1e-6)
        assert item.near["design_id"] in set(front["design_id"])


def test_a_pack_of_the_front_is_said_to_be_on_it(space, front):
    row = front.iloc[0]
    asked = Choice(cell=row["cell_id"], series=int(row["series"]), parallel=int(row["parallel"]))
    answer = why(space, asked, front=front)
    assert answer.on_front
    assert set(answer.on_front) <= set(front["design_id"])


def test_what_vary_leaves_out_is_said_beside_the_answer(space):
    answer = why(space, Choice(cell="heath-18650-p11", series=10, parallel=2))
    assert any("heath-18650-p11" in note.text for note in answer.notes)


def test_unknown_names_are_told_with_the_nearest(space):
    with pytest.raises(BadInput, match="amber-18650-e35") as bad:
        why(space, Choice(cell="amber-18650-e36"))
    assert [p.code for p in bad.value.problems] == ["unknown-part"]
    with pytest.raises(BadInput, match="bad-split"):
        parse_shares("box:x", rooms=["box"])
    assert parse_shares("top box:3, box:4", rooms=["box", "top box"]) == {"top box": "3", "box": "4"}


def test_the_counts_of_a_run_add_up():
    record = {"space": {"scored": 10, "pruned": {"stock": 5}, "rejected": {"cost_max": 4}, "raw": 15}}
    counts = dict(whole_space(record))
    assert counts == {"stock": 5, "cost_max": 4, "scored and feasible": 6}
    assert sum(counts.values()) == 15


def test_command_answers_in_words_and_in_json():
    done = run("why", QUICK, "--series", 11, "--quiet")
    assert done.exit_code == 0, done.output
    assert re.search(r"voltage window: 11 × 4\.2 V", done.output)
    record = json.loads(run("why", QUICK, "--cell", "amber-18650-e35", "--json").stdout)
    assert record["feasible"] is True
    assert record["asked"] == {"cell": "amber-18650-e35"}
