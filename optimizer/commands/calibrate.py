"""`cellstow calibrate`: a vehicle's resistances fitted to its logs."""

from __future__ import annotations

from pathlib import Path

import click


@click.command("calibrate")
@click.argument("brief", type=click.Path(path_type=Path))
@click.argument("logs", nargs=-1, required=True, type=click.Path(path_type=Path), metavar="LOG...")
@click.option("--write", is_flag=True, help="Put the result into the brief's [vehicle]; all else in it stays as it is.")
@click.option(
    "--fit",
    "fit",
    multiple=True,
    metavar="NAME",
    help="Fit this, too: drivetrain_efficiency, mass_kg, headwind_m_s; repeatable.",
)
@click.option(
    "--pack-kg",
    type=click.FloatRange(0, 1000),
    default=0.0,
    show_default=True,
    metavar="KG",
    help="Pack, and whatever else was on board that the brief's masses don't hold.",
)
@click.option(
    "--column",
    "columns",
    multiple=True,
    metavar="WHAT=NAME",
    help="A CSV column by name: speed_kmh=Spd, voltage_v=, current_a=, altitude_m=, time_s=; repeatable.",
)
@click.option(
    "--picture",
    type=click.Path(path_type=Path),
    metavar="PNG",
    help="Picture of what is left [default: results/<brief>-calibration.png].",
)
@click.option("--json", "as_json", is_flag=True, help="Print JSON instead of text.")
@click.option("--quiet", is_flag=True, help="Write the files, print nothing.")
def command(
    brief: Path, logs: tuple[Path, ...], write: bool, fit: tuple[str, ...], pack_kg: float, columns: tuple[str, ...],
    picture: Path | None, as_json: bool, quiet: bool,
) -> None:  # fmt: skip
    """Fit drag area, rolling resistance and accessories of BRIEF's vehicle to LOGS, with standard errors.

    A power that is logged up to a second later or earlier than the speed, as means over a second are, is found, too.

    Logs have speed, and voltage and current (or power) where they should tell more than coast-downs do; heights help
    much. Masses are the brief's. Efficiency keeps the brief's value unless asked for with --fit.
    """
    from optimizer.commands.progress import Bar, tell
    from optimizer.road.csvlog import named_columns
    from optimizer.workflows.calibrate import CalibrateRequest, calibrate_job

    asked = CalibrateRequest(brief, logs, named_columns(columns), fit, pack_kg, write, picture)
    with Bar() as bar:
        done = calibrate_job(asked, say=lambda text: None if quiet else bar.step(text))
    tell(done, as_json=as_json, quiet=quiet)
