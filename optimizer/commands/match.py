"""`cellstow match`: measured cells sorted into groups and seats."""

from __future__ import annotations

from pathlib import Path

import click


@click.command("match")
@click.argument("measured", type=click.Path(path_type=Path), metavar="MEASURED.csv")
@click.option("--series", type=click.IntRange(1, 400), metavar="S", help="Groups in series.")
@click.option("--parallel", type=click.IntRange(1, 2000), metavar="P", help="Cells in each group.")
@click.option("--design", metavar="RUN:DESIGN", help="Design whose seats are filled; it gives S and P.")
@click.option("--brief", type=click.Path(path_type=Path), help="Brief of the run, if it was moved.")
@click.option("--out", type=click.Path(path_type=Path), help="Output folder [default: <measured>-match].")
@click.option("--force", is_flag=True, help="Write into a folder that holds files.")
@click.option("--json", "as_json", is_flag=True, help="Print JSON instead of text.")
@click.option("--quiet", is_flag=True, help="Write the files, print nothing.")
def command(
    measured: Path, series: int | None, parallel: int | None, design: str | None, brief: Path | None, out: Path | None,
    force: bool, as_json: bool, quiet: bool,
) -> None:  # fmt: skip
    """Sort the cells of MEASURED.csv (id, capacity_ah, resistance_mohm, rest_voltage_v) into S groups of P.

    Outliers are rejected by stated rules; sums of capacity and of conductance are made as equal as can be, with a proof
    of how equal that is. With a design weaker groups go where it is coolest. Writes which cell sits where (seats.csv,
    seats.png, labels.pdf), groups.csv, what is left over (left.csv) and the block [measured] for a brief.
    """
    from optimizer.commands.progress import tell
    from optimizer.workflows.match import MatchRequest, match_job

    done = match_job(MatchRequest(measured, series, parallel, design, brief, out, force))
    tell(done, as_json=as_json, quiet=quiet)
