"""`cellstow new`: a starter brief with catalogs to fill in."""

from __future__ import annotations

import json
from pathlib import Path

import click


@click.command("new")
@click.argument("folder", type=click.Path(path_type=Path), default=Path("."))
@click.option("--from", "cells", type=click.Path(path_type=Path), metavar="CELLS.csv",
              help="Take over this table of cells instead of the invented one.")
@click.option("--example", metavar="NAME", help="Write an example in place of the starter; 'list' names them.")
@click.option("--json", "as_json", is_flag=True, help="Print what was written as JSON.")
@click.option("-q", "--quiet", is_flag=True, help="Print nothing.")
def command(folder: Path, cells: Path | None, example: str | None, as_json: bool, quiet: bool) -> None:
    """Write a commented starter brief and six small catalogs into FOLDER [default: the current one].

    The files pass `cellstow check` as they stand and hold invented rows; fill in your own. With --from your own
    table of cells is read, checked and copied. With --example it is the brief of an invented vehicle with the whole
    demo tables. Nothing that is there is ever replaced.
    """
    from optimizer.workflows.new import EXAMPLES, known_example, write_starter

    if example == "list":
        click.echo("\n".join(f"{name:12} {what}" for name, (_, what) in EXAMPLES.items()))
        return
    written = write_starter(folder, cells=cells, example=known_example(example))
    if as_json:
        click.echo(json.dumps([str(path) for path in written], indent=2))
    elif not quiet:
        click.echo("\n".join(f"Written: {path}" for path in written))
        click.echo(f"Next: cellstow check {written[0]}")
