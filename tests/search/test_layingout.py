"""Many sizes of cell: said before, worked out with progress, within the time; rounding up makes them few."""

import time
from dataclasses import replace

import numpy as np
import pytest
from scenes import brief_of_many_tasks

from optimizer.base.problems import Stopped
from optimizer.brief import load_brief
from optimizer.catalog import read_cells
from optimizer.fit.placement.survey import survey
from optimizer.fit.region.geometry import cell_size, distinct_sizes
from optimizer.search.space import layingout
from optimizer.search.space.layingout import lay_out
from optimizer.search.space.setup import load_space


@pytest.fixture(scope="module")
def brief(tmp_path_factory):
    return brief_of_many_tasks(tmp_path_factory.mktemp("laying"), most_parallel=3)


def stepped(brief, step_mm):
    text = brief.read_text().replace('ways = ["tray"]', f'ways = ["tray"]\nsize_step_mm = {step_mm}')
    path = brief.with_name(f"step-{step_mm}.toml")
    path.write_text(text)
    return path


class Told:
    def __init__(self):
        self.said, self.steps = [], []

    def say(self, text):
        self.said.append(text)

    def step(self, text):
        self.steps.append(text)


def test_what_lies_ahead_is_said_and_how_far_it_is(brief, monkeypatch):
    told = Told()
    lay_out(load_space(brief), report=told)
    assert told.said == told.steps == []  # few
    monkeypatch.setattr(layingout, "MANY", 1)
    lay_out(load_space(brief), report=told)
    assert "size_step_mm" in told.said[0] and told.steps[-1].startswith("100 %")


def test_a_budget_holds_here_too(brief):
    with pytest.raises(Stopped, match="after 1 of 8 layouts"):
        lay_out(load_space(brief), until=time.monotonic() - 1)


def test_sizes_are_rounded_up_and_never_down(brief):
    cells = load_space(brief).inputs.cells
    rows = np.flatnonzero(np.isin(cells.shape, ["cylinder"]))
    for step in (0.05, 0.2, 1.0):
        for row in rows:
            size, exact = cell_size(cells, row, step_mm=step), cell_size(cells, row)
            for name in ("diameter_mm", "length_mm"):
                up, mm = getattr(size, name), getattr(exact, name)
                assert mm - 1e-5 <= up < mm + step
                assert abs(up / step - round(up / step)) < 1e-6
    tenths = replace(cells, diameter_mm=np.full(len(cells.id), 18.6), length_mm=np.full(len(cells.id), 65.4))
    assert cell_size(tenths, rows[0], step_mm=0.2).diameter_mm == 18.6  # a whole number of steps but for the last bits


def test_fewer_sizes_and_every_layout_holds_the_cell_as_it_is(brief):
    exact, rounded = load_space(brief), load_space(stepped(brief, 1.0))
    assert len(rounded.sizes) < len(exact.sizes)
    assert len(rounded.size_of) == len(exact.size_of)
    held = []
    for k, (size, mine) in enumerate(zip(rounded.size_of, exact.size_of, strict=True)):
        assert rounded.sizes[size].diameter_mm >= exact.sizes[mine].diameter_mm
        for room in range(len(exact.rooms)):
            most = max((layout.cells for layout in rounded.layouts(room, int(size))), default=0)
            assert most <= max((layout.cells for layout in exact.layouts(room, int(mine))), default=0), k
            held.append(most)
    assert sum(most > 0 for most in held) >= len(held) // 3


def test_survey_counts_its_members_once_per_size(brief):
    """The cells of a size are the same as by looking at every cell for every size."""
    wanted = load_brief(brief)
    cells = read_cells(wanted.files()["catalog.cells"], sizes_only=True)
    told = []
    found = survey(wanted, cells, progress=lambda done, total: told.append((done, total)))
    assert told[-1][0] == told[-1][1] == len(found)
    rows = np.flatnonzero([any(str(name).startswith(x.rstrip("*")) for x in wanted.vary.cells) for name in cells.id])
    sizes, of = distinct_sizes(cells, rows)
    for finding in found:
        assert finding.cell_ids == tuple(str(cells.id[row]) for row in rows[of == sizes.index(finding.size)])
