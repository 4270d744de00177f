"""`cellstow why`: what stands against a pack."""

from __future__ import annotations

import json
from pathlib import Path

import click


@click.command("why")
@click.argument("run_or_brief", type=click.Path(path_type=Path))
@click.option("--cell", metavar="ID", help="Cell.")
@click.option("--series", type=int, metavar="S", help="Cells in series.")
@click.option("--parallel", type=int, metavar="P", help="Cells in parallel.")
@click.option("--split", metavar="COMPARTMENT:GROUPS…", help="Groups in each compartment, such as 'deck:14 stem:6'.")
@click.option("--axes", metavar="COMPARTMENT:AXIS…", help="Axis along which cells lie, such as 'deck:z'.")
@click.option("--groups-per-module", type=int, metavar="N", help="Groups in one module; 0 for a tray.")
@click.option("--strip", metavar="ID", help="Stock of the plates.")
@click.option("--strip-layers", type=int, metavar="N", help="Layers of it.")
@click.option("--wire", metavar="ID", help="Power wire.")
@click.option("--bms", metavar="ID", help="BMS.")
@click.option("--fuse", metavar="ID", help="Fuse.")
@click.option("--brief", type=click.Path(path_type=Path), help="The brief, when it is not where the run says.")
@click.option("--json", "as_json", is_flag=True, help="Print JSON instead of text.")
@click.option("-q", "--quiet", is_flag=True, help="No progress.")
def command(run_or_brief: Path, split: str | None, axes: str | None, brief: Path | None, as_json: bool,
            quiet: bool, **given: str | int | None) -> None:
    """Tell why a pack is not on the front of RUN_OR_BRIEF: which limit it fails, by how much, or which packs beat it.

    Any part may be left out: what is open is searched exactly. Without any part, the whole space by reason: from
    a run's accounts at once, of a brief after searching it.
    """
    from optimizer.workflows.why import ask

    answer = ask(run_or_brief, split=split, axes=axes, brief=brief, given=given,
                 say=lambda text: None if quiet else click.echo(text, err=True))
    click.echo(json.dumps(answer.record(), indent=2, ensure_ascii=False) if as_json else answer.text())
