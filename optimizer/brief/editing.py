"""Change values of one table in a brief's text. Comments, order and everything else stay as they are."""

from __future__ import annotations

import re
from collections.abc import Mapping

HEADER = re.compile(r"^\s*\[\[?\s*([^\]]+?)\s*\]\]?\s*(#.*)?$")


def with_values(text: str, table: str, values: Mapping[str, str]) -> str:
    """Text of a TOML file in which keys of a table have new values; those it lacks are added at the table's end.

    Parameters
    ----------
    table : str
        Name of a table that has a header of its own, such as "vehicle".
    values : mapping of key to TOML text

    Raises
    ------
    KeyError
        If the file has no such header.

    >>> print(with_values("[a]\\nx = 1  # metres\\n\\n[b]\\nx = 2\\n", "a", {"x": "3", "y": "4"}))
    [a]
    x = 3  # metres
    y = 4
    <BLANKLINE>
    [b]
    x = 2
    <BLANKLINE>
    """
    lines = text.splitlines()
    heads = [k for k, line in enumerate(lines) if HEADER.match(line)]
    starts = [
        k for k in heads if (HEADER.match(lines[k]) or [""])[1] == table and not lines[k].lstrip().startswith("[[")
    ]
    if not starts:
        raise KeyError(table)
    start = starts[0]
    end = next((k for k in heads if k > start), len(lines))
    left = dict(values)
    for k in range(start + 1, end):
        hit = re.match(r"^(\s*([A-Za-z0-9_-]+)\s*=\s*)([^#]*?)(\s*#.*)?$", lines[k])
        if hit and hit[2] in left:
            lines[k] = hit[1] + left.pop(hit[2]) + (hit[4] or "")
    while end > start + 1 and (not lines[end - 1].strip() or lines[end - 1].lstrip().startswith("#")):
        end -= 1
    lines[end:end] = [f"{key} = {value}" for key, value in left.items()]
    return "\n".join(lines) + "\n"
