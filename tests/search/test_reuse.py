"""What a change of a brief or of a catalog leaves to be worked out again: geometry, chains and plates stay known."""

from collections import Counter

import pytest

from optimizer.catalog import builtin_catalogs
from optimizer.fit.placement import place
from optimizer.search.space import fills
from optimizer.workflows.how import How
from optimizer.workflows.search import run_job

# What takes the time of a first search: layouts, modules, chains of groups, plates, cases, their heat.
WORK = [(place, "candidates"), (fills, "module_layouts"), (fills, "chain"), (fills, "plate_metrics"),
        (fills, "case_volume"), (fills, "heating")]  # fmt: skip


@pytest.fixture
def quick(tmp_path, monkeypatch):
    """The quick demo with trays and modules, and tables of its own; counts what is worked out from cold."""
    folder = builtin_catalogs()
    for path in (*folder.glob("*.csv"), folder / "briefs" / "quick-36v.toml"):
        there = tmp_path / path.relative_to(folder)
        there.parent.mkdir(exist_ok=True)
        there.write_text(path.read_text())
    brief = tmp_path / "briefs" / "quick-36v.toml"
    changed(brief, 'ways = ["tray"]', 'ways = ["tray", "modules"]')
    changed(brief, "parallel = [2, 5]", "parallel = [2, 3]")
    monkeypatch.setenv("CELLSTOW_CACHE", str(tmp_path / "cache"))
    return brief


def changed(path, before, after):
    """A file with one text replaced, which is there once."""
    text = path.read_text()
    assert text.count(before) == 1, before
    path.write_text(text.replace(before, after))


def solved(brief, monkeypatch):
    """Front of a search, and how often each kind of work was done for it."""
    done = Counter()

    def counting(room, name):
        whole = getattr(room, name)

        def counted(*given, **asked):
            done[name] += 1
            return whole(*given, **asked)

        return counted

    with monkeypatch.context() as patch:
        for room, name in WORK:
            patch.setattr(room, name, counting(room, name))
        result = run_job(brief, folder=brief.parent / "run", how=How(workers=1, force=True))
    kept = {path: path.stat().st_mtime_ns for path in (brief.parents[1] / "cache").rglob("*.npz")}
    return result.front, done, kept


def test_a_price_or_a_constraint_works_out_no_geometry_again(quick, monkeypatch):
    first, done, kept = solved(quick, monkeypatch)
    assert all(done[name] for _, name in WORK) and len(kept) > 5

    cells = quick.parents[1] / "cells.csv"
    row = next(line for line in cells.read_text().splitlines() if line.startswith(str(first["cell_id"].iloc[0])))
    columns = next(line for line in cells.read_text().splitlines() if line.startswith("id,")).split(",")
    values = row.split(",")
    at = columns.index("price")
    values[at] = f"{2 * float(values[at]):.2f}"
    changed(cells, row, ",".join(values))
    dearer, done, now = solved(quick, monkeypatch)
    assert not done and now == kept
    assert dearer["cost"].tolist() != first["cost"].tolist()

    middle = float(dearer["pack_mass_kg"].median())
    quick.write_text(quick.read_text() + f"\n[constraints]\npack_mass_kg_max = {middle:.3f}\n")
    lighter, done, now = solved(quick, monkeypatch)
    assert not done and now == kept
    assert 0 < len(lighter) < len(dearer) and lighter["pack_mass_kg"].max() <= middle + 1e-3

    # So that counting nothing means something: a gap between cells is another matter.
    changed(quick, "cell_gap_mm = 0.8", "cell_gap_mm = 0.9")
    _, done, now = solved(quick, monkeypatch)
    assert all(done[name] for _, name in WORK) and len(now) > len(kept)
