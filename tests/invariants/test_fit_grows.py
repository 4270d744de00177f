"""A larger compartment never holds fewer cells: boxes and prisms grown on every side, keep-outs shrunk.

Grade: closed form (every layout of the smaller one fits into the larger one).
"""

import numpy as np
import pytest
from shapely import Polygon

from optimizer.fit.placement.place import place
from optimizer.fit.region.compartment import Compartment, KeepOut
from optimizer.fit.region.layout import CellSize, Clearance

ROWS, FREE = range(24), range(8)


def drawn(rng):
    """A compartment with tapered ends and often a keep-out, and the same one grown; a cell size."""
    size = CellSize("cylinder", length_mm=float(rng.choice([65.1, 70.4])), diameter_mm=float(rng.choice([18.4, 21.3])))
    if rng.random() < 0.15:
        size = CellSize("block", length_mm=float(rng.uniform(40, 70)), width_mm=34.0, thickness_mm=12.0)
    long, deep, high = rng.uniform(70, 130), rng.uniform(45, 85), rng.uniform(45, 80)
    lean = rng.uniform(0, 25, 2) * (rng.random() < 0.6)
    more = rng.uniform(0, 6, 4) * (rng.random(4) < 0.6)
    axes = tuple(sorted(int(a) for a in rng.choice(3, size=int(rng.integers(1, 3)), replace=False)))
    keep_out = None
    if rng.random() < 0.5:
        origin = rng.uniform(0, 1, 3) * (long * 0.7, deep * 0.5, high * 0.6)
        keep_out = origin, rng.uniform(5, 50, 3), rng.uniform(0, 0.2)
    small, large = (room(long, deep, high, lean, keep_out, axes, more * k) for k in (0, 1))
    assert Polygon(large.profile_mm).buffer(1e-9).covers(Polygon(small.profile_mm))
    return small, large, size


def room(long, deep, high, lean, keep_out, axes, more):
    """Grown by `more` at the left, right, top and far side; a keep-out shrunk when anything grows."""
    left, right, top, far = more
    outline = ((-left, 0.0), (long + right, 0.0), (long - lean[1] + right, high + top), (lean[0] - left, high + top))
    parts = ()
    if keep_out is not None:
        origin, sides, part = keep_out
        part = part if more.any() else 0.0
        low, (x, y, z) = origin + part * sides, sides * (1 - 2 * part)
        # The profile lies in x and z and is extruded along y.
        profile = ((low[0], low[2]), (low[0] + x, low[2]), (low[0] + x, low[2] + z), (low[0], low[2] + z))
        parts = (KeepOut("k", profile, 1, float(y), (0.0, float(low[1]), 0.0)),)
    return Compartment("r", outline, 1, deep + far, parts, axes=axes)


def held(compartment, size, placements):
    """Most cells by placement."""
    out = {}
    for layout in place(compartment, size, Clearance(), placements=placements, seconds=0.3, cache=False):
        out[layout.placement] = max(out.get(layout.placement, 0), layout.cells)
    return out


@pytest.mark.parametrize(
    ("placements", "keys"), [(("square", "staggered"), ROWS), (("square", "staggered", "free"), FREE)]
)
def test_no_placement_loses_a_cell_in_a_larger_compartment(placements, keys):
    """Whatever the placement, and the best of all."""
    gained = 0
    for key in keys:
        small, large, size = drawn(np.random.default_rng([len(placements), key]))
        few, many = held(small, size, placements), held(large, size, placements)
        for placement in few:
            assert many.get(placement, 0) >= few[placement], (key, few, many)
        gained += max(many.values(), default=0) > max(few.values(), default=0)
    assert gained > len(keys) // 8
