"""Tables with decimal commas, as many spreadsheets write them: what is accepted is written back plainly."""

import csv
import io
import json
import re

import numpy as np
import pytest
from click.testing import CliRunner

from optimizer.catalog import builtin_catalogs
from optimizer.catalog.cells import read_cells
from optimizer.catalog.parts import read_fuses
from optimizer.cli import main
from optimizer.workflows.search import How, run_job

POINTS = "1.1:3600.5..;1.35:0.75..600;2.5:..5"


def with_commas(text):
    """Semicolons between fields, commas in numbers, also in price breaks and points of fuses."""
    out = io.StringIO()
    writer = csv.writer(out, delimiter=";", lineterminator="\n")
    for row in csv.reader(line for line in text.splitlines() if not line.startswith("#")):
        writer.writerow([re.sub(r"(?<=\d)\.(?=\d)", ",", field) for field in row])
    return out.getvalue()


@pytest.fixture
def tables(tmp_path):
    """The demo's cells, and its fuses with points of their own, as they are and with commas."""
    cells = (builtin_catalogs() / "cells.csv").read_text()
    fuses = (builtin_catalogs() / "fuses.csv").read_text()
    head = next(line for line in fuses.splitlines() if line.startswith("id,"))
    place = head.split(",").index("points")
    lines = []
    for line in fuses.splitlines():
        fields = line.split(",")
        if not line.startswith(("#", "id,")):
            fields[place] = POINTS
        lines.append(",".join(fields))
    texts = {"cells": cells, "fuses": "\n".join(lines) + "\n"}
    for name, text in texts.items():
        (tmp_path / f"{name}.csv").write_text(text)
        (tmp_path / f"{name}-commas.csv").write_text(with_commas(text))
    return tmp_path


@pytest.mark.parametrize(
    ("name", "read", "column"), [("cells", read_cells, "price_breaks"), ("fuses", read_fuses, "points")]
)
def test_what_is_kept_of_a_row_reads_the_same_in_any_table(tables, name, read, column):
    plain, commas = (read(tables / f"{name}{end}.csv") for end in ("", "-commas"))
    assert "," not in "".join(commas.frame[column]) and "," in (tables / f"{name}-commas.csv").read_text()
    commas.frame.replace(np.inf, None).to_csv(tables / "again.csv", index=False)
    again = read(tables / "again.csv")
    for field in ("break_quantity", "break_price") if name == "cells" else ("opens_least", "opens_most"):
        for other in (commas, again):
            np.testing.assert_array_equal(getattr(other, field), getattr(plain, field))


def test_a_design_made_from_them_is_scored_from_its_own_file(tables):
    catalogs = builtin_catalogs().as_posix()
    text = (builtin_catalogs() / "briefs" / "quick-36v.toml").read_text().replace('"../', f'"{catalogs}/')
    for name in ("cells", "fuses"):
        text = text.replace(f'"{catalogs}/{name}.csv"', f'"{name}-commas.csv"')
    brief, folder = tables / "brief.toml", tables / "run"
    brief.write_text(text)
    front = run_job(brief, folder=folder, how=How()).front
    done = CliRunner().invoke(main, ["shortlist", str(folder), "--count", "1"])
    assert done.exit_code == 0, done.output
    (path,) = folder.glob("designs/*/design.json")
    assert json.loads(path.read_text())["catalog"]["cells"][0]["price_breaks"].count(":") == 2
    again = CliRunner().invoke(main, ["rescore", str(path), "--json"])
    assert again.exit_code == 0, again.output
    assert path.parent.name in set(front["design_id"])
