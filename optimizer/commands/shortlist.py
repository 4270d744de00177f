"""`cellstow shortlist`: a few designs of a run, ranked, different, and ready for the workshop."""

from __future__ import annotations

import json
from pathlib import Path

import click


@click.command("shortlist")
@click.argument("run", type=click.Path(path_type=Path))
@click.option("--method", type=click.Choice(["topsis", "weighted", "knee"]), default="topsis", show_default=True,
              help="Ranking: closeness to the ideal, weighted mean of normalised losses, or bulge of the front.")
@click.option("--weights", metavar="OBJECTIVE=W,…", help="Such as range_km=2,cost=1; one left out weighs nothing.")
@click.option("--count", type=click.IntRange(min=1), default=5, show_default=True, help="How many at most.")
@click.option("--design", "designs", multiple=True, metavar="ID", help="This design instead of picking; repeatable.")
@click.option("--step", is_flag=True, help="Write each design as a STEP assembly, too (extra \"step\").")
@click.option("--brief", type=click.Path(path_type=Path), help="The brief, when it is not where the run says.")
@click.option("--json", "as_json", is_flag=True, help="Print a JSON array instead of a table.")
@click.option("-q", "--quiet", is_flag=True, help="Write the files, print nothing.")
@click.option("-v", "--verbose", is_flag=True, help="Print the cautions that go with every pack in full.")
def command(run: Path, method: str, weights: str | None, count: int, designs: tuple[str, ...],
            step: bool, brief: Path | None, as_json: bool, quiet: bool, verbose: bool) -> None:
    """Rank the front of RUN and pick a few designs that are good and differ.

    Writes shortlist.csv, shortlist.parquet and, for each design, a folder designs/ID with drawings, DXF, cut
    list, harness, bill, case files (STL, 3MF), pack.glb, build sheet and design.json. Each figure comes with the
    values that one pack in ten falls below or rises above, and each constraint with the chance that it holds, by
    the brief's [spread].
    """
    from optimizer.design.runs import read_run
    from optimizer.review.terminal.designs import shortlist_text
    from optimizer.review.terminal.overview import verdict_text
    from optimizer.workflows.shortlist import parse_weights, pick, shortlist, verdict_of, weighable, write_shortlist

    loaded = read_run(run, brief=brief)
    weighed = parse_weights(weights, objectives=weighable(loaded))
    picked = pick(loaded, method=method, weights=weighed, count=count, designs=designs)
    found = shortlist(loaded, picked)
    write_shortlist(loaded, found, step=step, say=lambda text: None if quiet else click.echo(text, err=True))
    if as_json:
        click.echo(json.dumps(json.loads(found.frame.to_json(orient="records")), indent=2, ensure_ascii=False))
    elif not quiet:
        told = verdict_of(loaded, method=method, weights=weighed)
        click.echo(shortlist_text(found.frame, designs=found.designs, pinned=found.pinned, front=loaded.front,
                                  objectives=loaded.objectives, currency=loaded.currency, folder=run,
                                  verdict=verdict_text(told, objectives=loaded.objectives, currency=loaded.currency),
                                  whole=verbose))
