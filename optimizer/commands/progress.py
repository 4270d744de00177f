"""Progress on stderr."""

from __future__ import annotations

import json
import os
import shutil
import sys
import textwrap
import time
from typing import Any, Protocol

import click

from optimizer.base.texts import clipped

# From so many layouts on, and after so long, progress is shown at all [-], [s].
MANY_LAYOUTS, SOON_S = 20, 2.0


class Bar:
    """Progress on stderr: a bar on a terminal, a line now and then elsewhere."""

    def __init__(self) -> None:
        self.line = ""
        self.live = sys.stderr.isatty() and os.environ.get("TERM") != "dumb"
        self.start = time.monotonic()

    def __enter__(self) -> Bar:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def say(self, text: str) -> None:
        """A line of its own, such as the estimate before the search starts."""
        self.close()
        if self.live:
            text = textwrap.fill(text, shutil.get_terminal_size().columns - 1)
        click.echo(text, err=True)

    def step(self, text: str) -> None:
        """Replace the line that shows how far the search is."""
        if self.live:
            # A line that is longer than the window would break, and the next one could not replace it.
            text = clipped(text, shutil.get_terminal_size().columns - 1)
            click.echo("\r" + text.ljust(len(self.line)), err=True, nl=False)
        elif not self.line or text[:4] != self.line[:4]:
            click.echo(text, err=True)
        self.line = text

    def close(self) -> None:
        """End the line in work."""
        if self.live and self.line:
            click.echo(err=True)
        self.line = ""

    def layouts(self, done: int, total: int) -> None:
        """How many layouts are found, and about how long the rest takes."""
        spent = time.monotonic() - self.start
        if total >= MANY_LAYOUTS and spent > SOON_S:
            left = spent / done * (total - done)
            self.step(f"{100 * done // total:3d} % of {total:,} layouts, about {left:.0f} s left")


class Done(Protocol):
    """What a workflow leaves to be told."""

    def record(self) -> Any:
        """As JSON knows it."""

    def text(self) -> str:
        """As people read it."""


def tell(done: Done, *, as_json: bool, quiet: bool) -> None:
    """Print what was done, as JSON or in words."""
    if as_json:
        click.echo(json.dumps(done.record(), indent=2, ensure_ascii=False, allow_nan=False))
    elif not quiet:
        click.echo(done.text())
