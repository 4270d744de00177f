"""Cached layouts and fills are keyed by the code that makes them: found from its imports, held against what runs."""

import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from optimizer.base import cache, sources
from optimizer.catalog import builtin_catalogs
from optimizer.fit.placement import place
from optimizer.search.space import fills
from optimizer.search.space.offering import Task
from optimizer.search.space.setup import load_space

# What reads the brief to say what is asked for; its answer is part of the key as a value.
ASKING = {
    "optimizer.search.space.space", "optimizer.fit.region.geometry", "optimizer.fit.placement.survey",
    "optimizer.score.inputs", "optimizer.brief.schema", "optimizer.pack.case.wanted", "optimizer.search.space.parts",
    "optimizer.search.space.seats", "optimizer.search.space.stands", "optimizer.fit.placement.bodies",
    "optimizer.pack.wiring.passages", "optimizer.search.space.rooms", "optimizer.catalog.selection",
    "optimizer.fit.placement.zones", "optimizer.pack.second", "optimizer.search.space.offering",
    "optimizer.score.context", "optimizer.score.outside", "optimizer.pack.joining",
    "optimizer.search.space.hubs", "optimizer.search.space.contents",
}  # fmt: skip


def modules_that_run(work):
    """Modules of the program in which a function is called while some work is done."""
    found = set()

    def note(frame, event, _):
        if event == "call":
            found.add(str(frame.f_globals.get("__name__")))

    sys.setprofile(note)
    try:
        work()
    finally:
        sys.setprofile(None)
    return {name for name in found if name.partition(".")[0] == "optimizer"}


@pytest.fixture
def space(tmp_path, monkeypatch):
    """The quick brief with all ways to fill, and nothing cached."""
    monkeypatch.setenv("CELLSTOW_CACHE", str(tmp_path / "cache"))
    text = (builtin_catalogs() / "briefs" / "quick-36v.toml").read_text()
    text = text.replace('"../', f'"{builtin_catalogs().as_posix()}/').replace('["tray"]', '["tray", "modules"]')
    text = text.replace('placements = ["square", "staggered"]', 'placements = ["square", "staggered", "free"]')
    assert '"free"' in text and '"modules"' in text
    path = tmp_path / "brief.toml"
    path.write_text(text)
    return load_space(path)


def test_all_that_runs_for_a_layout_and_for_a_fill_is_part_of_its_key(space):
    layouts = modules_that_run(lambda: space.layouts(0, 0)) - ASKING
    assert len(layouts) > 5 and layouts <= sources.reached(place.__name__)
    made = modules_that_run(lambda: space.fills(Task(0, 2))) - ASKING
    assert len(made) > 10 and made <= sources.reached(fills.__name__)


def test_a_change_of_any_module_that_is_reached_changes_the_key(monkeypatch):
    before = sources.fingerprint(fills.__name__)
    own = sorted(name for name in sources.reached(fills.__name__) if name.startswith("optimizer."))
    assert "optimizer.fit.placement.cases" in own and "optimizer.fit.region.section" in own
    read = Path.read_bytes
    for name in own:
        path = sources._path(name)
        monkeypatch.setattr(Path, "read_bytes", lambda self, path=path: read(self) + b"#" * (self == path))
        sources.fingerprint.cache_clear()
        assert sources.fingerprint(fills.__name__) != before, name
    monkeypatch.undo()
    sources.fingerprint.cache_clear()
    assert sources.fingerprint(fills.__name__) == before


def test_a_release_of_a_library_changes_the_key(monkeypatch):
    before = sources.fingerprint(place.__name__)
    assert {"numpy", "numba", "scipy", "shapely"} <= sources.reached(place.__name__)
    monkeypatch.setattr(sources, "_release", lambda library: "99" if library == "scipy" else "1")
    sources.fingerprint.cache_clear()
    assert sources.fingerprint(place.__name__) != before
    sources.fingerprint.cache_clear()


def test_a_layout_needs_no_electricity_and_no_brief():
    """A key that took in the whole program would throw away all layouts whenever a page changes."""
    reached = sources.reached(fills.__name__)
    assert not [n for n in reached if n.startswith(("optimizer.ride", "optimizer.brief", "optimizer.review"))]


def test_imports_count_wherever_they_stand_but_for_type_checkers(tmp_path, monkeypatch):
    folder = tmp_path / "optimizer"
    for name, text in {
        "a": "if TYPE_CHECKING:\n    import optimizer.b\nelse:\n    import json\ntry:\n    import numpy as np\n"
             "finally:\n    from optimizer import c\n",
        "b": "", "c": "def f():\n    with x:\n        from optimizer.d import g, h\n", "d": "import os, scipy.linalg",
    }.items():  # fmt: skip
        (folder / f"{name}.py").parent.mkdir(exist_ok=True)
        (folder / f"{name}.py").write_text(text)
    spec = {f"optimizer.{name}": folder / f"{name}.py" for name in "abcd"} | {"optimizer": folder / "b.py"}
    monkeypatch.setattr(sources, "_spec", spec.get)
    for function in (sources.reached, sources._imports):
        function.cache_clear()
    own = {"optimizer", "optimizer.a", "optimizer.c", "optimizer.d"}
    assert sources.reached("optimizer.a") == own | {"numpy", "scipy"}
    with pytest.raises(ValueError, match=r"no module optimizer\.x"):
        sources.reached("optimizer.x")
    for function in (sources.reached, sources._imports):
        function.cache_clear()


def test_fills_of_layouts_that_stand_alike_keep_their_own_names(space):
    """A single row is square and staggered at once; the cache must not mix the names up."""
    (tray, *_) = space.layouts(0, 0)
    how = {"size": space.sizes[0], "parallel": 2}
    rules = fills.FillRules(
        clearance=fills.Clearance(), case=fills.CaseRules(), ways=("tray",), groups_per_module=(),
        made=(fills.Way("strip", 8.0, 1),), lay=fills.LayRules(), seconds=0.05, seed=1,
    )  # fmt: skip
    for name in ("square along z", "staggered along z", "square along z"):
        found = fills.fills(
            space.rooms[0], trays=[replace(tray, name=name)], rules=rules, hub_mm=(0.0, 0.0, 0.0), **how
        )
        assert found and all(fill.layout.name.startswith(name) for fill in found)
    (fill, *_) = found
    assert np.array_equal(fill.layout.centres_mm, tray.centres_mm) and cache.folder() is not None
