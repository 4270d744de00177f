"""`cellstow vary`: what a millimetre and a step of each limit is worth."""

from __future__ import annotations

import json
from pathlib import Path

import click


@click.command("vary")
@click.argument("brief", type=click.Path(path_type=Path))
@click.option("--step-mm", type=click.FloatRange(min=0, min_open=True), default=2.0, show_default=True, metavar="MM",
              help="Step of each dimension of each compartment.")
@click.option("--step-pct", type=click.FloatRange(min=0, max=90, min_open=True), default=5.0, show_default=True,
              metavar="PERCENT", help="Step of each limit, of its value.")
@click.option("--only", multiple=True, metavar="NAME", help="Only what has this in its name; repeatable.")
@click.option("--workers", type=click.IntRange(min=1),
              help="Processes [default: as many as the processors that this command may use].")
@click.option("-o", "--out", type=click.Path(path_type=Path), help="Folder [default: results/<brief>-vary].")
@click.option("--force", is_flag=True, help="Replace the files of an earlier call.")
@click.option("--json", "as_json", is_flag=True, help="Print a JSON array instead of text.")
@click.option("-q", "--quiet", is_flag=True, help="Write the files, print nothing.")
def command(brief: Path, step_mm: float, step_pct: float, only: tuple[str, ...], out: Path | None, force: bool,
            workers: int | None, as_json: bool, quiet: bool) -> None:
    """Change each dimension and each limit of BRIEF by a step, both ways, and tell what it is worth.

    For each step the whole space is searched exactly for the longest range, the most power, the least mass and
    the least cost. Writes vary.csv, vary.png and vary.svg (bars). A compartment is stretched at its middle: its
    ends, and the keep-outs there, stay as they are. Fits are cached: a second call is much faster.
    """
    from optimizer.workflows.vary import vary_job

    folder = out if out is not None else Path("results") / f"{brief.stem}-vary"
    done = vary_job(brief, folder=folder, step_mm=step_mm, step_pct=step_pct, only=only, force=force, workers=workers,
                    say=lambda text: None if quiet else click.echo(text, err=True))
    if as_json:
        click.echo(json.dumps(done.record(), indent=2, ensure_ascii=False))
    elif not quiet:
        click.echo(done.text())
