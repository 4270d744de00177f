"""Files are written whole, and a spreadsheet takes no text in them for a formula."""

import io

import numpy as np
import pandas as pd
import pytest

from optimizer.base.files import csv_text, write_bytes
from optimizer.base.texts import defused

RISKY = ["=1+1", "+SUM(A1)", "-cmd|x", "@now", "\t=1", "\r=1", "=HYPERLINK(1)", "＝1", "-1 =2", "-5; x"]


@pytest.mark.parametrize("text", RISKY)
def test_formulas_are_defused(text):
    # Kinds of start named by OWASP, "CSV Injection" (published).
    assert defused(text) == "'" + text


@pytest.mark.parametrize("value", ["demo-21700", "", "-5", "+4.2", "-1e3", "-2.5 0 1; -1 0 1", -5, 3.5, None, True])
def test_harmless_values_stay(value):
    assert defused(value) == value


def test_csv_defuses_ids_headers_and_keeps_figures():
    frame = pd.DataFrame({"design_id": ["=cmd", "d1"], "cost": [-1.25, 1 / 3], "n": [1, 2], "=h": ["a", None]})
    text = csv_text(frame)
    back = pd.read_csv(io.StringIO(text))
    assert list(back.columns) == ["design_id", "cost", "n", "'=h"]
    assert list(back["design_id"]) == ["'=cmd", "d1"]
    assert np.allclose(back["cost"], [-1.25, 1 / 3], rtol=1e-9)
    assert "\r" not in text


def test_csv_leaves_the_frame_alone_and_takes_doubled_columns():
    frame = pd.DataFrame([["=a", 1.0]], columns=["x", "x"])
    before = frame.copy()
    assert csv_text(frame).splitlines()[1] == "'=a,1"
    pd.testing.assert_frame_equal(frame, before)


def test_a_failed_write_leaves_the_old_file_and_no_rest(tmp_path):
    path = tmp_path / "a" / "bill.csv"
    write_bytes(path, b"old")
    with pytest.raises(TypeError):
        write_bytes(path, "not bytes")
    assert path.read_bytes() == b"old"
    assert [p.name for p in path.parent.iterdir()] == ["bill.csv"]
