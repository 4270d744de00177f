"""Drawings: to scale, complete, the same byte for byte, readable without seeing them."""

import re
from dataclasses import replace

import matplotlib.colors as colours
import numpy as np
import pytest
from matplotlib.figure import Figure
from matplotlib.patches import Circle, Ellipse, Polygon
from packs import C18650, pack, station

from optimizer.fit.region.compartment import box
from optimizer.review.sheets import charts, drawings
from optimizer.review.sheets import style as look
from optimizer.review.sheets import views as view
from optimizer.review.sheets.arranging import PAGE_MM, arrange, box_of, choose_sheet, panels_of
from optimizer.review.sheets.joinsteps import fold_checks


def artists(figure, kind):
    return [a for a in figure.axes[0].get_children() if type(a).__name__ == kind]


def words(figure):
    return [t.get_text() for t in figure.axes[0].texts]


@pytest.fixture(scope="module")
def sheet(design):
    return drawings.draw(design)


def test_round_cells_are_drawn_to_scale(design, sheet):
    scale = choose_sheet(design, [0, 1])[0]
    radii = np.array([c.get_radius() for c in artists(sheet, "Circle")])
    # One disc per cell and end-on panel at least: 45 + 14 positions, three panels each.
    assert np.sum(np.isclose(radii, 21.6 / 2 * scale)) >= 3 * (45 + 14)
    assert np.sum(np.isclose(radii, 21.6 / 2 * scale * 1.01)) == 0


def test_paper_millimetres_are_millimetres(sheet):
    width, height = sheet.get_size_inches() * 25.4
    left, right = sheet.axes[0].get_xlim()
    low, high = sheet.axes[0].get_ylim()
    assert (right - left, high - low) == pytest.approx((width, height))


def test_everything_asked_for_is_on_the_sheet(sheet):
    text = words(sheet)
    assert [n for n in range(1, 19) if str(n) not in text] == []
    # A lead leaves at P0 and P18, and P14 is in both boxes.
    assert [n for n in range(19) if not {f"P{n}", f"P{n}+", f"P{n}−"} & set(text)] == []
    for needed in ("deck", "stem", "controller", "420 mm", "396 mm", "78 mm", "250 mm", "mm"):
        assert needed in text, needed
    joined = "\n".join(text)
    for needed in ("3 positions left over", "2 positions left over", "d-3f9a17", "scale 1:2", "18S3P"):
        assert needed in joined, needed
    assert "made by cellstow; check before use" in joined


def test_parts_for_pages_show_the_same_at_their_width(design, sheet):
    figures, scale = drawings.draw_for_pages(design)
    assert scale == "1:6"
    named = {word for word in words(sheet) if word not in ("mm", "50", "100") and "scale" not in word}
    shown = {word for figure in figures for word in words(figure)}
    assert {word for word in named if word[:1] == "P" or word.isdigit() or word.endswith(" mm")} <= shown
    for figure in figures:
        width, height = figure.get_size_inches() * 25.4
        assert width == pytest.approx(PAGE_MM) and height < 262
        assert min(text.get_fontsize() for text in figure.axes[0].texts) >= 6.0


def test_panels_do_not_overlap(design):
    scale, _, width, _ = choose_sheet(design, [0, 1])
    placed, _, height = arrange(design, [0, 1], scale=scale, sheet_mm=width)
    boxes = []
    for item in placed:
        x0, y0, x1, y1 = box_of(design, item.panel)
        boxes.append((item.x, item.y - (y1 - y0) * scale, item.x + (x1 - x0) * scale, item.y))
    for k, a in enumerate(boxes):
        assert a[0] >= 0
        assert a[2] <= width
        assert a[3] <= height
        for b in boxes[:k]:
            assert a[2] <= b[0] or b[2] <= a[0] or a[3] <= b[1] or b[3] <= a[1]


def test_each_layer_has_chain_and_two_faces(design):
    deck = design.stations[0]
    centres = deck.layout.centres_mm + np.outer(np.arange(deck.layout.cells) % 2, [0.0, 75.6, 0.0])
    two = replace(design, stations=(replace(deck, layout=replace(deck.layout, centres_mm=centres)),))
    kinds = [(p.kind, p.layer) for p in panels_of(two, station=0)]
    assert kinds == [
        ("chain", 0),
        ("face", 0),
        ("face", 0),
        ("chain", 1),
        ("face", 1),
        ("face", 1),
        ("side", -1),
    ]


def test_same_design_same_bytes(design, make):
    first = look.to_bytes(drawings.draw(design), kind="svg")
    again = look.to_bytes(drawings.draw(make.make_design()), kind="svg")
    assert first == again
    assert b"<dc:date>" not in first


def test_circles_of_a_drawing_are_circles_where_matplotlib_has_them_and_ellipses_stay_paths():
    """Closed form: centre and radius in points of the picture, 72 to the inch, y downwards."""
    with look.own_look():
        figure = Figure(figsize=(2.0, 1.0))
        axes = figure.add_axes((0, 0, 1, 1), xlim=(0, 144), ylim=(0, 72))
        axes.axis("off")
        axes.add_patch(Circle((30.0, 50.0), 12.5)), axes.add_patch(Ellipse((100.0, 30.0), 40.0, 20.0))
        corners = [(0.0, 0.0), (60.0, 0.0), (60.0, 0.03), (60.0, 10.0)]
        axes.add_patch(Polygon(corners))
    text = look.to_bytes(figure, kind="svg").decode()
    assert re.findall(r'<circle cx="([^"]*)" cy="([^"]*)" r="([^"]*)"', text) == [("30.00", "22.00", "12.50")]
    paths = re.findall(r' d="(M[^"]*)"', text)
    assert sum(path.count("C") == 8 for path in paths) == 1
    assert "M0 72L60 72L60 62z" in paths


def test_formula_signs_in_names_stay_text(make, tmp_path):
    odd = make.make_design(title="a $x_1$ <script> & co", row=make.make_row(design_id="$\\frac{1}{0$"))
    look.save(drawings.draw(odd), tmp_path / "odd.png", dpi=40)
    assert (tmp_path / "odd.png").read_bytes().startswith(b"\x89PNG")


def test_an_empty_compartment_is_left_out_and_none_at_all_is_an_error(design):
    deck, stem = design.stations
    only = replace(design, stations=(deck, replace(stem, groups=0)))
    assert "stem" not in words(drawings.draw(only))
    with pytest.raises(ValueError, match="no compartment with cells"):
        drawings.draw(replace(design, stations=()))


def test_inline_picture_has_an_escaped_text_for_those_who_cannot_see(design):
    text = look.inline_svg(charts.ride_plot(design), alt='ride of "x" <b>')
    assert text.startswith('<svg role="img" aria-label="ride of &quot;x&quot; &lt;b&gt;"')
    assert "<?xml" not in text


def test_a_picture_needs_a_known_suffix(design, tmp_path):
    with pytest.raises(ValueError, match="svg or"):
        look.save(charts.ride_plot(design), tmp_path / "ride.bmp")


def luminance(colour):
    """Relative luminance, WCAG 2.2 (published)."""
    channels = np.array(colours.to_rgb(colour))
    linear = np.where(channels <= 0.04045, channels / 12.92, ((channels + 0.055) / 1.055) ** 2.4)
    return float(linear @ [0.2126, 0.7152, 0.0722])


@pytest.mark.parametrize("ink", [look.INK, look.SOFT, look.PLUS, look.MINUS])
def test_ink_stands_out_from_paper(ink):
    # WCAG 2.2, success criterion 1.4.3: 4.5 to 1 for text (published).
    light, dark = luminance(look.PAPER), luminance(ink)
    assert (light + 0.05) / (dark + 0.05) >= 4.5


def test_layers_are_counted_among_those_in_use(design):
    """A station whose lowest level is left empty has layers 1 to n of n all the same."""
    station = design.stations[0]
    level = drawings.views.levels(station)
    if level.max() == 0:
        stacked = replace(station.layout, centres_mm=station.layout.centres_mm.copy())
        half = len(level) // 2
        stacked.centres_mm[half:, station.layout.axis] += 500.0
        station = replace(station, layout=stacked)
        level = drawings.views.levels(station)
    keep = level > 0
    group = np.where(keep, station.chain.group, -1)
    chain = replace(station.chain, group=group)
    other = replace(design, stations=(replace(station, chain=chain), *design.stations[1:]))
    used = len(np.unique(level[other.stations[0].used]))
    titles = [panel.caption for panel in panels_of(other, station=0)]
    for number in range(used + 1, int(level.max()) + 2):
        assert not any(f"layer {number} of" in title for title in titles)


def test_an_empty_seat_hides_no_cell(design, sheet):
    """Seats left empty are outlines: nothing stands behind them unseen."""
    shapes = artists(sheet, "PathPatch") + artists(sheet, "Polygon")
    empty = [p for p in shapes if p.get_linestyle() not in ("solid", "-")]
    assert empty and all(p.get_facecolor()[3] == 0.0 for p in empty)


def test_no_name_lies_on_a_lead(design):
    """The build sheet points at the rings of the leads: on straight rows the middle of a plate's welds is one."""
    row = station(box("box", length_mm=240, width_mm=80, height_mm=80), C18650, parallel=3)
    one = station(box("box", length_mm=240, width_mm=80, height_mm=80), C18650, parallel=1)
    for each in (design, pack(design, row), pack(design, one)):
        figure = drawings.draw(each)
        axes, scale = figure.axes[0], choose_sheet(each, range(len(each.stations)))[0]
        figure.draw_without_rendering()
        seen = [c for c in artists(figure, "Circle") if c.get_zorder() == 8.5]
        rings = np.array([c.get_center() for c in seen])
        # One more is in the legend.
        assert sum(np.isclose(c.get_radius(), drawings.WELD_MM * scale) for c in seen) >= 2
        for text in axes.texts:
            if text.get_text()[:1] != "P":
                continue
            pill = text.get_bbox_patch().get_window_extent().transformed(axes.transData.inverted())
            nearest = np.clip(rings, (pill.x0, pill.y0), (pill.x1, pill.y1))
            assert np.min(np.hypot(*(rings - nearest).T)) >= drawings.WELD_MM * scale - 1e-6, text.get_text()


@pytest.fixture(scope="module")
def folded(design):
    """Two layers of round cells, joined round their edge."""
    return pack(design, station(box("box", length_mm=90, width_mm=46, height_mm=150, axes=(2,)), C18650, parallel=3))


def test_joints_between_layers_are_seen_from_the_side_and_named_beside_their_metal(folded):
    (joint,) = [one for one in folded.conductors if one["way"] == "fold"]
    figure = drawings.draw(folded)
    axes = figure.axes[0]
    figure.draw_without_rendering()
    pills = [t for t in axes.texts if t.get_text() == joint["name"]]
    # On both faces that it joins.
    assert len(pills) == 2 and "strip: series, in\ngroup, to a layer" in words(figure)
    rings = np.array([c.get_center() for c in artists(figure, "Circle") if c.get_zorder() == 8.5])
    for text in pills:
        pill = text.get_bbox_patch().get_window_extent().transformed(axes.transData.inverted())
        nearest = np.clip(rings, (pill.x0, pill.y0), (pill.x1, pill.y1))
        assert np.min(np.hypot(*(rings - nearest).T)) >= drawings.WELD_MM / 2
    seen = [view.folded_shapes(folded.conductors, folded.stations[0], view=view.View(axis, 1)) for axis in (0, 1)]
    low, high = np.sort([end["at_mm"][2] for end in joint["taps"]])
    for shapes in seen:
        # Three stretches of each piece with two folds, from height to height.
        assert len(shapes) == 3 + (len(joint["pieces"]) - 1)
        bounds = np.array([shape.bounds for shape in shapes])
        assert bounds[:, 1].min() == pytest.approx(low - 0.4) and bounds[:, 3].max() == pytest.approx(high + 0.4)


def test_the_build_sheet_says_where_a_joint_folds_and_when(folded):
    (joint,) = [one for one in folded.conductors if one["way"] == "fold"]
    order, told = fold_checks(folded.conductors)
    one, two = joint["folds_at_mm"]
    assert f"folded {one:g} and {two:g} mm from its end on" in told and "insulation of 0.3 mm" in told
    assert "before their plates are welded" in order
    height = [end["at_mm"][2] for end in joint["taps"]]
    # Between the layers where it steps less than a cell is long.
    assert ("closes over" in told) == (abs(height[0] - height[1]) < 65)
