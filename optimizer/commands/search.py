"""`cellstow search`: the Pareto front of a brief."""

from __future__ import annotations

import json
import re
import sys
from pathlib import Path

import click

from optimizer.console import exit_code_of_interrupt
from optimizer.problems import BadInput, Problem

UNITS_S = {"s": 1.0, "min": 60.0, "h": 3600.0, "d": 86400.0}


@click.command("search")
@click.argument("brief", type=click.Path(path_type=Path))
@click.option("--out", type=click.Path(path_type=Path), help="Folder of the run [default: results/<brief>].")
@click.option("--workers", type=click.IntRange(min=1), default=2, show_default=True, help="Processes.")
@click.option("--force", is_flag=True, help="Replace a run that is in the folder.")
@click.option("--resume", is_flag=True, help="Go on with the search that is in the folder.")
@click.option("--budget", metavar="TIME", help="Stop after this time, such as 8h, 30min or 90s.")
@click.option(
    "--storage", default="", metavar="URL",
    help="Share the work with the same command on other machines: postgresql://…, or journal:PATH on a shared disk.",
)  # fmt: skip
@click.option("--refresh", default="60s", show_default=True, metavar="TIME", help="How often the front is written.")
@click.option("--json", "as_json", is_flag=True, help="Print the run's record and its front as JSON.")
@click.option("--quiet", is_flag=True, help="No progress and no summary.")
def command(
    brief: Path, out: Path | None, workers: int, force: bool, resume: bool, budget: str | None, storage: str,
    refresh: str, as_json: bool, quiet: bool,
) -> None:  # fmt: skip
    """Search the whole design space of BRIEF and write its Pareto front.

    Writes front.parquet, front.csv and run.json into the run's folder, also now and then while the search goes
    on. Ctrl-C or the end of the budget leaves what was found so far, marked as incomplete, and --resume goes on
    from there. Exit code 3 when no candidate meets every constraint.
    """
    if force and resume:
        raise click.UsageError("--force begins anew, --resume goes on: choose one.")
    budget_s = seconds(budget, option="--budget") if budget is not None else None
    refresh_s = seconds(refresh, option="--refresh")

    from optimizer.commands.progress import Bar
    from optimizer.pinned import add_to_run
    from optimizer.review.terminal import search_summary
    from optimizer.review.terminal_designs import pinned_text
    from optimizer.search.job import How, run_job

    folder = out if out is not None else Path("results") / brief.stem
    report = None if quiet else Bar()
    how = How(workers, force, resume, budget_s, storage, refresh_s)
    result = run_job(brief, folder=folder, how=how, report=report)
    if report is not None:
        report.close()
    if not as_json and (not quiet or not len(result.front)):
        click.echo(search_summary(result))
    asked, pinned = add_to_run(folder, brief)
    if as_json:
        record = {"folder": str(folder), **result.run, "rows": json.loads(result.front.to_json(orient="records"))}
        click.echo(json.dumps(record, indent=2, ensure_ascii=False))
    elif asked and not quiet:
        row = None if pinned is None else dict(pinned.iloc[0])
        click.echo("\n" + pinned_text(row, result.front, objectives=result.objectives, currency=result.currency))
    if result.interrupted:
        sys.exit(exit_code_of_interrupt())
    if not len(result.front) and result.run["space"]["complete"]:
        sys.exit(3)


def seconds(text: str, *, option: str) -> float:
    """A time such as 8h, 30min or 90s in seconds.

    Raises
    ------
    BadInput
        Code "bad-time" when it can't be read or is not above 0.
    """
    parts = re.fullmatch(r"\s*(\d+(?:\.\d+)?)\s*(s|min|h|d)\s*", text)
    if parts is None or float(parts[1]) <= 0:
        expected = "must be a time above 0 with its unit, such as 8h, 30min or 90s"
        raise BadInput([Problem("bad-time", "command line", field=option, found=text, expected=expected)])
    return float(parts[1]) * UNITS_S[parts[2]]
