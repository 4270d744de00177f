"""The sampled engine: against enumeration of every box, its bounds, limits, storage and front.

Expected values: second implementation (every box solved exactly, no bound across boxes), or closed form.
"""

from dataclasses import replace
from itertools import product

import numpy as np
import pytest
from open_briefs import LENGTH, WIDTH, brief_text

from optimizer.base.problems import BadInput
from optimizer.brief import SearchRules, load_brief, open_brief
from optimizer.design.unfold import unfold
from optimizer.fit.placement.place import optimistic_cells, place
from optimizer.fit.region.compartment import Compartment, box
from optimizer.fit.region.geometry import wall_volume_mm3
from optimizer.fit.region.layout import CellSize, Clearance
from optimizer.front.dominance import Dominators
from optimizer.front.pareto import hypervolume, nondominated
from optimizer.search.boxes import sampled
from optimizer.search.boxes.freedims import open_boxes, space_of_row
from optimizer.search.boxes.gain import gained, representatives
from optimizer.search.boxes.inside import solve
from optimizer.search.boxes.openfront import front_of
from optimizer.search.boxes.sampled import Explorer
from optimizer.search.boxes.study import new_study, packed, unpacked
from optimizer.search.exact import archive

FINE = {"length": "{ min = 104, max = 204, step = 12.5 }", "width": "{ min = 66, max = 126, step = 10 }"}
ONE_SIZE = '["amber-18650-e29", "amber-18650-e32"]'


BOX = "[box]\nwall_mm = 2.0\ndensity_kg_m3 = 2700.0\nprice_per_kg = 40.0\n"
NONE = np.zeros((0, 3))


def walls_kg(length_mm, width_mm, height_mm, wall_mm=2.0):
    """Closed form: a box's outer volume less its inner, of aluminium."""
    outer = (length_mm + 2 * wall_mm) * (width_mm + 2 * wall_mm) * (height_mm + 2 * wall_mm)
    return (outer - length_mm * width_mm * height_mm) * 2700e-9


@pytest.fixture(scope="session")
def folder(tmp_path_factory):
    """Briefs and a cache of their own: geometry is worked out once for the file."""
    return tmp_path_factory.mktemp("boxes")


@pytest.fixture(autouse=True)
def _own_cache(folder, monkeypatch):
    monkeypatch.setenv("CELLSTOW_CACHE", str(folder / "cache"))


def written(folder, name="boxes", **parts):
    path = folder / f"{name}.toml"
    path.write_text(brief_text(**parts))
    return path


def boxes_of(folder, name="boxes", **parts):
    return open_boxes(open_brief(written(folder, name, **parts)))


def every(boxes):
    """All boxes solved one by one, nothing known beforehand: packs and tally by box."""
    keys = product(*(range(item.points) for item in boxes.free))
    return {key: solve(boxes, key, known=NONE, complete=True) for key in keys}


def front_of_all(each):
    """Objectives of the front over all boxes, shape (n, 3)."""
    points = np.concatenate([found.objectives for found, _ in each.values()])
    return points[nondominated(points)]


def share_of(points, *, whole):
    """Hypervolume of points over that of the known front."""
    reference = whole.max(axis=0) + 0.05 * np.ptp(whole, axis=0)
    return hypervolume(points, reference=reference) / hypervolume(whole, reference=reference)


@pytest.fixture(scope="session")
def solved(folder):
    """Boxes of which every one is solved: the exact answer is known."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("CELLSTOW_CACHE", str(folder / "cache"))
        boxes = boxes_of(folder, "solved", **FINE, box_lines=BOX, cells=ONE_SIZE)
        return boxes, every(boxes)


@pytest.mark.nightly
@pytest.mark.parametrize("sampler", ["tpe", "nsga2"])
@pytest.mark.parametrize("seed", range(1, 5))
def test_reaches_the_known_front_in_a_third_of_the_boxes(solved, sampler, seed, monkeypatch):
    """What a box holds is looked up here: that the engine finds it is shown by the tests of `solve`."""
    boxes, each = solved
    assert boxes.count == 9 * 7

    def looked_up(boxes, key, *, known, warmer=None):
        found, tally = each[key]
        return found.take(~archive.beaten(found.objectives, front=Dominators(known))), tally

    monkeypatch.setattr(sampled, "solve", looked_up)
    rules = SearchRules(sampler=sampler, trials=21, grid=3, patience=0)
    state = Explorer(boxes, rules=rules, seed=seed).run()
    assert state.boxes == 21 and state.stopped == "trials"
    assert 0.98 <= share_of(state.found.objectives, whole=front_of_all(each)) <= 1 + 1e-9


@pytest.mark.slow
@pytest.mark.parametrize("sampler", ["tpe", pytest.param("nsga2", marks=pytest.mark.nightly)])
def test_bounds_across_boxes_lose_nothing(folder, sampler):
    boxes = boxes_of(folder, "few", length="{ min = 104, max = 204, step = 50 }", box_lines=BOX, width="84.0")
    assert boxes.count == 3
    rules = SearchRules(trials=1000, grid=2, patience=0, sampler=sampler)
    state = Explorer(boxes, rules=rules, seed=5).run()
    assert state.stopped == "every box tried" and state.boxes == boxes.count
    as_rows = lambda rows: np.unique(np.round(rows, 9), axis=0)  # noqa: E731
    want = front_of_all(every(boxes))
    np.testing.assert_allclose(as_rows(state.found.objectives), as_rows(want), rtol=1e-9)


# Wide enough that the conductors of ten groups can be laid in every box; at 66 mm of width they can't.
ROOMY = "{ min = 82, max = 98, step = 16 }"


def small(folder, **parts):
    """Two dimensions of two values each."""
    two = {"length": "{ min = 110, max = 130, step = 20 }", "width": "{ min = 66, max = 82, step = 16 }"}
    return boxes_of(folder, "small", **{**two, **parts})


@pytest.mark.nightly
def test_same_seed_same_boxes_and_a_search_goes_on_where_it_stopped(folder):
    boxes = boxes_of(folder, box_lines=BOX)
    rules = SearchRules(trials=8, grid=2, patience=0)
    first, again = (Explorer(boxes, rules=rules, seed=3).run() for _ in range(2))
    np.testing.assert_array_equal(first.found.names, again.found.names)
    study = new_study(3, rules=rules, seed=3)

    def stop(state):
        if state.boxes == 4:
            raise KeyboardInterrupt

    short = Explorer(boxes, rules=rules, seed=3, study=study).run(progress=stop)
    assert short.interrupted and len(short.found) > 0
    rest = Explorer(boxes, rules=rules, seed=3, study=study).run()
    assert (short.boxes, rest.boxes, rest.fresh) == (4, 8, 4)
    np.testing.assert_array_equal(rest.found.names, first.found.names)


def test_stops_without_gain_and_at_the_time(folder):
    boxes = small(folder, width=ROOMY)
    state = Explorer(boxes, rules=SearchRules(trials=50, grid=1, patience=1, gain=0.5), seed=1).run()
    gains = [gain for _, _, gain in state.history]
    assert state.stopped == "no gain" and min(gains[:-1]) >= 0.5 > gains[-1]
    assert Explorer(boxes, rules=SearchRules(), seed=1).run(until=0.0).stopped == "time"


def test_outer_limits_are_kept_and_told_to_optuna(folder):
    boxes = small(folder, box_lines=BOX, outer="outer_max_mm = [129.0, 95.0, 90.0]")
    assert boxes.shortfalls((0, 0)) == dict.fromkeys(boxes.shortfalls((0, 0)), 0.0)
    # 130 mm inside and 2 mm of wall on both sides are 5 mm too long.
    assert boxes.shortfalls((1, 0))["tray 1: outer size along x"] == pytest.approx(5.0)
    explorer = Explorer(boxes, rules=SearchRules(trials=10, grid=2, patience=0), seed=1)
    state = explorer.run()
    assert (state.boxes, state.refused) == (2, 2)
    assert set(state.found.names[:, -2]) == {0}
    broken = [t for t in explorer.study.trials if any(v > 0 for v in t.constraints.values())]
    assert {tuple(t.user_attrs["box"]) for t in broken} == {(1, 0), (1, 1)}


def test_the_envelope_counts_walls(folder):
    boxes = small(folder, box_lines=BOX + "[envelope]\nwidth_mm_max = 80.0\n")
    assert boxes.shortfalls((0, 1))["envelope: width"] == pytest.approx(82 + 4 - 80)
    assert not any(boxes.shortfalls((1, 0)).values())


def test_a_constraint_that_no_pack_of_a_box_meets_is_a_constraint_of_the_box(folder):
    boxes = small(folder, width=ROOMY, search="[constraints]\nrange_km_min = 400.0\n")
    explorer = Explorer(boxes, rules=SearchRules(trials=4, grid=2), seed=1)
    assert len(explorer.run().found) == 0
    assert all(t.constraints["range_km_min"] > 0 for t in explorer.study.trials)


def test_rows_carry_their_box_and_unfold(folder):
    boxes = small(folder, box_lines=BOX)
    state = Explorer(boxes, rules=SearchRules(trials=4, grid=2, patience=0), seed=1).run()
    front = front_of(state.found, boxes=boxes)
    assert len(front) > 2 and front["design_id"].is_unique
    assert set(front["dim_tray_1_length_mm"]) <= {110.0, 130.0}
    for at in (0, len(front) - 1):
        row = dict(front.iloc[at])
        space = space_of_row(boxes.brief, row)
        assert space.rooms[0].extent_mm[0][1] == row["dim_tray_1_length_mm"]
        design = unfold(space, row)
        assert all(station.proof.ok for station in design.stations)
        assert design.bill["mass_g"].sum() / 1e3 == pytest.approx(row["pack_mass_kg"], rel=1e-5)
        assert design.bill["cost"].sum() == pytest.approx(row["cost"], rel=1e-5)
        # Closed form of the walls, at the density and price of the brief.
        inside = (row["dim_tray_1_length_mm"], row["dim_tray_1_width_mm"], 78.0)
        kg = walls_kg(*inside)
        line = design.bill[design.bill["item"] == "box of tray 1"].iloc[0]
        assert (line["mass_g"], line["cost"]) == pytest.approx((1e3 * kg, 40 * kg))


def test_a_row_of_another_brief_has_no_box(folder):
    brief = open_brief(written(folder))
    with pytest.raises(BadInput, match="must be one number") as caught:
        space_of_row(brief, {"dim_tray_1_length_mm": 124.0})
    assert [problem.code for problem in caught.value.problems] == ["free-dimension"]


def test_a_fixed_box_is_billed_too(folder):
    numbers = {"length": "130.0", "width": "82.0"}
    plain = open_boxes(open_brief(written(folder, "fixed", **numbers)))
    billed = open_boxes(open_brief(written(folder, "billed", **numbers, box_lines=BOX + 'compartments = ["tray 1"]\n')))
    assert plain.count == billed.count == 1
    kg = walls_kg(130.0, 82.0, 78.0)
    assert billed.space(()).box == pytest.approx((kg, 40 * kg)) and plain.space(()).box == (0.0, 0.0)
    one, other = (solve(item, (), known=NONE)[0].objectives for item in (plain, billed))
    assert other[:, 2].min() == pytest.approx(one[:, 2].min() + 40 * kg)


def test_a_taper_frees_two_corners_with_one_range(folder):
    text = brief_text().replace('shape = "box"', 'shape = "prism"').replace(f"length_mm = {LENGTH}\n", "")
    text = text.replace(
        f"width_mm = {WIDTH}\nheight_mm = 78.0",
        'profile_mm = [[0, 0], [{ same_as = "taper_mm", times = -1, plus = 120 }, 0], [120, 78],'
        ' [{ min = 0, max = 20, step = 5, name = "taper_mm" }, 78]]\nextrude = "y"\ndepth_mm = 60',
    )
    path = folder / "taper.toml"
    path.write_text(text)
    brief = open_brief(path)
    assert [item.name for item in brief.free] == ["taper_mm"]
    profile = brief.fixed({"taper_mm": 15.0}).compartment[0].profile_mm
    assert (profile[1][0], profile[3][0]) == (105.0, 15.0)


@pytest.mark.parametrize(
    ("value", "code", "words"),
    [
        ("{ min = 90, max = 80 }", "range-order", "min under max"),
        ("{ min = 80, max = 90, step = 11 }", "range-step", "up to 10"),
        ("{ min = 80, max = 90, step = 0 }", "range-step", "over 0"),
        ("{ min = 80 }", "missing-key", "without max"),
        ("{ min = 80, mx = 90, max = 90 }", "unknown-key", "mx"),
        ("{ min = 80, max = inf }", "wrong-type", "finite"),
        ("{ min = -5, max = 90 }", "not-positive", "must be > 0"),
        ('{ min = 80, max = 90, name = "L" }', "bad-name", "ends in _mm"),
        ('{ same_as = "tray_1_widht_mm" }', "unknown-value", "tray_1_width_mm"),
    ],
)
def test_faults_of_a_range_are_named(folder, value, code, words):
    with pytest.raises(BadInput, match=words) as caught:
        open_brief(written(folder, "faulty", length=value))
    assert [problem.code for problem in caught.value.problems] == [code]
    assert "line 9" in caught.value.problems[0].text() or "tray 1" in caught.value.problems[0].field


def test_what_needs_one_box_says_so(folder):
    with pytest.raises(BadInput, match=r"length_mm must be one number here.*range 104 to 204") as caught:
        load_brief(written(folder))
    assert {problem.code for problem in caught.value.problems} == {"free-dimension"}


def test_a_range_where_none_may_stand_is_a_fault_of_type(folder):
    with pytest.raises(BadInput, match="must be a number of millimetres"):
        open_brief(written(folder, "misplaced", more="[clearance]\nend_mm = { min = 1, max = 2 }\n"))


def test_the_grid_is_coarse_keeps_its_ends_and_the_limits(folder):
    boxes = boxes_of(folder)
    keys = boxes.grid(3, most=100, seed=1)
    assert len(keys) == 9 and {(0, 0), (5, 5)} <= set(keys)
    few = boxes.grid(3, most=3, seed=1)
    assert len(few) == 3 and {(0, 0), (5, 5)} <= set(few)
    limited = boxes_of(folder, "limited", outer="outer_max_mm = [150.0, 200.0, 90.0]")
    assert max(key[0] for key in limited.grid(3, most=100, seed=1)) == 2  # 104 + 2 · 20 = 144


@pytest.mark.parametrize("seed", range(20))
def test_optimistic_count_is_never_under_what_fits(seed):
    rng = np.random.default_rng(seed)
    cell = CellSize("cylinder", length_mm=float(rng.uniform(40, 70)), diameter_mm=float(rng.uniform(14, 30)))
    rules = Clearance(cell_gap_mm=float(rng.uniform(0.2, 2)), wall_mm=float(rng.uniform(0, 2)))
    sides = rng.uniform(50, 160, 3)
    room = box("room", length_mm=sides[0], width_mm=sides[1], height_mm=sides[2])
    found = place(room, cell, rules, placements=("square", "staggered"), cache=False)
    assert optimistic_cells(room, cell, rules) >= max((layout.cells for layout in found), default=0)


def test_wall_volume_of_a_prism_equals_the_closed_form_of_a_box():
    room = box("room", length_mm=100.0, width_mm=50.0, height_mm=20.0)
    turned = Compartment("room", ((0, 0), (50, 0), (50, 20), (0, 20)), 0, 100.0)
    for each in (room, turned):
        assert wall_volume_mm3(each, wall_mm=2.0) == pytest.approx(34784.0)  # (104 · 54 · 24) − (100 · 50 · 20)
    # Right triangle 30-40-50: sharp corners all round grow the area by 2t·s + t²·s/r·… = (r + t)² s/r − r s.
    wedge = replace(turned, profile_mm=((0, 0), (40, 0), (0, 30)), depth_mm=10.0)
    half_perimeter, inradius, t = 60.0, 10.0, 1.0
    outer = half_perimeter / inradius * (inradius + t) ** 2
    assert wall_volume_mm3(wedge, wall_mm=t) == pytest.approx(outer * 12.0 - 600.0 * 10.0)


def test_gain_and_representatives_by_hand():
    before = np.array([[0.0, 10.0], [10.0, 0.0]])
    # (4, 4): against (0, 10) it is 6 ahead, against (10, 0) 6 ahead; the spread is 10.
    assert gained(np.array([[4.0, 4.0]]), before=before) == pytest.approx(0.6)
    assert gained(np.array([[11.0, 11.0]]), before=before) == 0.0
    assert gained(before, before=np.zeros((0, 2))) == 1.0 and gained(np.zeros((0, 2)), before=before) == 0.0
    points = np.array([[0.0, 10.0], [10.0, 0.0], [2.0, 2.0], [2.1, 2.0]])
    assert representatives(points, count=1) == [2] and set(representatives(points, count=3)) == {0, 1, 2}


def test_packs_survive_storage_to_the_last_bit(folder):
    boxes = small(folder, width=ROOMY)
    found, _ = solve(boxes, (0, 0), known=NONE)
    assert len(found) > 2
    again = unpacked(packed(found))
    np.testing.assert_array_equal(again.objectives, found.objectives)
    np.testing.assert_array_equal(again.names, found.names)
    with pytest.raises(BadInput, match="can't be read"):
        unpacked(packed(found)[:40])
