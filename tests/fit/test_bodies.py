"""Places of parts in a compartment: all corners of a box, and none that meets a wall or another part."""

from dataclasses import replace
from itertools import product

import numpy as np
import pytest
import shapely

from optimizer.fit.placement.bodies import Body, part_faults, places, poses, with_parts
from optimizer.fit.region.compartment import Compartment, box, keep_out_box

BOX = box("box", length_mm=200.0, width_mm=100.0, height_mm=60.0)
DECK = Compartment("deck", ((0.0, 0.0), (300.0, 0.0), (280.0, 80.0), (20.0, 80.0)), 1, 110.0)


def corners_of(part):
    low, high = np.array(part.corner_mm), np.array(part.corner_mm) + part.extents_mm
    return np.array(list(product(*zip(low, high, strict=True))))


def inside_deck(points):
    """Closed form: slanted ends lean inwards by 20 mm over 80 mm of height."""
    x, y, z = points.T
    lean = 20.0 * z / 80.0
    ends = (x >= lean - 1e-4) & (x <= 300 - lean + 1e-4)
    return np.all(ends & (y >= -1e-4) & (y <= 110.0001) & (z >= -1e-4) & (z <= 80.0001))


def test_a_box_has_eight_places_for_each_way_of_lying():
    body = Body("part", (50.0, 30.0, 10.0), gap_mm=2.0)
    ways = poses(body, plugs=False)
    assert len(ways) == 6
    for pose in ways:
        found = {part.corner_mm for part in places(BOX, body, pose)}
        ends = [(2.0, side - 2.0 - own) for side, own in zip((200.0, 100.0, 60.0), pose.extents_mm, strict=True)]
        assert found == set(product(*ends))


def test_a_body_that_fits_exactly_has_one_place_and_a_larger_one_none():
    exact = Body("part", (200.0, 100.0, 60.0), gap_mm=0.0)
    found = {part.corner_mm for pose in poses(exact, plugs=False) for part in places(BOX, exact, pose)}
    assert found == {(0.0, 0.0, 0.0)}
    larger = replace(exact, size_mm=(200.001, 100.0, 60.0))
    assert not [part for pose in poses(larger) for part in places(BOX, larger, pose)]


def test_room_is_kept_in_front_of_connectors():
    body = Body("part", (50.0, 30.0, 10.0), gap_mm=1.0, free_mm=15.0)
    for pose in poses(body):
        for part in places(BOX, body, pose):
            step = np.zeros(3)
            step[pose.plug_axis] = 16.0 if pose.plug_high else -16.0
            end = part.plug_mm + step
            assert np.all(end >= -1e-4) and np.all(end <= np.array([200.0, 100.0, 60.0]) + 1e-4)


@pytest.mark.parametrize("seed", range(6))
def test_places_in_a_tapered_deck_are_inside_and_apart(seed):
    rng = np.random.default_rng(seed)
    bodies = [Body(str(k), tuple(rng.uniform(8, 70, 3).round(1)), gap_mm=float(rng.uniform(0, 3))) for k in range(3)]
    lying = []
    for body in bodies:
        found = [part for pose in poses(body, plugs=False) for part in places(DECK, body, pose, others=lying)]
        assert found
        for part in found:
            assert inside_deck(corners_of(part))
            for other in lying:
                a, b, c, d = part.corner_mm, part.extents_mm, other.corner_mm, other.extents_mm
                apart = max(max(c[k] - a[k] - b[k], a[k] - c[k] - d[k]) for k in range(3))
                assert apart >= max(part.gap_mm, other.gap_mm) - 1e-4
            assert not part_faults(DECK, [*lying, part])
        lying.append(found[int(rng.integers(len(found)))])


def test_the_proof_finds_what_is_wrong():
    body = Body("part", (50.0, 30.0, 10.0), gap_mm=1.0)
    one = places(DECK, body, poses(body)[0])[0]
    for off in ((-1e-3, 0, 0), (0, -1e-3, 0), (0, 0, -1e-3)):
        moved = replace(one, corner_mm=tuple(np.add(one.corner_mm, off)))
        assert "wall" in part_faults(DECK, [moved])[0]
    other = replace(one, name="other", corner_mm=tuple(np.add(one.corner_mm, (50.9, 0, 0))))
    assert "each other" in part_faults(DECK, [one, other])[0]
    block = keep_out_box("k", origin_mm=one.corner_mm, length_mm=1, width_mm=1, height_mm=1)
    assert "keep-out k" in part_faults(replace(DECK, keep_outs=(block,)), [one])[0]


def test_a_place_beside_a_keep_out_is_one_of_them():
    room = replace(BOX, keep_outs=(keep_out_box("k", origin_mm=(0, 0, 0), length_mm=80, width_mm=100, height_mm=60),))
    body = Body("part", (50.0, 30.0, 10.0), gap_mm=2.0)
    found = {part.corner_mm[0] for part in places(room, body, poses(body)[0])}
    assert found == {82.0, 148.0}


def test_cells_see_a_part_as_a_keep_out_with_its_own_gap():
    body = Body("part", (50.0, 30.0, 10.0), gap_mm=4.0)
    part = places(BOX, body, poses(body)[0])[0]
    (seen,) = with_parts(BOX, [part], wall_mm=1.0).keep_outs
    assert np.allclose(seen.origin_mm, np.array(part.corner_mm) - 3.0)
    x, y, _ = part.extents_mm
    assert shapely.Polygon(seen.profile_mm).bounds[2:] == pytest.approx((x + 6, y + 6))
    assert with_parts(BOX, [replace(part, compartment="elsewhere")], wall_mm=1.0) is BOX
