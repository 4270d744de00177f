"""Collectors: a bar over the plate at an end, against finite elements, Kirchhoff and other code on design.json."""

import json
from dataclasses import replace

import ezdxf
import numpy as np
import pytest
import second_protection
from fem import impedance
from matplotlib.text import Text
from second_check import faults
from shapely.geometry import Point, Polygon
from test_design_conductors import wide_space
from test_metal_fields import CELL_OHM, GAPS, LAYOUTS, SQUARE_OHM, drawn

from optimizer.base.problems import BadInput
from optimizer.catalog.parts import read_strips
from optimizer.design.rescore import design_record, differences, read_design, score_row, scored
from optimizer.design.unfold import unfold
from optimizer.fit.chain.groups import chain
from optimizer.fit.placement.place import place
from optimizer.fit.region.compartment import box
from optimizer.fit.region.layout import CellSize
from optimizer.pack.conductors.chained import chain_metal
from optimizer.pack.conductors.making import Way
from optimizer.pack.conductors.solved import fed, field_of, figures, shares
from optimizer.pack.joining import collector_rule
from optimizer.review.sheets.buildsheet import build_steps
from optimizer.review.sheets.drawings import draw
from optimizer.review.sheets.plate_dxf import write_plates
from optimizer.search.running.run import search
from optimizer.search.space.setup import make_space

TABLE = (
    "plain,nickel,0.15,10,5,1.2,strip,,,,,,\n"
    "barred,nickel,0.15,10,5,1.2,strip,,1.0,10,copper,4.0,12\n"
)  # fmt: skip
COLUMNS = ",collector_mm,collector_width_mm,collector_material,collector_price_per_m,collector_density_a_mm2"


def ends(way, parallel, placement="square"):
    """Ends of a chain with their metal."""
    layout = LAYOUTS[placement]
    links = chain(layout, parallel=parallel, cell_gap_mm=GAPS.cell_gap_mm, seconds=0.05, groups=3)
    made = chain_metal(layout, links, way, gaps=GAPS)
    return [(s, m) for s, m in zip(made.sites, made.metals, strict=True) if m is not None and s.end], made


def conductances(z):
    """Of a network between all its joints, from potentials that are right but for a constant."""
    flat = np.eye(len(z)) - 1.0 / len(z)
    return np.linalg.pinv(flat @ z @ flat)


def network(metal, step):
    """Potentials of welds and lead: plate and bar, each by finite elements, share the nodes of their joints."""
    welds, bar = len(metal.weld_mm), metal.bar
    plate = impedance(*zip(*drawn(metal.pieces), strict=True), np.concatenate([metal.weld_mm, bar.joints_mm]), step)
    over = impedance(*zip(*drawn([replace(bar.piece, conduct=1.0)]), strict=True), bar.joints_mm, step)
    whole = conductances(plate)
    whole[welds:, welds:] += conductances(over) * bar.piece.conduct
    at = [*range(welds), welds + bar.lead]
    return np.linalg.pinv(whole)[np.ix_(at, at)]


@pytest.mark.parametrize(("form", "conduct"), [("strip", 36.7), pytest.param("sheet", 2.0, marks=pytest.mark.nightly)])
def test_resistance_and_share_of_an_end_with_a_collector_by_finite_elements(form, conduct):
    """Copper of 1 mm on nickel of 0.15 mm conducts 36.7 times as well; 5 % and 3 % as for plates without."""
    found, _ = ends(Way(form, 10.0 if form == "strip" else 0.0, 1, bar=(10.0, conduct, 0.1)), 4)
    for site, metal in found[:1]:
        z, feed = network(metal, 0.2), fed(site.positive, 1)
        assert figures(metal, site.positive).squares == pytest.approx(feed @ z @ feed, rel=0.05)
        got, want = (
            shares(matrix * SQUARE_OHM, site.positive, 1, cell_ohm=CELL_OHM)[: len(site.cells)]
            for matrix in (field_of(metal).impedance, z)
        )
        assert np.abs(got).max() == pytest.approx(np.abs(want).max(), rel=0.03)


def test_a_collector_over_the_tabs_of_pouch_cells_by_finite_elements():
    """Four tabs of 10.8 mm at a pitch of 12.8 mm have room for a window each and a joint between any two."""
    pouch = CellSize("block", 130.0, width_mm=60.0, thickness_mm=12.0, same_end=True, spacing_mm=33.0, terminal_mm=10.8)
    room = box("room", length_mm=70.0, width_mm=330.0, height_mm=140.0, axes=(2,))
    layout = place(room, pouch, GAPS, placements=("square",), seconds=0.1, cache=False)[0]
    links = chain(layout, parallel=4, cell_gap_mm=GAPS.cell_gap_mm, seconds=0.05, groups=3)
    made = chain_metal(layout, links, Way("strip", 8.0, 1, bar=(10.0, 36.7, 0.1)), gaps=GAPS)
    assert not made.faults
    found = [(s, m) for s, m in zip(made.sites, made.metals, strict=True) if s.end and s.group == 0]
    for site, metal in found[:1]:
        assert len(metal.bar.joints_mm) == 3 and len(metal.weld_mm) == 4
        z, feed = network(metal, 0.2), fed(site.positive, 1)
        assert figures(metal, site.positive).squares == pytest.approx(feed @ z @ feed, rel=0.05)


def test_a_collector_leaves_a_cell_to_every_section_and_half_the_pack_to_its_own():
    """A row of 6, bar without resistance: its 5 joints leave the end cells' sixth to a section, by Kirchhoff.

    Of the bar's current half flows on the longer side of the lead at most: three cells of six.
    """
    found, _ = ends(Way("strip", 10.0, 1, bar=(10.0, 1e5, 1.0)), 6)
    site, metal = found[0]
    got = figures(metal, site.positive)
    deep = metal.pieces[0].layers
    assert len(metal.bar.joints_mm) == 5 and len(metal.tap_mm) == 1
    assert got.dense_per_mm == pytest.approx(1 / 6 / 10.0 / deep, rel=0.05)
    # Beside a window of 6 mm are 4 of 10 mm; the current of three cells less what the lead's own joint takes.
    into = got.bar_per_mm * 4.0
    assert into == pytest.approx(0.4, rel=0.08)
    # Without it half of the pack's current passes beside the lead, so that the end takes more layers.
    (_, plain), *_ = ends(Way("strip", 10.0, 1), 6)[0]
    assert plain.pieces[0].layers > deep


def test_an_end_that_is_not_weak_takes_no_collector_and_a_narrow_bar_is_refused():
    """A row of two leaves half the current to either side of its lead, as each tie between groups has: by Kirchhoff."""
    found, made = ends(Way("strip", 10.0, 1, bar=(10.0, 36.7, 0.1)), 2)
    assert found and not made.faults
    assert all(metal.bar is None and metal.pieces[0].layers == 1 for _, metal in found)
    found, made = ends(Way("strip", 10.0, 1, bar=(10.0, 36.7, 0.1)), 4)
    assert found and not made.faults and all(metal.bar is not None for _, metal in found)
    assert "no room for a window" in ends(Way("strip", 10.0, 1, bar=(7.0, 36.7, 0.1)), 4)[1].faults[0].text


@pytest.fixture(scope="module")
def barred(tmp_path_factory):
    """A space with and without a collector on the same strip, and its front."""
    folder = tmp_path_factory.mktemp("barred")
    space = wide_space(folder, TABLE, small=True, more=COLUMNS)
    return folder, space, scored(search(space).found, space=space)


def test_the_search_takes_a_collector_where_it_is_worth_it(barred):
    folder, space, front = barred
    assert set(front["strip"]) == {"plain", "barred"}
    row = front[front["strip"] == "barred"].iloc[0].to_dict()
    design = unfold(space, row)
    record = json.loads(json.dumps(design_record(space, row, design=design), default=float))
    assert faults(record) == []
    # The brief lets the fuse be weaker than a short circuit.
    assert [x for x in second_protection.faults(record, ride=False) if "the fuse breaks" not in x] == []
    length = 0.0
    for one in record["conductors"]:
        bars = [piece for piece in one["pieces"] if "joints_mm" in piece]
        leads = [tap["at_mm"] for tap in one["taps"] if not tap["lead"].startswith("balance")]
        assert len(bars) == bool(leads)
        for bar in bars:
            assert (bar["material"], bar["thickness_mm"], bar["width_mm"]) == ("copper", 1.0, 10.0)
            metal = Polygon([p[:2] for p in bar["outline_mm"]], [[p[:2] for p in w] for w in bar["windows_mm"]])
            assert all(metal.covers(Point(p[:2]).buffer(1.4)) for p in bar["joints_mm"])
            assert all(metal.distance(Point(t["centre_mm"][:2])) >= 2.9 for t in one["terminals"])
            assert leads[0] in bar["joints_mm"]
            assert one["top_mm"] >= 0.2 + 0.15 + 1.0 - 1e-9
            length += bar["length_mm"]
    bill = design.bill.set_index("item")
    assert bill.loc["collector", "quantity"] == pytest.approx(length / 1000.0)
    assert bill.loc["collector", "mass_g"] == pytest.approx(length * 10.0 * 1.0 * 8960.0 * 1e-6, rel=0.01)
    assert bill.loc["collector", "cost"] == pytest.approx(length * 4.0e-3)
    assert design.bill["mass_g"].sum() / 1e3 == pytest.approx(row["pack_mass_kg"])
    assert design.bill["cost"].sum() == pytest.approx(row["cost"])
    assert "collector" in set(design.plates["direction"])
    assert all(words in str(build_steps(design)) for words in ("by soldering iron", "through the bar's windows"))
    path = folder / "design.json"
    path.write_text(json.dumps(record))
    again, choices, figures_ = read_design(path)
    assert not differences({**choices, **figures_}, score_row(again, choices))
    bars = 0
    for file in write_plates(folder, design):
        bars += sum(entity.dxf.layer == "COLLECTORS" for entity in ezdxf.readfile(file).modelspace())
    assert bars >= 4


def test_a_collector_asks_for_a_method_that_joins_it_away_from_the_cells(barred):
    _, space, _ = barred
    rules, strips = space.brief.joining, space.inputs.strips
    row = list(strips.id).index("barred")

    def by(*methods):
        rule = collector_rule(strips, row, rules.model_copy(update={"methods": methods}))
        return rule and rule.method

    # Copper of 1 mm leads the heat of welds away; solder takes it, and bolts hold nothing between two cells.
    assert by("spot", "laser", "ultrasonic", "bolt") is None and by("spot", "solder") == "solder"
    joining = rules.model_copy(update={"methods": ("spot", "laser")})
    less = make_space(replace(space.inputs, brief=space.brief.model_copy(update={"joining": joining})))
    assert set(scored(search(less).found, space=less)["strip"]) == {"plain"}


TOP = "id,material,thickness_mm,width_mm,current_density_a_mm2,price_per_m,form,price_cut_per_m"


def test_a_collector_on_tabs_is_refused(tmp_path):
    (tmp_path / "strips.csv").write_text(f"{TOP}{COLUMNS}\ntabs,copper,0.3,300,14,50,tabbed,1.6,1.0,10,copper,4.0,12\n")
    with pytest.raises(BadInput, match="no room for a collector"):
        read_strips(tmp_path / "strips.csv")


@pytest.mark.parametrize(("row", "told"), [
    ("a,nickel,0.15,10,5,1.2,strip,,,12,,,,", {"collector_width_mm"}),
    ("a,nickel,0.15,10,5,1.2,strip,,,,copper,4,,", {"collector_material", "collector_price_per_m"}),
    ("a,nickel,0.15,10,5,1.2,strip,1.4,1,12,,,,", {"price_cut_per_m"}),
    ("a,nickel,0.15,10,5,1.2,strip,,1,12,,,,0.2", {"tab_mm"}),
    ("a,nickel,0.15,10,5,1.2,strip,,0,12,copper,4,9,", set()),
    ("a,nickel,0.15,10,5,1.2,strip,,1,,,,,", set()),
    ("a,copper,0.3,300,14,50,tabbed,1.6,,,,,,0.2", set()),
])  # fmt: skip
def test_columns_that_say_nothing_of_their_row_are_refused_all_at_once(tmp_path, row, told):
    """A width without a bar would go unheard; a bar without a width is 10 mm wide."""
    (tmp_path / "strips.csv").write_text(f"{TOP}{COLUMNS},tab_mm\n{row}\n")
    if not told:
        strips = read_strips(tmp_path / "strips.csv")
        # Left out, a bar is 10 mm of copper.
        assert strips.collector_width_mm[0] == (12.0 if ",12," in row else 10.0)
        assert strips.collector_material[0] == "copper"
        return
    with pytest.raises(BadInput) as raised:
        read_strips(tmp_path / "strips.csv")
    assert {problem.field for problem in raised.value.problems} == told


def test_the_legend_tells_of_collectors_where_there_are_some(barred):
    _, space, front = barred
    for strip in ("plain", "barred"):
        row = front[front["strip"] == strip].iloc[0].to_dict()
        words = {text.get_text() for text in draw(unfold(space, row)).findobj(Text)}
        assert ("collector\non an end" in words) == (strip == "barred")
