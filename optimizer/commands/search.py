"""`cellstow search`: the Pareto front of a brief."""

from __future__ import annotations

import json
import re
import sys
from dataclasses import dataclass
from pathlib import Path

import click

from optimizer.base.console import exit_code_of_interrupt
from optimizer.base.problems import BadInput, Problem

# How many boxes a budget may ask for, as in the brief's own [search] trials.
MOST_TRIALS = 1_000_000

UNITS_S = {"s": 1.0, "min": 60.0, "h": 3600.0, "d": 86400.0}


@dataclass(frozen=True)
class Limits:
    """When a search ends before everything was searched.

    Parameters
    ----------
    time_s : float, optional
        After this time [s].
    trials : int, optional
        After this many boxes.
    no_gain : bool
        Once boxes bring no gain any more, however many were tried.
    """

    time_s: float | None = None
    trials: int | None = None
    no_gain: bool = False


@click.command("search")
@click.argument("brief", type=click.Path(path_type=Path))
@click.option("-o", "--out", type=click.Path(path_type=Path), help="Folder of the run [default: results/<brief>].")
@click.option(
    "--workers", type=click.IntRange(min=1),
    help="Processes [default: as many as the processors that this command may use].",
)  # fmt: skip
@click.option("--force", is_flag=True, help="Replace a run that is in the folder.")
@click.option("--resume", is_flag=True, help="Go on with the search that is in the folder.")
@click.option(
    "--budget", multiple=True, metavar="LIMIT",
    help="Stop after this time, such as 8h, 30min or 90s; when a brief has ranges, also '200 trials' or 'no gain'. "
    "Given several times, the first limit reached ends the search.",
)  # fmt: skip
@click.option(
    "--cluster", default="", metavar="ADDRESS",
    help="Have the workers of a Dask cluster do the work: tcp://HOST:8786, or the scheduler's file.",
)  # fmt: skip
@click.option(
    "--storage", default="", metavar="URL",
    help="When a brief has ranges: share its study with the same command elsewhere, postgresql://…",
)  # fmt: skip
@click.option("--refresh", default="60s", show_default=True, metavar="TIME", help="How often the front is written.")
@click.option("--page", is_flag=True, help="Write review.html whenever the front is written, to look at meanwhile.")
@click.option("--json", "as_json", is_flag=True, help="Print the run's record and its front as JSON.")
@click.option("-q", "--quiet", is_flag=True, help="No progress and no summary.")
@click.option("-v", "--verbose", is_flag=True, help="Print the cautions that go with every pack in full.")
def command(
    brief: Path, out: Path | None, workers: int | None, force: bool, resume: bool, budget: tuple[str, ...],
    cluster: str, storage: str, refresh: str, page: bool, as_json: bool, quiet: bool, verbose: bool,
) -> None:  # fmt: skip
    """Search the whole design space of BRIEF and write its Pareto front.

    Writes front.parquet, front.csv and run.json into the run's folder, also now and then while the search goes
    on. Ctrl-C or the end of the budget leaves what was found so far, marked as incomplete, and --resume goes on
    from there. Exit code 3 when no candidate meets every constraint.
    """
    if force and resume:
        raise click.UsageError("--force begins anew, --resume goes on: choose one.")
    limits = _limits_of(budget)
    refresh_s = seconds(refresh, option="--refresh")

    from optimizer.commands.progress import Bar
    from optimizer.design.pinned import add_to_run
    from optimizer.review.terminal.designs import pinned_text
    from optimizer.review.terminal.overview import search_summary
    from optimizer.workflows.how import How
    from optimizer.workflows.search import run_job

    folder = out if out is not None else Path("results") / brief.stem
    report = None if quiet else Bar()
    how = How(workers, force, resume, limits.time_s, storage, refresh_s, limits.trials, limits.no_gain, cluster, page)
    result = run_job(brief, folder=folder, how=how, report=report)
    if report is not None:
        report.close()
    if not as_json and (not quiet or not len(result.front)):
        click.echo(search_summary(result, whole=verbose, page=page))
    pinned = add_to_run(folder, brief)
    if as_json:
        record = {"folder": str(folder), **result.run, "rows": json.loads(result.front.to_json(orient="records"))}
        click.echo(json.dumps(record, indent=2, ensure_ascii=False))
    elif pinned and not quiet:
        click.echo("\n" + pinned_text(pinned, result.front, objectives=result.objectives, currency=result.currency))
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


def _limits_of(budgets: tuple[str, ...]) -> Limits:
    """What `--budget` says: each a time, a number of trials or "no gain".

    >>> _limits_of(("8h", "200 trials"))
    Limits(time_s=28800.0, trials=200, no_gain=False)

    Raises BadInput: Code "bad-budget" for each that can't be read, is 0, or says again what another one said.
    """
    found: dict[str, float | int | bool] = {}
    problems = []
    for text in budgets:
        name, value = _limit(text)
        expected = "must be a time above 0 (8h, 30min, 90s), '200 trials' (1 to 1,000,000) or 'no gain'"
        if name in found:
            expected = "says again what another --budget said; give each kind once"
        if not name or name in found:
            problems.append(Problem("bad-budget", "command line", field="--budget", found=text, expected=expected))
        found[name] = value
    if problems:
        raise BadInput(problems)
    return Limits(**found)  # type: ignore[arg-type]


def _limit(text: str) -> tuple[str, float | int | bool]:
    """Field of Limits and its value; "" when the text can't be read."""
    if re.fullmatch(r"\s*no[ -]gain\s*", text):
        return "no_gain", True
    trials = re.fullmatch(r"\s*(\d{1,9})\s*trials?\s*", text, re.ASCII)
    if trials is not None:
        return ("trials", int(trials[1])) if 1 <= int(trials[1]) <= MOST_TRIALS else ("", 0)
    try:
        return "time_s", seconds(text, option="--budget")
    except BadInput:
        return "", 0
