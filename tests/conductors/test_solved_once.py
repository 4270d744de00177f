"""What is left out of the work on plates changes no figure of any number of groups that can be laid.

Grade: second implementation (the same with nothing left out).
"""

import numpy as np
import pytest

from optimizer.catalog import builtin_catalogs
from optimizer.fit.region.geometry import clearance
from optimizer.pack.conductors import chained, solved
from optimizer.pack.conductors.making import STRIP, Way
from optimizer.pack.conductors.totals import METRICS, chain_figures
from optimizer.search.space import parts
from optimizer.search.space.setup import load_space


@pytest.fixture(scope="module")
def space():
    return load_space(builtin_catalogs() / "briefs" / "quick-36v.toml")


def made_of(space, task, way):
    """Fills of a task with their metal made in one way, and figures of every number of groups, all watts alike."""
    for room, fills in zip(space.rooms, space.fills(task), strict=True):
        for fill in fills:
            made = chained.chain_metal(
                fill.layout, fill.chain, way, gaps=clearance(space.brief), rules=parts.lay_rules(space.brief), room=room
            )
            groups, parallel = fill.chain.groups, fill.chain.parallel
            warm = np.ones((groups, fill.layout.cells))
            yield made, chain_figures(made, groups=groups, parallel=parallel, by_cell_k_per_w=warm)


def test_ends_of_packs_that_cannot_be_laid_are_not_solved(space, monkeypatch):
    """Strip of 15 mm is too wide for some of the places; collectors, which ends alone have, may be, too."""
    count, figures_of = [0], solved.figures_of

    def counted(*plate):
        count[0] += 1
        return figures_of(*plate)

    monkeypatch.setattr(solved, "figures_of", counted)
    spared = dead = 0
    for task in space.tasks()[:1]:
        space.fills(task)
        for way in (Way(STRIP, 15.0, 2), Way(STRIP, 8.0, 1, bar=(10.0, 4.0, 2.0))):
            solved.solved.cache_clear()
            count[0] = 0
            few = list(made_of(space, task, way))
            fewer, count[0] = count[0], 0
            solved.solved.cache_clear()
            with monkeypatch.context() as all_of_them:
                all_of_them.setattr(chained, "_used", lambda sites, *_: [True] * len(sites))
                whole = list(made_of(space, task, way))
            assert fewer <= count[0]
            spared += count[0] - fewer
            for (made, some), (other, every) in zip(few, whole, strict=True):
                able = chained.laid_counts(other.faults, len(every))[1:]
                assert np.array_equal(chained.laid_counts(made.faults, len(some))[1:], able)
                assert np.array_equal(some[able], every[able])
                assert np.isinf(some[~able, METRICS.index("squares")]).all()
                dead += int((~able).sum())
    assert spared > 0 and dead > 0


def test_what_flows_is_solved_as_the_joints_one_by_one(space):
    """By superposition, to the rounding of the solution."""
    (task, *_) = space.tasks()
    looked = 0
    for way in space.fill_rules(task.size).made:
        made, _ = next(made_of(space, task, way))
        for site, metal in zip(made.sites, made.metals, strict=True):
            if metal is not None and metal.bar is None:
                feed = solved.fed(site.positive, len(metal.tap_mm))
                field = solved.field_of(metal)
                got, at_joints = solved.figures_of(metal, site.positive), field.impedance @ feed
                assert got.squares == pytest.approx(float(feed @ at_joints), rel=1e-11)
                assert got.potential == pytest.approx(at_joints[: len(site.positive)], rel=1e-11, abs=1e-11)
                dense = solved.worst_density(field, field.potential @ feed, metal.sections)
                assert got.dense_per_mm == pytest.approx(dense, rel=1e-9)
                looked += 1
    assert looked > 20
