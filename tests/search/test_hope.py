"""Tasks that fail whatever their layouts are left out, and nothing is lost: held against plain enumeration of all."""

from dataclasses import replace

import numpy as np
import pytest
from brute import candidates, front, hoped
from test_exact import assert_counts, assert_same_front
from test_parts import BOARD, SWITCH, space_of

from optimizer.brief.schema import Constraints
from optimizer.search.exact.hope import HOPELESS, Promising, promising
from optimizer.search.running.run import search


@pytest.fixture(scope="module")
def enumerated(tmp_path_factory):
    """A space with P of 2 and 3 and several places of its board, and every candidate of it."""
    space = space_of(tmp_path_factory.mktemp("hope"), parts=BOARD + SWITCH)
    figures, count = candidates(space)
    return space, figures, count


def limited(space, **limits):
    brief = space.brief.model_copy(update={"constraints": Constraints(**limits)})
    return replace(space, inputs=replace(space.inputs, brief=brief))


# By mass more cells fall out, by range fewer; by the hottest cell none, since its bound knows no layout.
@pytest.mark.parametrize(("name", "share", "lost"), [
    ("pack_mass_kg_max", 0.1, {3}), ("range_km_min", 0.9, {2}), ("hot_cell_endless_c_max", 0.5, set())])  # fmt: skip
def test_what_is_left_out_is_on_no_front(enumerated, name, share, lost):
    space, figures, count = enumerated
    figure = name.rpartition("_")[0]
    limit = float(np.quantile(figures[figure], share))
    here = limited(space, **{name: limit})
    left = promising(here)
    gone = left.offer.hopeless if isinstance(left.offer, Promising) else set()
    assert {task.parallel for task in gone} == lost
    # None of it is laid out, in no place of its board.
    assert not {(t.size, t.parallel) for t in left.tasks()} & {(t.size, t.parallel) for t in gone}
    assert len(left.tasks()) == len(here.tasks()) - len(gone & set(here.tasks()))
    outcome, want = search(here), front(figures, here.brief)
    assert len(want)
    assert_same_front(outcome.found.objectives, want)
    assert_counts(outcome.tally, hoped(here, count))
    assert (outcome.tally.pruned[HOPELESS] > 0) == bool(lost)


def test_where_all_is_hopeless_all_is_looked_at(enumerated):
    """So that what is said of a limit that nothing meets stays as exact as it was."""
    space, _, count = enumerated
    here = limited(space, range_km_min=900.0)
    assert promising(here) is here
    outcome = search(here)
    assert not len(outcome.found) and HOPELESS not in outcome.tally.pruned
    assert_counts(outcome.tally, sum(count.values()))
