"""`cellstow fit`: how many cells each compartment holds."""

from __future__ import annotations

import json
import sys
from pathlib import Path

import click


@click.command("fit")
@click.argument("brief", type=click.Path(path_type=Path))
@click.option("--json", "as_json", is_flag=True, help="Print a JSON array instead of a table.")
@click.option("-q", "--quiet", is_flag=True, help="Print nothing but problems and sizes that fit nowhere.")
def command(brief: Path, as_json: bool, quiet: bool) -> None:
    """Count the cells that each compartment of BRIEF holds, for every distinct cell size of the catalog.

    Needs only [catalog] cells, [clearance] and [[compartment]]; strips, where named, say whether blocks are bolted.
    Each layout is proved by an independent check; the least gap is the smallest distance from a cell's surface to a
    neighbour, a wall or a keep-out.
    """
    from optimizer.base.problems import BadInput
    from optimizer.brief import load_brief
    from optimizer.commands.progress import Bar
    from optimizer.fit.placement.survey import compartment_problems, survey
    from optimizer.review.terminal.overview import fit_table
    from optimizer.score.inputs import sizes_alone

    wanted = load_brief(brief)
    wanted, cells = sizes_alone(wanted)
    bar = None if quiet else Bar()
    findings = survey(wanted, cells, progress=None if bar is None else bar.layouts)
    if bar is not None:
        bar.close()
    if as_json:
        click.echo(json.dumps([finding.record() for finding in findings], indent=2))
    elif findings and not quiet:
        click.echo(fit_table(findings))
    fitting = {finding.size for finding in findings if finding.cells}
    for size, ids in {finding.size: finding.cell_ids for finding in findings}.items():
        if size not in fitting:
            click.echo(f"{', '.join(ids[:3])}{' …' * (len(ids) > 3)}: fits no compartment.", err=True)
    problems = [problem for each in compartment_problems(wanted).values() for problem in each]
    if problems:
        bad = BadInput(problems)
        click.echo("\n".join(problem.text() for problem in bad.problems), err=True)
        sys.exit(2)
