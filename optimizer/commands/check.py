"""`cellstow check`: is the brief sound, and what does it leave to defaults?"""

from __future__ import annotations

import json
from pathlib import Path

import click


@click.command("check")
@click.argument("brief", type=click.Path(path_type=Path))
@click.option("--json", "as_json", is_flag=True, help="Print JSON instead of text.")
@click.option("--quiet", is_flag=True, help="Print nothing when all is well.")
def command(brief: Path, as_json: bool, quiet: bool) -> None:
    """Read BRIEF and its catalogs, name every problem at once, and print each default in use.

    Exit code 0 when a search could start, 2 otherwise.
    """
    from optimizer.inputs import load_inputs
    from optimizer.review.terminal import check_text

    inputs = load_inputs(brief)
    if as_json:
        click.echo(json.dumps(inputs.record(), indent=2, ensure_ascii=False))
    elif not quiet:
        click.echo(check_text(inputs))
