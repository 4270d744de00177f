"""`cellstow against`: a prediction held against logs of the pack that was built."""

from __future__ import annotations

from pathlib import Path

import click


@click.command("against")
@click.argument("design", metavar="RUN:DESIGN")
@click.argument("logs", nargs=-1, required=True, type=click.Path(path_type=Path), metavar="LOG...")
@click.option("--column", "columns", multiple=True, metavar="WHAT=NAME",
              help="A CSV column by name: speed_kmh=Spd, voltage_v=, current_a=, altitude_m=, time_s=; repeatable.")
@click.option("--brief", type=click.Path(path_type=Path), help="Brief of the run, if it was moved.")
@click.option("--picture", type=click.Path(path_type=Path), metavar="PNG",
              help="Picture [default: results/<design>-against.png].")
@click.option("--json", "as_json", is_flag=True, help="Print JSON instead of text.")
@click.option("--quiet", is_flag=True, help="Write the picture, print nothing.")
def command(
    design: str, logs: tuple[Path, ...], columns: tuple[str, ...], brief: Path | None, picture: Path | None,
    as_json: bool, quiet: bool,
) -> None:  # fmt: skip
    """Hold what was predicted of RUN:DESIGN against LOGS of the pack, in the order in which they were ridden.

    Each ride is predicted as it was ridden; voltage, energy, temperature and range stand beside the log's, and which of
    resistance, capacity and road load would explain the difference, with its error. Several logs show what a season
    changed.
    """
    from optimizer.commands.progress import Bar, tell
    from optimizer.road.csvlog import named_columns
    from optimizer.workflows.against import AgainstRequest, against_job

    asked = AgainstRequest(design, logs, named_columns(columns), brief, picture)
    with Bar() as bar:
        done = against_job(asked, say=lambda text: None if quiet else bar.step(text))
    tell(done, as_json=as_json, quiet=quiet)
