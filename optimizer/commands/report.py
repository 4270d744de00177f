"""`cellstow report`: the run as one HTML page that works offline."""

from __future__ import annotations

from pathlib import Path

import click


@click.command("report")
@click.argument("run", type=click.Path(path_type=Path))
@click.option("--brief", type=click.Path(path_type=Path), help="The brief, when it is not where the run says.")
@click.option("--vary", "varied", type=click.Path(path_type=Path), metavar="FOLDER",
              help="Show what `cellstow vary` wrote of the same brief: what a millimetre and a limit is worth.")
@click.option("--json", "as_json", is_flag=True, help="Print what was written as JSON.")
@click.option("-q", "--quiet", is_flag=True, help="Write the page, print nothing.")
def command(run: Path, brief: Path | None, varied: Path | None, as_json: bool, quiet: bool) -> None:
    """Write RUN/review.html: the front as interactive charts and a table, and the shortlist in full.

    One file, complete in itself. The designs shown in full are those of `cellstow shortlist RUN`; without a
    shortlist a few are picked as it would pick them. A search that was cut off has a page, too, which says so.
    """
    from optimizer.commands.progress import tell
    from optimizer.design.runs import read_run
    from optimizer.workflows.report import report

    written = report(read_run(run, brief=brief), varied=varied)
    tell(written, as_json=as_json, quiet=quiet)
