"""`cellstow compare`: two runs or two designs side by side."""

from __future__ import annotations

import json
from pathlib import Path

import click


@click.command("compare")
@click.argument("a")
@click.argument("b")
@click.option("--page", type=click.Path(path_type=Path), help="Of two runs: also write both fronts as one HTML page.")
@click.option("--json", "as_json", is_flag=True, help="Print JSON instead of text.")
@click.option("-q", "--quiet", is_flag=True, help="Print nothing; with --page, write the page.")
def command(a: str, b: str, page: Path | None, as_json: bool, quiet: bool) -> None:
    """Compare A with B: two runs, or two designs given as RUN:DESIGN.

    Two runs: what each is best in, how many rows of each the other beats, and where their briefs and files
    differ. Two designs: every figure beside the other.
    """
    from optimizer.workflows.compare import compare_job

    done = compare_job(a, b, page=page)
    if as_json:
        click.echo(json.dumps(done.record(), indent=2, ensure_ascii=False, default=float))
    elif not quiet:
        click.echo(done.text())
