"""`cellstow schema`: the brief's JSON Schema."""

from __future__ import annotations

import json
from pathlib import Path

import click


@click.command("schema")
@click.option("-o", "--out", type=click.Path(path_type=Path), help="Write into this file instead of printing.")
@click.option("--json", "as_json", is_flag=True, help="The schema is JSON either way.")
@click.option("-q", "--quiet", is_flag=True, help="With --out: say nothing.")
def command(out: Path | None, as_json: bool, quiet: bool) -> None:
    """Print the JSON Schema of the brief, so that an editor completes keys and marks mistakes while you type.

    With a TOML language server, save it beside the brief and start the brief with `#:schema ./brief.schema.json`.
    """
    from optimizer.base.files import write_text
    from optimizer.brief import brief_json_schema

    text = json.dumps(brief_json_schema(), indent=2, ensure_ascii=False)
    if out is None:
        click.echo(text)
        return
    write_text(out, text + "\n")
    if not quiet:
        click.echo(f"Written: {out}")
