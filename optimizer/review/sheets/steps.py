"""A step of the build sheet."""

from __future__ import annotations

from dataclasses import dataclass

Table = tuple[tuple[str, ...], tuple[tuple[str, ...], ...]]


@dataclass(frozen=True)
class WorkStep:
    """One step of the work: what to do, what to tick off, what to expect.

    Parameters
    ----------
    checks : tuple of str
        Things to do and tick off, in order.
    table : (headers, rows) or None
        Values expected of this design.
    note : str
        Where a rule comes from, or what goes wrong otherwise.
    """

    title: str
    checks: tuple[str, ...]
    table: Table | None = None
    note: str = ""
