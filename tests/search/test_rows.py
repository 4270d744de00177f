"""The front's table takes no figure that is not a number: it is refused, and told by its name."""

from dataclasses import replace

import numpy as np
import pytest

from optimizer.catalog import builtin_catalogs
from optimizer.design.rescore import scored
from optimizer.score import score
from optimizer.search.exact import rows
from optimizer.search.running.run import search
from optimizer.search.space.setup import load_space

# Figures of the score that the table shows, an objective trades off or a constraint limits; the ride refuses a
# mass that is none before it starts.
FIGURES = ("cost", "energy_wh", "voltage_full_v", "peak_power_w", "peak_low_w", "continuous_power_w",
           "hot_cell_end_c", "hot_cell_endless_c", "charge_min")  # fmt: skip


@pytest.fixture(scope="module")
def found():
    space = load_space(builtin_catalogs() / "briefs" / "quick-36v.toml")
    survivors = search(space).found
    assert len(survivors) > 1
    return space, survivors.take(np.array([0, len(survivors) - 1]))


def test_a_figure_that_is_not_a_number_is_refused_by_name(found, monkeypatch):
    space, survivors = found
    whole = rows.score
    assert len(rows.rescored(survivors, space=space)[0]) == 2
    for name in FIGURES:

        def spoilt(block, *, name=name, **asked):
            figures = whole(block, **asked)
            return figures | {name: np.array([figures[name][0], np.nan])}

        monkeypatch.setattr(rows, "score", spoilt)
        with pytest.raises(ArithmeticError, match=f"^{name} is not a number in 1 of 2 rows, the first at 1$"):
            rows.rescored(survivors, space=space)
        # A design scored by itself goes the same way.
        with pytest.raises(ArithmeticError, match=name):
            scored(survivors, space=space)


def test_a_ride_that_is_not_a_number_is_refused_by_name(found, monkeypatch):
    space, survivors = found
    whole = score.simulate
    for name in ("range_km", "consumption_wh_per_km"):

        def spoilt(*given, name=name, **asked):
            return replace(whole(*given, **asked), **{name: np.full(2, np.nan)})

        monkeypatch.setattr(score, "simulate", spoilt)
        with pytest.raises(ArithmeticError, match=f"^{name} is not a number in 2 of 2 rows, the first at 0$"):
            rows.rescored(survivors, space=space)


def test_what_cannot_be_had_is_infinite_and_passes(found):
    space, survivors = found
    assert space.inputs.chargers is None
    kept, figures = rows.rescored(survivors, space=space)
    assert np.isposinf(figures["charge_min"]).all()
    assert rows.table(kept, figures, space=space)["charge_min"].isna().all()
