"""What spreadsheets do to tables, habit by habit: handled, or named with what to do about it."""

from pathlib import Path

import mutate
import pytest
import targets

from optimizer.base.problems import BadInput
from optimizer.brief import load_brief
from optimizer.catalog import read_cells, read_ride
from optimizer.cell.curves import read_curves

CELLS = targets.TARGETS[0]
ROWS = mutate.parse(CELLS.content)


def put(folder: Path, data: bytes, name: str = "cells.csv") -> Path:
    (folder / "own.csv").write_text(targets.OWN)
    path = folder / name
    path.write_bytes(data)
    return path


def cells(folder: Path, data: bytes):
    return repr(CELLS.read(put(folder, data)))


def named(folder: Path, data: bytes) -> list:
    with pytest.raises(BadInput) as caught:
        read_cells(put(folder, data))
    return caught.value.problems


def with_cell(row: int, column: str, text: str) -> bytes:
    rows = [list(r) for r in ROWS]
    rows[row][rows[0].index(column)] = text
    return mutate.render(rows)


SOUND = mutate.render(ROWS)
HANDLED = {
    "byte-order mark": b"\xef\xbb\xbf" + SOUND,
    "semicolons": mutate.render(ROWS, ";"),
    "tabs": mutate.render(ROWS, "\t"),
    "a hint of the separator": b"sep=;\r\n" + mutate.render(ROWS, ";"),
    "decimal commas": mutate.render([ROWS[0], *[[mutate.comma(c) for c in row] for row in ROWS[1:]]], ";"),
    "trailing spaces": SOUND.replace(b"\n", b"  \n").replace(b",", b" , "),
    "no-break spaces": SOUND.replace(b",", "\u00a0,".encode()),
    "Windows line ends": SOUND.replace(b"\n", b"\r\n"),
    "old line ends": SOUND.replace(b"\n", b"\r"),
    "UTF-16": SOUND.decode().encode("utf-16"),
    "UTF-16, semicolons, commas": mutate.render([ROWS[0], *[[mutate.comma(c) for c in r] for r in ROWS[1:]]], ";")
    .decode()
    .encode("utf-16"),
    "every cell in quotes": ("\n".join(",".join(f'"{c}"' for c in row) for row in ROWS) + "\n").encode(),
    "empty columns on the right": SOUND.replace(b"\n", b",,,,\n"),
    "empty rows at the end": SOUND + b",,,,\n" * 3,
    "thousands in groups": with_cell(1, "price", "1,234,567.00").replace(b'"1,234,567.00"', b"2.35"),
    "true minus": SOUND.replace(b",-20,", "\u002c\u221220,".encode()),
    "format as a number": SOUND.replace(b",18650,", b",18650.0,"),
    "notes above": b"# my cells\n\n" + SOUND,
}


@pytest.mark.parametrize("habit", sorted(HANDLED))
def test_handled(habit, tmp_path):
    assert cells(tmp_path, HANDLED[habit]) == cells(tmp_path, SOUND)


def test_thousands_separators_that_are_clear_are_read(tmp_path):
    """1,234 in a table of commas may be 1.234 or 1234: it is asked about. With more groups it is clear."""
    for text, value in (("1,234,567", 1234567.0), ("1 234.5", 1234.5), ("1'234", 1234.0), ("12,345.5", 12345.5)):
        data = with_cell(1, "stock" if value == int(value) else "price", text).replace(b"100:2.15;500:1.95", b"")
        found = read_cells(put(tmp_path, data))
        assert (found.stock if value == int(value) else found.price)[0] == value
    (problem,) = named(tmp_path, with_cell(1, "stock", "1,234"))
    assert problem.code == "unclear-number"
    assert "1234 for that many, or 1.2340" in problem.expected


@pytest.mark.parametrize(
    "text",
    [
        "#REF!",
        "#N/A",
        "#DIV/0!",
        "#VALUE!",
        "#NAME?",
        "#NUM!",
        "#NULL!",
        "#SPILL!",
        "#CALC!",
        "#WERT!",
        "#BEZUG!",
        "#NV",
        "#¡REF!",
        "#VALEUR!",
        "Err:502",
        "####",
    ],
)
@pytest.mark.parametrize("column", ["mass_g", "id", "price_breaks"])
def test_error_cells_are_named(column, text, tmp_path):
    found = named(tmp_path, with_cell(2, column, text))
    assert [(p.code, p.where, p.field) for p in found] == [("excel-error", "row 3", column)]


NAMED = {
    "header twice": (mutate.render([[*ROWS[0], "mass_g"], *[[*r, "1"] for r in ROWS[1:]]]), "duplicate-column"),
    "header twice in another spelling": (
        mutate.render([[*ROWS[0], "Mass G"], *[[*r, "1"] for r in ROWS[1:]]]),
        "duplicate-column",
    ),
    "decimal comma among points": (with_cell(1, "mass_g", "46,0"), "decimal-comma"),
    "percent": (with_cell(1, "mass_g", "46 %"), "not-a-number"),
    "unit in the cell": (with_cell(1, "mass_g", "46 g"), "not-a-number"),
    "currency in the cell": (with_cell(1, "price", "€2.35"), "not-a-number"),
    "a date": (with_cell(1, "voltage_nominal_v", "03.06.2024"), "not-a-number"),
    "NaN": (with_cell(1, "mass_g", "NaN"), "not-finite"),
    "infinity": (with_cell(1, "mass_g", "-inf"), "not-finite"),
    "too large for a number": (with_cell(1, "mass_g", "1e999"), "not-finite"),
    "a row commented out": (with_cell(1, "id", "#" + ROWS[1][0]), "comment-row"),
    "a row twice": (mutate.render([*ROWS, ROWS[1]]), "duplicate-id"),
    "a row of sums": (mutate.render([*ROWS, ["total"] + [""] * (len(ROWS[0]) - 1)]), "totals-row"),
    "an invisible sign": (with_cell(1, "id", "am\u200bber"), "control-character"),
    "a line end in a name": (with_cell(1, "id", "am\nber"), "control-character"),
    "a workbook": (b"PK\x03\x04 and so on", "not-a-table"),
    "an old workbook": (b"\xd0\xcf\x11\xe0 and so on", "not-a-table"),
    "a web page": (b"<html><body>sign in</body></html>\n", "missing-column"),
    "another encoding": (SOUND.replace(b"amber", "ambér".encode("latin-1"), 1), "encoding"),
    "packed": (b"\x1f\x8b\x08\x00 and so on", "encoding"),
    "nothing": (b"", "no-header"),
    "only a header": (mutate.render(ROWS[:1]), "empty-catalog"),
    "cut off": (SOUND[: len(SOUND) // 2], "row-length"),
}


@pytest.mark.parametrize("habit", sorted(NAMED))
def test_named(habit, tmp_path):
    data, code = NAMED[habit]
    found = named(tmp_path, data)
    assert code in {problem.code for problem in found}
    assert all(problem.file.endswith("cells.csv") and problem.expected for problem in found)


def test_rides_and_curves_have_the_same_habits(tmp_path):
    ride = next(t for t in targets.TARGETS if t.name == "ride")
    for way, save in mutate.SAVED.items():
        assert len(read_ride(put(tmp_path, save(ride.content.decode()), "ride.csv")).time_s) == 60, way
    for data in (targets.CURVES.replace(",", ";").replace(".", ",").encode(), targets.CURVES.encode("utf-16")):
        problems = []
        curves = read_curves(put(tmp_path, data, "curves.csv"), problems)
        assert problems == []
        assert [c.current_a for c in curves] == [0.6, 3.0]


def test_a_brief_with_a_mark_and_windows_line_ends_is_read_and_utf16_is_named(tmp_path):
    from test_trees import TINY, brief_folder

    path = brief_folder(tmp_path / "a")
    path.write_bytes(b"\xef\xbb\xbf" + TINY.replace("\n", "\r\n").encode())
    assert load_brief(path).title == "tiny"
    path.write_bytes(TINY.encode("utf-16"))
    with pytest.raises(BadInput, match="encoding"):
        load_brief(path)
