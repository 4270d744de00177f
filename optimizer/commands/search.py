"""`cellstow search`: the Pareto front of a brief."""

from __future__ import annotations

import sys
from pathlib import Path

import click


@click.command("search")
@click.argument("brief", type=click.Path(path_type=Path))
@click.option("--out", type=click.Path(path_type=Path), help="Folder of the run [default: results/<brief>].")
@click.option("--workers", type=click.IntRange(min=1), default=2, show_default=True, help="Processes.")
@click.option("--force", is_flag=True, help="Replace a run that is in the folder.")
@click.option("--quiet", is_flag=True, help="No progress and no summary.")
def command(brief: Path, out: Path | None, workers: int, force: bool, quiet: bool) -> None:
    """Search the whole design space of BRIEF and write its Pareto front.

    Writes front.parquet, front.csv and run.json into the run's folder. Ctrl-C ends the search and writes
    what was found so far, marked as incomplete. Exit code 3 when no candidate meets every constraint.
    """
    from optimizer.review.terminal import search_summary
    from optimizer.search.job import run_job

    folder = out if out is not None else Path("results") / brief.stem
    report = None if quiet else Bar()
    result = run_job(brief, folder=folder, workers=workers, force=force, report=report)
    if report is not None:
        report.close()
    if not quiet or not len(result.front):
        click.echo(search_summary(result))
    if result.interrupted:
        sys.exit(130)
    if not len(result.front):
        sys.exit(3)


class Bar:
    """Progress on stderr: a bar on a terminal, a line now and then elsewhere."""

    def __init__(self) -> None:
        self.line = ""
        self.live = sys.stderr.isatty()

    def say(self, text: str) -> None:
        """A line of its own, such as the estimate before the search starts."""
        self.close()
        click.echo(text, err=True)

    def step(self, text: str) -> None:
        """Replace the line that shows how far the search is."""
        if self.live:
            click.echo("\r" + text.ljust(len(self.line)), err=True, nl=False)
        elif not self.line or text[:4] != self.line[:4]:
            click.echo(text, err=True)
        self.line = text

    def close(self) -> None:
        """End the line in work."""
        if self.live and self.line:
            click.echo(err=True)
        self.line = ""
