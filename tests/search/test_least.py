"""Fewer groups than other compartments leave over are measured in no compartment, and no front is missing a pack."""

import numpy as np
import pytest

from optimizer.catalog import builtin_catalogs
from optimizer.search.running.run import search
from optimizer.search.space import fills as made
from optimizer.search.space.setup import load_space
from optimizer.search.space.space import Space

STEM = '''
[[compartment]]
name = "stem"
shape = "box"
length_mm = 60.0
width_mm = 80.0
height_mm = 75.0
'''


@pytest.fixture
def brief(tmp_path):
    """The quick brief with a second, small compartment, trays and modules."""
    text = (builtin_catalogs() / "briefs" / "quick-36v.toml").read_text()
    text = text.replace('"../', f'"{builtin_catalogs().as_posix()}/').replace('["tray"]', '["tray", "modules"]')
    text = text.replace("parallel = [2, 5]", "parallel = [2, 3]") + STEM
    path = tmp_path / "two.toml"
    path.write_text(text)
    return path


def test_front_and_counts_are_those_of_all_numbers_of_groups(brief, monkeypatch):
    few = load_space(brief)
    some = search(few)
    leasts = [few._least_groups(room, task) for task in few.tasks() for room in range(len(few.rooms))]
    assert max(leasts) >= 4 and len(some.found) > 3
    monkeypatch.setattr(Space, "_least_groups", lambda *_: 1)
    whole = search(load_space(brief))
    assert np.array_equal(some.found.names, whole.found.names)
    assert np.array_equal(some.found.numbers, whole.found.numbers)
    assert some.tally == whole.tally


def test_what_is_on_disk_serves_more_groups_and_is_found_anew_for_fewer(brief, tmp_path, monkeypatch):
    monkeypatch.setenv("CELLSTOW_CACHE", str(tmp_path / "cache"))
    asked = []
    measured = made.measured

    def noted(*given, least, **more):
        asked.append(least)
        return measured(*given, least=least, **more)

    monkeypatch.setattr(made, "measured", noted)

    def found(least):
        """Fills for so many groups, by a space that remembers nothing, and whether they were worked out."""
        monkeypatch.setattr(Space, "_least_groups", lambda *_: least)
        space, before = load_space(brief), len(asked)
        return space.room_fills(0, space.tasks()[0]), len(asked) > before

    def same(some, others):
        return len(some) == len(others) and all(
            one.layout.name == other.layout.name and np.array_equal(one.metrics, other.metrics)
            for one, other in zip(some, others, strict=True)
        )

    (four, fresh), (five, again), (three, third) = found(4), found(5), found(3)
    assert fresh and not again and not third
    assert set(asked) == {3} and all(np.isinf(fill.metrics[1:4]).all() for fill in four)
    assert all(np.isfinite(fill.metrics[5, 0]) and np.isinf(fill.metrics[4, 0]) for fill in five)
    assert all(fill.groups >= 3 for fill in three)
    (two, anew), (five_again, _) = found(2), found(5)
    assert anew and set(asked) == {1, 3} and np.isfinite(two[0].metrics[2, 0]) and same(five, five_again)


def test_where_no_layout_holds_enough_the_fullest_is_told(brief, monkeypatch):
    space = load_space(brief)
    task = space.tasks()[0]
    most = max(fill.groups for fill in space.room_fills(0, task))
    monkeypatch.setattr(Space, "_least_groups", lambda *_: most + 5)
    assert max(fill.groups for fill in load_space(brief).room_fills(0, task)) == most
