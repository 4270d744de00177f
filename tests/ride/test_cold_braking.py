"""No charge goes back into a cell that is too cold to be charged."""

import numpy as np

from optimizer import api
from optimizer.catalog import builtin_catalogs
from optimizer.score.context import charge_factor


def test_charging_stops_below_the_cells_own_limit():
    brief = api.load(builtin_catalogs() / "briefs" / "quick-36v.toml").brief
    assert brief.ride is not None
    chemistry, least = np.array(["NMC", "NMC", "LTO", "LTO"]), np.array([-80.0, 12.0, -80.0, 12.0])
    at = {t: brief.model_copy(update={"ride": brief.ride.model_copy(update={"temp_c": t})}) for t in (10.0, -1.0)}
    assert charge_factor(at[10.0], chemistry, least).tolist() == [0.4, 0.0, 1.0, 0.0]
    assert charge_factor(at[-1.0], chemistry, least).tolist() == [0.0, 0.0, 1.0, 0.0]
