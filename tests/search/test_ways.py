"""Many compartments in a search: what is found, what is counted, and what is refused before anything is searched."""

from collections import deque

import brute
import numpy as np
import pytest
from click.testing import CliRunner
from scenes import brief_of_many_tasks

from optimizer.base.pool import Job
from optimizer.base.problems import BadInput, Problem, Stopped
from optimizer.base.workers import Workers
from optimizer.cli import main
from optimizer.search.exact.branch import Ground
from optimizer.search.exact.exact import Engine
from optimizer.search.running.checkpoint import decode, encode
from optimizer.search.space import roomwise, splitrows, splits, ways
from optimizer.search.space.layingout import lay_out
from optimizer.search.space.setup import load_space
from optimizer.workflows.how import How
from optimizer.workflows.search import run_job


@pytest.fixture(scope="module")
def brief(tmp_path_factory):
    """Six pockets of one to three groups each."""
    folder = tmp_path_factory.mktemp("pockets")
    path = brief_of_many_tasks(folder, most_parallel=4)
    text = path.read_text()
    head, tail = text[: text.index("[[compartment]]")], text[text.index("[electrical]") :]
    boxes = "".join(
        f'[[compartment]]\nname = "pocket-{k}"\nshape = "box"\nlength_mm = {50 + 24 * (k % 3)}\nwidth_mm = 50\n'
        f"height_mm = 76\nposition_mm = [{90 * k}, {(37 * k) % 110}, {11 * k % 60}]\naxes = [\"z\"]\n"
        for k in range(6)
    )
    for old, new in (
        ("parallel = [1, 4]", "parallel = [2, 2]"), ("'amber-18650-*', ", "'amber-18650-e29'] # "),
        ("series = [8, 10]", 'series = [10, 10]\nwires = ["silicone-4"]'), ("cost_max = 900.0", ""),
        ("strip_layers = [1, 2]", "strip_layers = [1]"),
    ):  # fmt: skip
        assert old in tail
        tail = tail.replace(old, new)
    path.write_text(head + boxes + tail)
    return path


@pytest.fixture
def space(brief):
    return load_space(brief)


def test_the_front_over_six_compartments_is_that_of_plain_enumeration(space):
    engine = Engine(space)
    found = np.vstack([engine.run(task)[0].objectives for task in space.tasks()])
    want, count = brute.objectives(space)
    assert count > 1000 and len(want) > 3
    # Rounding aside, none of either front is beaten by the other, and each has what the other has.
    for one, other in ((found, want), (want, found)):
        near = 1e-9 * np.abs(other)
        assert all((one <= row + gap).all(axis=1).any() for row, gap in zip(other, near, strict=True))


def test_too_many_ways_end_a_search_before_it_begins(brief, tmp_path, monkeypatch):
    monkeypatch.setattr(ways, "MOST_WAYS", 20)
    with pytest.raises(BadInput, match=r"at most 20 ways to share 10 groups of 2 cells of 18\.\d+ x 65\.\d+ mm") as bad:
        run_job(brief, folder=tmp_path / "run", how=How())
    (problem,) = bad.value.problems
    assert problem.code == "too-many-ways" and problem.file == str(brief) and "over 6 compartments" in problem.expected
    assert not (tmp_path / "run").exists()
    done = CliRunner().invoke(main, ["search", str(brief), "--out", str(tmp_path / "run"), "--quiet"])
    assert done.exit_code == 2 and done.output.count("too-many-ways") == 1
    assert not (tmp_path / "run").exists()


def test_the_number_said_is_that_of_the_splits(space, monkeypatch):
    task = space.tasks()[0]
    for module, name in ((splits, "nondominated"), (splitrows, "unbeaten"), (roomwise, "nondominated")):
        monkeypatch.setattr(module, name, lambda points: np.ones(len(points), dtype=bool))
    monkeypatch.setattr(roomwise, "best_of_each", lambda metrics, same: np.ones(len(same), dtype=bool))
    found = len(ways.shares_of(space, task).of(10))
    assert found > 20
    monkeypatch.setattr(ways, "MOST_WAYS", found)
    ways.check(space)
    monkeypatch.setattr(ways, "MOST_WAYS", found - 1)
    with pytest.raises(BadInput, match=f"found {found:,}"):
        ways.check(space)
    with pytest.raises(BadInput, match=f"found {found:,}"):
        Ground(space, task)


def test_where_mass_may_help_all_of_them_are_kept_and_fewer_allowed(space, monkeypatch):
    monkeypatch.setattr(ways, "MOST_BUILT", 20 * len(space.builds))
    Ground(space, space.tasks()[0])
    with pytest.raises(BadInput, match="at most 20 ways"):
        Ground(space, space.tasks()[0], mass_may_help=True)


def test_fills_are_not_found_where_layouts_rule_out_too_many(space, monkeypatch):
    lay_out(space)
    monkeypatch.setattr(type(space), "fills", lambda *_: pytest.fail("fills were asked for"))
    ways.check(space)


def test_counting_ends_when_the_time_is_up(space, monkeypatch):
    monkeypatch.setattr(ways, "MOST_WAYS", 1)
    with pytest.raises(Stopped, match="ways of 0 of 1 tasks"):
        ways.check(space, until=0.0)


def test_too_many_that_none_beats_end_the_search_in_words(space, monkeypatch):
    monkeypatch.setattr(ways, "MOST_BUILT", 5)
    with pytest.raises(BadInput, match=r"at most \d ways that no other beats") as bad:
        Engine(space).run(space.tasks()[0])
    assert [problem.code for problem in bad.value.problems] == ["too-many-ways"]


def test_a_worker_hands_a_fault_of_the_brief_on():
    def work(shared):
        raise BadInput([Problem("too-many-ways", shared)])

    with Workers("x.toml", count=2) as workers, pytest.raises(BadInput, match="too-many-ways") as bad:
        list(workers.run(deque([Job(0, "task", work)])))
    assert bad.value.problems == [Problem("too-many-ways", "x.toml")]


def test_counts_beyond_64_bits_are_exact(brief, monkeypatch):
    path = brief.with_name("cells.toml")
    text = brief.read_text().replace("amber-18650-e29", "amber-18650-*")
    path.write_text(text.replace("[constraints]\n", "[constraints]\ncost_max = 1.0\n"))
    space = load_space(path)
    task = space.tasks()[0]
    assert len(space.size_of) > 1
    _, plain = Engine(space).run(task)
    counted = splits.Shares.ways
    # Counts about 2^63 are those that NumPy would keep, and add up wrongly.
    for many in (2**power for power in range(44, 72)):
        ways_of = lambda self, many=many, **how: [many * n for n in counted(self, **how)]  # noqa: E731
        monkeypatch.setattr(splits.Shares, "ways", ways_of)
        found, tally = Engine(space).run(task)
        assert plain.raw > 1000 and tally.raw == many * plain.raw
    assert decode(encode({0: (found, tally)}))[0][1].raw == tally.raw
