"""`cellstow check`: is the brief sound, and what does it leave to defaults?"""

from __future__ import annotations

import json
from pathlib import Path

import click


@click.command("check")
@click.argument("brief", type=click.Path(path_type=Path))
@click.option("--json", "as_json", is_flag=True, help="Print JSON instead of text.")
@click.option("-q", "--quiet", is_flag=True, help="Print nothing when all is well.")
@click.option("--picture", type=click.Path(path_type=Path), help="Draw the compartments as read, PNG or SVG.")
def command(brief: Path, as_json: bool, quiet: bool, picture: Path | None) -> None:
    """Read BRIEF and its catalogs, name every problem at once, and print each default in use.

    Exit code 0 when a search could start, 2 otherwise.
    """
    from optimizer.review.terminal.overview import check_text
    from optimizer.search.boxes.freedims import read_any

    inputs, free = read_any(brief)
    if picture is not None:
        from optimizer.fit.region.geometry import compartments
        from optimizer.review.sheets.rooms import write_rooms

        write_rooms(picture, compartments(inputs.brief))
    if as_json:
        record = inputs.record() | {"free": {item.name: [item.low_mm, item.high_mm, item.step_mm] for item in free}}
        click.echo(json.dumps(record, indent=2, ensure_ascii=False))
    elif not quiet:
        click.echo(check_text(inputs, free=free))
