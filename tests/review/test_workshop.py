"""The workshop folder is complete, reads back, and is the same when written again."""

import hashlib

import pandas as pd
import pytest

from optimizer.review.cad import bodies
from optimizer.review.sheets.workshop import bill_with_totals, write_design


@pytest.fixture(scope="module")
def folder(design, tmp_path_factory):
    place = tmp_path_factory.mktemp("design")
    written = write_design(place, design, dpi=50)
    return place, written


def test_folder_is_complete_and_holds_no_leftovers(folder):
    place, written = folder
    names = {path.name for path in place.iterdir()}
    assert names == {path.name for path in written}
    assert {"layout.svg", "layout.png", "layout.dxf", "ride.svg", "plates.csv", "harness.csv", "bill.csv",
            "build.md", "cases.3mf", "pack.glb", "case_test_ring_x1.stl"} <= names  # fmt: skip


def test_tables_read_back(folder, design):
    place, _ = folder
    bill = pd.read_csv(place / "bill.csv")
    assert bill["cost"].iloc[-1] == pytest.approx(design.bill["cost"].sum())
    assert bill["item"].iloc[-1] == "total" and bill["unit_price"].isna().tolist() == [False] * 7 + [True]
    lines = bill.iloc[:-1]
    assert (lines["unit_price"] * lines["quantity"]).tolist() == pytest.approx(lines["cost"].tolist(), rel=1e-9)
    assert len(pd.read_csv(place / "harness.csv")) == len(design.harness)
    assert list(pd.read_csv(place / "plates.csv").columns) == list(design.plates.columns)


def test_written_again_it_is_the_same(folder, design, tmp_path):
    place, _ = folder
    for path in write_design(tmp_path, design, dpi=50):
        old, new = (place / path.name).read_bytes(), path.read_bytes()
        assert hashlib.sha256(old).hexdigest() == hashlib.sha256(new).hexdigest(), path.name


def test_a_case_that_fails_does_not_cost_the_rest(design, tmp_path, monkeypatch):

    def fails(design):
        raise ValueError("falls into 2 pieces")

    monkeypatch.setattr(bodies, "case_parts", fails)
    names = {path.name for path in write_design(tmp_path / "a", design, dpi=40)}
    assert {"build.md", "case_none.txt"} <= names
    assert "falls into 2 pieces" in (tmp_path / "a" / "case_none.txt").read_text(encoding="utf-8")
    with pytest.raises(ValueError, match="falls into"):
        write_design(tmp_path / "b", design, cases=True, dpi=40)


def test_totals_leave_the_bill_alone(design):
    before = design.bill.copy()
    assert bill_with_totals(design.bill)["mass_g"].iloc[-1] == pytest.approx(before["mass_g"].sum())
    pd.testing.assert_frame_equal(design.bill, before)
