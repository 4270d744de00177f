"""Equal rectangles in rectangles and polygons: never wrong, and not far from the most."""

from __future__ import annotations

from functools import cache

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from shapely.geometry import MultiPolygon, Polygon, box

from optimizer.fit.placement.pallet import pack_in_polygon, pack_rectangles, upper_bound

CLOSE = 1e-6


def overlaps(boxes: np.ndarray) -> bool:
    """Whether any two boxes share more than a rounding error."""
    x, y, w, h = boxes.T
    deep_x = np.minimum.outer(x + w, x + w) - np.maximum.outer(x, x)
    deep_y = np.minimum.outer(y + h, y + h) - np.maximum.outer(y, y)
    return bool(np.any(np.triu(np.minimum(deep_x, deep_y), 1) > CLOSE))


def assert_packing(boxes: np.ndarray, length: float, width: float, a: float, b: float) -> None:
    """Inside, apart, and every box of the right size."""
    assert not overlaps(boxes)
    assert np.all(boxes[:, :2] >= -CLOSE)
    assert np.all(boxes[:, 0] + boxes[:, 2] <= length + CLOSE)
    assert np.all(boxes[:, 1] + boxes[:, 3] <= width + CLOSE)
    assert np.all(np.sort(boxes[:, 2:], axis=1) == sorted((a, b)))


@cache
def most(skyline: tuple[int, ...], width: int, a: int, b: int) -> int:
    """Exact maximum by exhaustive search over skylines, lowest place first (small integers only)."""
    low = min(skyline)
    if low >= width:
        return 0
    at = skyline.index(low)
    free = next((k for k in range(at, len(skyline)) if skyline[k] != low), len(skyline)) - at
    best = most((*skyline[:at], low + 1, *skyline[at + 1 :]), width, a, b)  # leave this unit square empty
    for w, h in {(a, b), (b, a)}:
        if w <= free and low + h <= width:
            filled = (*skyline[:at], *([low + h] * w), *skyline[at + w :])
            best = max(best, 1 + most(filled, width, a, b))
    return best


@pytest.mark.parametrize(("a", "b"), [(2, 1), (3, 2), (4, 3), (5, 2), (5, 3)])
def test_small_rectangles_reach_the_exhaustive_optimum(a: int, b: int) -> None:
    # second implementation: exhaustive search over skylines
    for length in range(1, 9):
        for width in range(1, length + 1):
            assert len(pack_rectangles(length, width, a, b)) == most((0,) * length, width, a, b)
    most.cache_clear()


sides = st.floats(0.5, 60.0)


@given(length=sides, width=sides, a=st.floats(2.0, 40.0), b=st.floats(2.0, 40.0), turn=st.booleans())
@settings(max_examples=150, deadline=None)
def test_boxes_stay_inside_and_apart(length: float, width: float, a: float, b: float, turn: bool) -> None:
    boxes = pack_rectangles(length, width, a, b, turn=turn)
    assert_packing(boxes, length, width, a, b)
    assert len(boxes) <= upper_bound(length, width, a, b)
    if not turn:
        assert np.all(boxes[:, 2] == a)


@given(length=st.integers(1, 60), width=st.integers(1, 60), a=st.integers(2, 12), b=st.integers(2, 12))
@settings(max_examples=150, deadline=None)
def test_symmetric_and_monotone(length: int, width: int, a: int, b: int) -> None:
    count = len(pack_rectangles(length, width, a, b))
    assert count == len(pack_rectangles(width, length, a, b)) == len(pack_rectangles(length, width, b, a))
    assert count <= len(pack_rectangles(length + 1, width, a, b))
    assert count <= len(pack_rectangles(length, width + 1, a, b))


@given(
    length=st.integers(1, 60), width=st.integers(1, 60), a=st.integers(2, 12), b=st.integers(2, 12),
    unit=st.floats(0.01, 40.0),
)  # fmt: skip
@settings(max_examples=100, deadline=None)
def test_the_unit_of_length_does_not_matter(length: int, width: int, a: int, b: int, unit: float) -> None:
    scaled = pack_rectangles(length * unit, width * unit, a * unit, b * unit)
    assert len(scaled) == len(pack_rectangles(length, width, a, b))


def test_fractions_that_add_up_exactly_fit() -> None:
    # closed form: 3 × 2 boxes of 20.1 × 70.3 fill their rectangle
    assert len(pack_rectangles(3 * 20.1, 2 * 70.3, 20.1, 70.3)) == 6
    assert len(pack_rectangles(3 * 20.1 - 0.001, 2 * 70.3, 20.1, 70.3)) < 6


def test_fixed_boxes_stand_in_a_grid() -> None:
    assert len(pack_rectangles(22, 16, 5, 3, turn=False)) == 4 * 5
    assert len(pack_rectangles(22, 16, 3, 5, turn=False)) == 7 * 3


def test_many_boxes_are_packed_in_reasonable_time_and_near_the_area() -> None:
    boxes = pack_rectangles(160.0, 130.0, 3.1, 2.3)
    assert_packing(boxes, 160.0, 130.0, 3.1, 2.3)
    assert len(boxes) > 0.985 * 160 * 130 / (3.1 * 2.3)


@pytest.mark.parametrize(
    "bad", [(0, 1, 1, 1), (1, -1, 1, 1), (1, 1, float("nan"), 1), (1, 1, 1, float("inf"))]
)
def test_bad_sides_are_refused(bad: tuple[float, float, float, float]) -> None:
    with pytest.raises(ValueError, match="finite and above 0"):
        pack_rectangles(*bad)
    with pytest.raises(ValueError, match="finite and above 0"):
        upper_bound(*bad)


def assert_in_polygon(polygon: Polygon | MultiPolygon, boxes: np.ndarray) -> None:
    """Inside a polygon, as shapely sees it, and apart."""
    assert not overlaps(boxes)
    room = polygon.buffer(2 * CLOSE, join_style="mitre")
    for x, y, w, h in boxes:
        assert room.contains(box(x, y, x + w, y + h))


TAPERED = Polygon([(0, 0), (420, 0), (408, 78), (12, 78)])
WITH_HOLE = TAPERED.difference(box(100, 20, 130, 40).buffer(3))


@pytest.mark.parametrize(
    "polygon", [TAPERED, WITH_HOLE, MultiPolygon([box(0, 0, 50, 40), box(60, 0, 99, 80)])]
)
@pytest.mark.parametrize(("a", "b"), [(70.0, 19.0), (38.0, 20.3), (18.8, 18.8)])
@pytest.mark.parametrize("turn", [True, False])
def test_polygons_contain_their_boxes(polygon: Polygon, a: float, b: float, turn: bool) -> None:
    boxes = pack_in_polygon(polygon, a, b, turn=turn)
    assert_in_polygon(polygon, boxes)
    assert (0 if a == 70.0 else 1) <= len(boxes) <= polygon.area / (a * b)


def test_a_rectangle_given_as_polygon_holds_as_much() -> None:
    for length, width, a, b in [(22, 16, 5, 3), (30, 22, 7, 4), (37, 30, 8, 3)]:
        assert len(pack_in_polygon(box(5, 7, 5 + length, 7 + width), a, b)) == len(
            pack_rectangles(length, width, a, b)
        )


def test_tapers_are_used_row_by_row() -> None:
    # closed form: in a right triangle of 100 × 100, rows of boxes 10 × 10 hold 9 + 8 + … + 1
    assert len(pack_in_polygon(Polygon([(0, 0), (100, 0), (0, 100)]), 10, 10)) == 45
    # the largest inscribed square alone would hold 25
    upside_down = Polygon([(0, 100), (100, 100), (100, 0)])
    assert len(pack_in_polygon(upside_down, 10, 10)) == 45


def test_rows_move_to_where_the_polygon_is_wide_enough() -> None:
    # closed form: a rhombus of 100 × 80 is 50 wide at 20 from its middle; one row of height 40 of one box
    # 50 × 40 fits only with its middle at the middle of the rhombus
    rhombus = Polygon([(0, 40), (50, 0), (100, 40), (50, 80)])
    boxes = pack_in_polygon(rhombus, 49.99, 40.0, turn=False)
    assert len(boxes) == 1
    assert boxes[0, 1] == pytest.approx(20.0, abs=0.01)
    assert len(pack_in_polygon(rhombus, 50.01, 40.0, turn=False)) == 0


def test_both_sides_of_a_keep_out_are_used() -> None:
    # closed form: a 10 × 10 square with its middle third taken leaves 30 × 10 on each side, boxes 15 × 10
    room = box(0, 0, 90, 10).difference(box(30, 0, 60, 10))
    assert len(pack_in_polygon(room, 15, 10)) == 4
    ring = box(0, 0, 30, 30).difference(box(10, 10, 20, 20))
    assert len(pack_in_polygon(ring, 10, 10)) == 8
    assert len(pack_in_polygon(ring, 20, 10)) == 4  # the pinwheel around the hole


@st.composite
def polygons(draw: st.DrawFn) -> Polygon:
    """Convex quadrilaterals near a rectangle, some with a notch or a hole."""
    jog = st.floats(0.0, 25.0)
    room = Polygon(
        [
            (draw(jog), draw(jog)),
            (150 - draw(jog), draw(jog)),
            (150 - draw(jog), 90 - draw(jog)),
            (draw(jog), 90 - draw(jog)),
        ]
    )
    x, y, w, h = (
        draw(st.floats(0, 100)),
        draw(st.floats(0, 60)),
        draw(st.floats(1, 50)),
        draw(st.floats(1, 40)),
    )
    return room.difference(box(x, y, x + w, y + h)) if draw(st.booleans()) else room


@given(polygon=polygons(), a=st.floats(8.0, 60.0), b=st.floats(8.0, 60.0), turn=st.booleans())
@settings(max_examples=60, deadline=None)
def test_random_polygons_contain_their_boxes(polygon: Polygon, a: float, b: float, turn: bool) -> None:
    assert_in_polygon(polygon, pack_in_polygon(polygon, a, b, turn=turn))


def test_an_empty_polygon_holds_nothing() -> None:
    assert pack_in_polygon(Polygon(), 5, 3).shape == (0, 4)
