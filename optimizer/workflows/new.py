"""A commented brief with small catalogs to fill in, for somebody who begins."""

from __future__ import annotations

import tomllib
from pathlib import Path

from optimizer.base.files import write_bytes
from optimizer.base.problems import BadInput, Problem
from optimizer.catalog import builtin_catalogs, read_cells
from optimizer.catalog.columns import Column
from optimizer.catalog.types import (
    BMS_COLUMNS,
    CELL_COLUMNS,
    CHARGER_COLUMNS,
    FUSE_COLUMNS,
    STRIP_COLUMNS,
    WIRE_COLUMNS,
)

FEW_CELLS = ("amber-18650-e35", "birch-18650-b30", "amber-21700-e50", "birch-21700-b45", "grove-18650-e18")
# Rows of the demo tables that go along: few, and enough for the starter brief to be searched.
ROWS = {
    "cells": (CELL_COLUMNS, FEW_CELLS),
    "strips": (STRIP_COLUMNS, ("nickel-8x0.15", "nickel-8x0.20", "copper-8x0.10")),
    "wires": (WIRE_COLUMNS, ("silicone-0.5", "silicone-2.5", "silicone-4", "silicone-6")),
    "bms": (BMS_COLUMNS, ("warden-14s-30a", "sentinel-24s-80a")),
    "fuses": (FUSE_COLUMNS, ("blade-60v-30a", "blade-60v-40a", "bolt-60v-80a")),
    "chargers": (CHARGER_COLUMNS, ()),
}  # fmt: skip
HEAD = {
    "cells": "dimensions are the largest, sleeve included; dcir_mohm is for a 10 s pulse at half charge",
    "strips": "empty resistivity and density are the material's; current_density_a_mm2 is your own limit",
    "wires": "the thinnest row is used for balance leads and sensors, any row for the power wires",
    "bms": "chemistries: a list with semicolons; a board must suit the series count and the full voltage",
    "fuses": "voltage_dc_v must be at least the full pack's; an AC rating does not count",
    "chargers": "voltage_v is the full pack's",
}

# Invented vehicles by name: brief among the catalogs, and what it is.
EXAMPLES = {
    "runabout": ("quick-36v.toml", "a light two-wheeler, one box, 36 V"),
    "garden-cart": ("garden-cart.toml", "a hand cart at walking pace, one low tray, LFP cells"),
    "mono-wheel": ("mono-wheel.toml", "a wheel that balances its rider, two slanted pods, 72 V"),
}


def starter_files() -> dict[str, str]:
    """Names and contents of the starter's files: brief.toml and the six tables."""
    files = {"brief.toml": Path(__file__).with_name("starter.toml").read_text(encoding="utf-8")}
    for name, (columns, ids) in ROWS.items():
        files[f"{name}.csv"] = _table(name, columns, ids)
    return files


def _table(name: str, columns: tuple[Column, ...], ids: tuple[str, ...]) -> str:
    """A few rows of a demo table under comments that say what each column takes; all rows where none are named."""
    lines = (builtin_catalogs() / f"{name}.csv").read_text(encoding="utf-8").splitlines()
    table = [line for line in lines if line and not line.startswith("#")]
    rows = [line for line in table[1:] if not ids or line.split(",")[0] in ids]
    needed = [column.name for column in columns if column.filled]
    optional = [column.name for column in columns if not column.filled]
    comments = [
        f"# your {name}: one row each; these rows are invented, put in what you can buy",
        f"# {HEAD[name]}",
        f"# always filled: {' '.join(needed)}",
    ]
    if optional:
        comments.append(f"# may be empty where it does not apply: {' '.join(optional)}")
    return "\n".join([*comments, table[0], *rows]) + "\n"


def known_example(name: str | None) -> str | None:
    """The name itself; BadInput where there is no such example."""
    if name is not None and name not in EXAMPLES:
        expected = f"is no example; there are {', '.join(EXAMPLES)}"
        raise BadInput([Problem("no-example", "command line", field="--example", found=name, expected=expected)])
    return name


def example_files(name: str) -> dict[str, bytes]:
    """Names and contents of an example's files: brief.toml and the tables that it names, all their rows.

    Parameters
    ----------
    name : str
        Key of EXAMPLES.
    """
    briefs = builtin_catalogs() / "briefs"
    text = (briefs / EXAMPLES[name][0]).read_text(encoding="utf-8")
    files = {"brief.toml": text.replace('"../', '"').encode("utf-8")}
    for key, value in tomllib.loads(text)["catalog"].items():
        table = briefs / value
        files |= _own_cells(table) if key == "cells" else {table.name: table.read_bytes()}
    return files


def _own_cells(path: Path) -> dict[str, bytes]:
    """The user's table of cells and the curves that it names, by the names that they get; BadInput with its faults."""
    named = read_cells(path).frame.get("ocv", ())
    curves = sorted({str(each) for each in named if isinstance(each, str) and each})
    away = [each for each in curves if Path(each).is_absolute() or ".." in Path(each).parts]
    if away:
        expected = "must name curves in the table's own folder or below it, so that they can be copied with it"
        found = [Problem("curve-elsewhere", str(path), field="ocv", found=each, expected=expected) for each in away]
        raise BadInput(found)
    curve_files = {each: (path.parent / each).read_bytes() for each in curves}
    return {f"cells{path.suffix.lower()}": path.read_bytes()} | curve_files


def write_starter(folder: Path, *, cells: Path | None = None, example: str | None = None) -> list[Path]:
    """Write the starter's files, or those of an example, into a folder; nothing that is there is ever replaced.

    `cells` is the user's own table, copied in place of the invented one. BadInput: code "files-exist" when one of the
    files, or a file in place of the folder, is there; or every problem of the user's table. Nothing is written then.
    """
    files: dict[str, str | bytes] = dict(starter_files()) if example is None else dict(example_files(example))
    if cells is not None:
        text = files["brief.toml"]
        text = text.decode("utf-8") if isinstance(text, bytes) else text
        files["brief.toml"] = text.replace('"cells.csv"', f'"cells{cells.suffix.lower()}"')
        del files["cells.csv"]
        files |= _own_cells(cells)
    held = [name for name in files if (folder / name).exists()]
    if held or (folder.exists() and not folder.is_dir()):
        text = "must hold none of the starter's files; choose an empty folder: nothing is ever replaced"
        raise BadInput([Problem("files-exist", str(folder), expected=text, found=", ".join(held) or "a file")])
    for name, content in files.items():
        write_bytes(folder / name, content.encode("utf-8") if isinstance(content, str) else content)
    return [folder / name for name in files]
