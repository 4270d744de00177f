"""`cellstow rescore`: one design's figures again, from its design.json alone."""

from __future__ import annotations

import json
from pathlib import Path

import click


@click.command("rescore")
@click.argument("design", type=click.Path(path_type=Path))
@click.option("--json", "as_json", is_flag=True, help="Print JSON instead of text.")
@click.option("-q", "--quiet", is_flag=True, help="Print nothing when the figures are the same.")
def command(design: Path, as_json: bool, quiet: bool) -> None:
    """Score the design in DESIGN (a design.json) again and hold the figures against those it was written with.

    The file needs nothing beside it: it holds the brief, the catalog rows, the OCV curve, the ride and every
    position. Positions are proved again. Change a value in it, such as the rider's mass, to see what it does.
    """
    from optimizer.design.band import range_bands
    from optimizer.design.rescore import differences, read_design, score_row
    from optimizer.review.terminal.designs import rescore_text

    space, choices, figures = read_design(design)
    row = score_row(space, choices)
    changed = differences(figures, row)
    bands = range_bands(space, [choices])
    if as_json:
        figure = {name: (None if value != value else value) for name, value in row.items()}
        record: dict[str, object] = {"figures": figure, "differs": {name: list(pair) for name, pair in changed.items()}}
        if bands:
            record["range_band"] = dict(vars(bands[0]))
        click.echo(json.dumps(record, indent=2, ensure_ascii=False, default=float))
    elif changed or not quiet:
        click.echo(rescore_text(row, then=figures, differing=changed, currency=space.brief.currency))
        for band in bands:
            click.echo(
                f"\nRange {band.low_km:.1f} to {band.high_km:.1f} km with 95 % probability, by the standard errors of "
                f"[vehicle] (one is {band.se_km:.1f} km)."
            )
