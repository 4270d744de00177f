"""`cellstow ride`: logs of rides made into a trace for the brief."""

from __future__ import annotations

from pathlib import Path

import click


@click.command("ride")
@click.argument("logs", nargs=-1, required=True, type=click.Path(path_type=Path), metavar="LOG...")
@click.option(
    "--out",
    type=click.Path(path_type=Path),
    metavar="TRACE.csv",
    help="Trace to write (time_s, speed_kmh, grade_pct), its picture beside it; left out: nothing is written.",
)
@click.option(
    "--column",
    "columns",
    multiple=True,
    metavar="WHAT=NAME",
    help="A CSV column by name: speed_kmh=Spd, altitude_ft=, time_s=, time= (dates, clocks); repeatable.",
)
@click.option(
    "--weight",
    "weights",
    multiple=True,
    type=click.IntRange(1, 1000),
    metavar="TIMES",
    help="How often each log is ridden, in their order; repeatable.",
)
@click.option("--each", is_flag=True, help="Make a trace of each log instead of one of all.")
@click.option(
    "--height",
    type=click.Choice(["auto", "barometer", "satellite"]),
    default="auto",
    show_default=True,
    help="Where heights come from: sets how much they are smoothed.",
)
@click.option(
    "--height-window",
    "window_m",
    type=click.FloatRange(10, 5000),
    metavar="M",
    help="Length of way over which heights are smoothed; found from their noise when left out.",
)
@click.option(
    "--pause",
    "pause_min",
    type=click.FloatRange(0.5, 1440),
    default=10.0,
    show_default=True,
    metavar="MIN",
    help="Stands of this length or more are cut out.",
)
@click.option(
    "--shorten",
    "shorten_km",
    type=click.FloatRange(0.5, 2000),
    metavar="KM",
    help="Make a representative ride of about this length; rides of over ten hours are shortened anyway.",
)
@click.option("--brief", type=click.Path(path_type=Path), help="Brief whose vehicle the power is estimated for.")
@click.option("--picture", type=click.Path(path_type=Path), metavar="PNG", help="Picture, if not beside the trace.")
@click.option("--force", is_flag=True, help="Replace files that are there.")
@click.option("--json", "as_json", is_flag=True, help="Print JSON instead of text.")
@click.option("--quiet", is_flag=True, help="Write the files, print nothing.")
def command(
    logs: tuple[Path, ...],
    out: Path | None,
    columns: tuple[str, ...],
    weights: tuple[int, ...],
    each: bool,
    height: str,
    window_m: float | None,
    pause_min: float,
    shorten_km: float | None,
    brief: Path | None,
    picture: Path | None,
    force: bool,
    as_json: bool,
    quiet: bool,
) -> None:
    """Make a trace for a brief of the logs of a ride: GPX, TCX, FIT, or CSV of a controller or phone.

    Gaps, stands, jumps, doubled and shuffled rows and noisy heights are mended, and what was changed is said. Several
    logs become one ride, one after another.
    """
    from optimizer.commands.progress import Bar, tell
    from optimizer.road.csvlog import named_columns
    from optimizer.workflows.ride import RideRequest, ride_job

    asked = RideRequest(
        logs=logs, out=out, named=named_columns(columns), weights=weights, each=each, height=height, window_m=window_m,
        pause_s=60.0 * pause_min, shorten_km=shorten_km, brief=brief, picture=picture, force=force,
    )  # fmt: skip
    with Bar() as bar:
        done = ride_job(asked, say=lambda text: None if quiet else bar.step(text))
    tell(done, as_json=as_json, quiet=quiet)
