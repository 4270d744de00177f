"""Chains of straight bands: few kinds of plates wherever a layout is regular."""

import numpy as np
import pytest

from optimizer.fit.chain.groups import chain
from optimizer.fit.chain.repeating import repeating
from optimizer.fit.region.layout import CellSize, Clearance, Layout
from optimizer.pack.conductors.chained import chain_metal
from optimizer.pack.conductors.making import Way
from optimizer.pack.conductors.totals import METRICS, chain_figures

SIZE, GAPS = CellSize("cylinder", 65.1, diameter_mm=18.4), Clearance()
PITCH = 19.2


def grid(columns, rows, *, staggered=False, lost=()):
    places = [
        (k * PITCH + (PITCH / 2 if staggered and j % 2 else 0.0), j * PITCH * (0.75**0.5 if staggered else 1.0))
        for j in range(rows) for k in range(columns) if (k, j) not in lost
    ]  # fmt: skip
    centres = np.column_stack([np.array(places), np.full(len(places), 40.0)])
    zeros = np.zeros(len(places), dtype=np.int64)
    name = "staggered" if staggered else "square"
    extents = np.tile([18.4, 18.4, 65.1], (len(places), 1))
    return Layout("deck", SIZE, "tray", name, 2, centres, extents, zeros, zeros, name)


def plates(layout, links, groups, width=8.0):
    made = chain_metal(layout, links, Way("strip", width, 1), gaps=GAPS)
    found = chain_figures(made, groups=links.groups, parallel=links.parallel)[groups - 1]
    return dict(zip(METRICS, found, strict=True))


def test_four_in_parallel_on_five_rows_take_three_kinds_of_plates():
    """By hand: ends, one plate along the band, one at its turns; the fullest chain of the same cells has more."""
    layout = grid(17, 5)
    found = dict(repeating(layout, parallel=4, cell_gap_mm=0.8))
    straight, turning = found["bands along x"], found["bands along y"]
    assert (straight.groups, turning.groups) == (17, 20)
    assert plates(layout, straight, 17)["distinct_plates"] == 2
    assert plates(layout, turning, 17)["distinct_plates"] == 3
    full = chain(layout, parallel=4, cell_gap_mm=0.8, seconds=0.05)
    assert plates(layout, full, 17)["distinct_plates"] > 4
    assert straight.boundary_pairs.tolist() == [4] * 16


def test_a_band_begins_beside_what_stands_in_the_first_row():
    """By hand: three in parallel on four rows of ten, a board over half of the first: rows two to four are whole."""
    lost = {(k, 0) for k in range(4, 9)}
    straight = dict(repeating(grid(10, 4, lost=lost), parallel=3, cell_gap_mm=0.8))["bands along x"]
    assert straight.groups == 10 and not (straight.group[:5] >= 0).any()


def test_both_ends_of_a_straight_row_are_cut_alike():
    """Negative ends are welded off their centre, towards the middle; the strip is as long as at the positive end."""
    links = dict(repeating(grid(6, 3), parallel=3, cell_gap_mm=0.8))["bands along x"]
    made = chain_metal(grid(6, 3), links, Way("strip", 8.0, 1), gaps=GAPS)
    ends = [made.metals[k] for k in made.present(6) if made.sites[k].end]
    # Two pitches, 3 mm beyond the outer centres, rounded up to 0.5 mm.
    assert [[p.length_mm for p in metal.pieces] for metal in ends] == [[44.5], [44.5]]


@pytest.mark.parametrize("seed", range(8))
def test_every_band_is_a_sound_chain(seed):
    """Each group hangs together and touches the next, whatever is missing from the grid."""
    rng = np.random.default_rng([3, seed])
    columns, rows, parallel = int(rng.integers(3, 12)), int(rng.integers(2, 8)), int(rng.integers(1, 5))
    lost = {(int(rng.integers(columns)), int(rng.integers(rows))) for _ in range(int(rng.integers(0, 4)))}
    layout = grid(columns, rows, staggered=bool(seed % 2), lost=lost)
    for _, links in repeating(layout, parallel=parallel, cell_gap_mm=0.8):
        for g in range(links.groups):
            own = layout.centres_mm[links.group == g, :2]
            assert len(own) == parallel
            near = np.linalg.norm(own[:, None] - own[None], axis=2) < 1.4 * PITCH
            assert (np.linalg.matrix_power(near.astype(int), parallel) > 0).all()
            after = layout.centres_mm[links.group == g + 1, :2]
            if len(after):
                assert np.linalg.norm(own[:, None] - after[None], axis=2).min() < 1.4 * PITCH
        assert (links.boundary_pairs >= 1).all() and links.groups >= 2


def test_what_is_not_regular_has_none():
    layout = grid(6, 4)
    assert not repeating(Layout(**{**vars(layout), "placement": "free"}), parallel=2, cell_gap_mm=0.8)
    assert not repeating(Layout(**{**vars(layout), "way": "modules"}), parallel=2, cell_gap_mm=0.8)
    assert not repeating(grid(6, 4), parallel=13, cell_gap_mm=0.8)
