"""Random packs around the rows of a front, scored through the public API: none may lie outside the front.

Grade: second way to the same figures, one pack at a time; nothing of the engine that found the front is asked.
Without [objectives] resolution every row that nothing dominates is on the front, so that one pack outside is a fault.
"""

from dataclasses import replace

import numpy as np
import pytest

from optimizer import api
from optimizer.base.problems import BadInput
from optimizer.catalog import builtin_catalogs
from optimizer.design.protection import broken
from optimizer.design.select import choose
from optimizer.design.subspace import restricted_space
from optimizer.front.pareto import signed
from optimizer.workflows.search import How, run_job

BRIEFS = builtin_catalogs() / "briefs"
PARTS = ("cell_id", "strip", "strip_layers", "wire", "bms", "fuse")
# What front.csv rounds to, and what the digits of two sums may differ by.
SLACK = 2e-6


def whole(name, folder, *changes):
    """A demo brief without resolution, with some words changed."""
    text = (BRIEFS / name).read_text().replace('"../', f'"{builtin_catalogs().as_posix()}/')
    kept = [line for line in text.splitlines() if not line.startswith("resolution")]
    text = "\n".join(kept) + "\n"
    for old, new in changes:
        assert old in text, old
        text = text.replace(old, new, 1)
    path = folder / name
    path.write_text(text)
    return path


def drawn(rows, space, rng):
    """A row with one to three of its parts taken from another row, or from all that the brief allows."""
    row = dict(rows[rng.integers(len(rows))])
    inputs = space.inputs
    offered = {
        "cell_id": inputs.cells.id[inputs.cell_rows], "strip": inputs.strips.id[inputs.strip_rows],
        "strip_layers": np.array(sorted(space.brief.vary.strip_layers)), "wire": inputs.wires.id[inputs.wire_rows],
        "bms": inputs.bms.id[inputs.bms_rows], "fuse": inputs.fuses.id[inputs.fuse_rows],
    }  # fmt: skip
    other = rows[rng.integers(len(rows))]
    for name in rng.choice(PARTS, size=rng.integers(1, 4), replace=False):
        row[name] = other[name] if rng.random() < 0.3 else rng.choice(offered[name]).item()
    if rng.random() < 0.3:
        # Where the groups stand, from a row of as many in series and in parallel.
        alike = [r for r in rows if all(r[k] == row[k] for k in ("cell_id", "series", "parallel"))]
        if alike:
            row |= {k: alike[rng.integers(len(alike))][k] for k in ("split", "layout")}
    return row


def outside(path, front, *, draws, seed):
    """Packs drawn, those of them that meet every constraint, and those that no row of the front equals or beats."""
    space = api.load(path)
    rows, use = front.to_dict("records"), space.brief.objectives.use
    points = signed(front, objectives=use)
    rng, meet, found = np.random.default_rng(seed), 0, []
    for _ in range(draws):
        choices = drawn(rows, space, rng)
        try:
            row = api.score(space, choices)
        except BadInput:
            continue
        if any(value < 0 for name, value in row.items() if name.startswith("margin_")):
            continue
        meet += 1
        point = signed({k: np.array([row[k]]) for k in use}, objectives=use)
        if not (points <= point + SLACK * np.maximum(np.abs(point), 1.0)).all(axis=1).any() and allowed(space, row):
            found.append({k: row[k] for k in ("cell_id", "series", "parallel", "split", *PARTS, *use)})
    return meet, found


def allowed(space, row):
    """Whether the rules that refuse a pack before it is scored (stock, BMS, fuse, protection) let it pass.

    What a fuse protects follows from the plates of the very layout that the row names, the rest from its parts.
    """
    if broken(space, choose(space, row)):
        return False
    split = {name: int(count) for name, count in (part.rsplit(":", 1) for part in row["split"].split())}
    asked = api.Choice(
        cell=row["cell_id"], series=int(row["series"]), parallel=int(row["parallel"]), split=split,
        strip=row["strip"], strip_layers=int(row["strip_layers"]), wire=row["wire"], bms=row["bms"], fuse=row["fuse"],
    )  # fmt: skip
    try:
        return len(api.search(restricted_space(space.inputs, asked)).found) > 0
    except BadInput:
        return False


def searched(path, tmp_path):
    return run_job(path, folder=tmp_path / "run", how=How(workers=1)).front


def test_around_rows_of_the_small_brief(tmp_path):
    path = whole("quick-36v.toml", tmp_path)
    meet, found = outside(path, searched(path, tmp_path), draws=150, seed=1)
    assert meet > 40 and found == []


@pytest.mark.nightly
def test_around_rows_on_a_lap_that_few_packs_finish(tmp_path):
    """Hills of which the hard part comes late: ranges jump where a pack just gets over."""
    hills = ("speed_kmh = 22.0\ngrade_pct = 0.5\nlength_km = 1.0", f'trace = "{RIDES}/delivery-round.csv"')
    path = whole("quick-36v.toml", tmp_path, hills, ("parallel = [2, 5]", "parallel = [1, 2]"))
    front = searched(path, tmp_path)
    meet, found = outside(path, front, draws=100, seed=2)
    assert meet > 20 and found == []


RIDES = (builtin_catalogs() / "rides").as_posix()
NIGHTLY = {
    "demo": ("cargo-scooter.toml",),
    "demo, few cells, no charge of the fast form": (
        "cargo-scooter.toml", ('cells = ["*"]', 'cells = ["cinder-18650-*", "amber-21700-*"]'),
    ),
    "hills at -5 degrees and charging": (
        "quick-36v.toml", ("speed_kmh = 22.0\ngrade_pct = 0.5\nlength_km = 1.0",
                           f'trace = "{RIDES}/urban-hills.csv"\ntemp_c = -5.0'),
        ("[objectives]", '[objectives]\nuse = ["range_km", "pack_mass_kg", "cost", "charge_min"]'),
        ("[catalog]", f'[catalog]\nchargers = "{builtin_catalogs().as_posix()}/chargers.csv"'),
    ),
    "modules in two boxes": (
        "quick-36v.toml", ('ways = ["tray"]', 'ways = ["tray", "modules"]'),
        ("[electrical]", '[[compartment]]\nname = "rear"\nshape = "box"\nlength_mm = 120.0\nwidth_mm = 90.0\n'
                         "height_mm = 80.0\nposition_mm = [-400.0, 0.0, 0.0]\n[electrical]"),
    ),
}  # fmt: skip


@pytest.mark.nightly
@pytest.mark.parametrize("name", NIGHTLY)
def test_around_rows_of_four_briefs(name, tmp_path):
    file, *changes = NIGHTLY[name]
    path = whole(file, tmp_path, *changes)
    meet, found = outside(path, searched(path, tmp_path), draws=4000, seed=4)
    assert meet > 400 and found == []


def test_a_part_that_does_not_suit_the_pack_is_refused_in_words():
    space = api.load(BRIEFS / "quick-36v.toml")
    row = api.front(space, api.search(space)).iloc[0].to_dict()
    wrong = space.inputs.bms.id[space.inputs.bms.series_min > row["series"]][0]
    with pytest.raises(BadInput, match=r"bms.*must manage 10 .* cells in series, 42 V when full"):
        api.score(space, row | {"bms": wrong})
    weak = replace(space.inputs.fuses, voltage_dc_v=np.full(len(space.inputs.fuses.id), 32.0))
    other = replace(space, inputs=replace(space.inputs, fuses=weak))
    with pytest.raises(BadInput, match=r"fuse.*must break 42 V DC"):
        api.score(other, row)
