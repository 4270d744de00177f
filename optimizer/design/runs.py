"""A finished run read back: its front, its accounts, and the space it was searched in."""

from __future__ import annotations

import json
import os
import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path
from typing import Any

import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq

from optimizer.base.figures import OBJECTIVES
from optimizer.base.problems import BadInput, Problem, nearest
from optimizer.base.texts import unseen
from optimizer.brief import open_brief
from optimizer.front.store import front_hash
from optimizer.search.boxes.freedims import boxes_of_row, space_of_row
from optimizer.search.space.setup import load_space
from optimizer.search.space.space import Space


@dataclass(frozen=True, eq=False)
class Run:
    """A run's folder.

    Parameters
    ----------
    front : DataFrame
        Empty when nothing was feasible.
    record : mapping
        Content of run.json.
    units : mapping of column to unit
    brief_path : Path
        The brief it was searched for.
    """

    folder: Path
    front: pd.DataFrame
    record: Mapping[str, Any]
    units: Mapping[str, str]
    brief_path: Path

    @cached_property
    def space(self) -> Space:
        """The space of its brief as the brief stands now; a brief with ranges has none, see `homes`."""
        self._check_brief()
        return load_space(self.brief_path)

    def homes(self, rows: Sequence[Mapping[str, Any]]) -> list[Space]:
        """The space that each row of its front belongs to: all the same one, or with ranges one for each box."""
        self._check_brief()
        brief = open_brief(self.brief_path)
        if not brief.free:
            return [self.space] * len(rows)
        boxes = [tuple(boxes_of_row(brief, row).items()) for row in rows]
        known = {box: space_of_row(brief, row) for box, row in zip(boxes, rows, strict=True)}
        return [known[box] for box in boxes]

    def _check_brief(self) -> None:
        if not self.brief_path.is_file():
            raise BadInput([Problem(
                "missing-file", str(self.brief_path), expected=f"the brief of {self.folder} is not there; "
                "name it with --brief",
            )])  # fmt: skip

    @property
    def objectives(self) -> tuple[str, ...]:
        """What its front trades off."""
        return tuple(self.record["objectives"])

    @property
    def currency(self) -> str:
        """Label of prices."""
        return str(self.record["brief"].get("currency", ""))

    def row(self, design_id: str) -> dict[str, Any]:
        """One row of the front.

        Raises
        ------
        BadInput
            Code "unknown-design".
        """
        ids = self.front["design_id"].astype(str).tolist() if len(self.front) else []
        hits = [k for k, name in enumerate(ids) if name == design_id]
        if not hits:
            near = nearest(design_id, ids)
            text = "is no design of its front" + (f"; nearest: {near}" if near else "")
            raise BadInput([Problem("unknown-design", str(self.folder), "", "design", design_id, text)])
        return {str(name): value for name, value in self.front.iloc[hits[0]].items()}


def is_run(path: Path) -> bool:
    """Whether a path is a run's folder."""
    return path.is_dir() and (path / "run.json").is_file()


def _check_together(folder: Path, record: Any, parquet: bytes | None) -> None:
    """Refuse a front that is not the one run.json tells of, or is missing."""
    told = record.get("front") if isinstance(record, dict) else None
    own = "" if parquet is None else front_hash(parquet)
    if not isinstance(told, dict) or told.get("sha256", own) == own:
        return
    text = "front.parquet, of which run.json tells, is missing"
    if parquet is not None:
        text = "front.parquet is not the front that run.json tells of: a run was cut off while it wrote them, or "
        text += "the file was changed"
    text += "; cellstow search with --resume, or with --force, writes both"
    raise BadInput([Problem("torn-run", str(folder), expected=text)])


# Parts of run.json that hold values by name.
DICTS = ("inputs", "space", "front", "timing", "tasks", "versions", "defaults", "nearest")


def _texts(value: Any) -> Iterator[str]:
    """Every text of a JSON value, keys included."""
    if isinstance(value, str):
        yield value
    elif isinstance(value, dict):
        for key, inner in value.items():
            yield key
            yield from _texts(inner)
    elif isinstance(value, list):
        for inner in value:
            yield from _texts(inner)


def _check_content(record: Any, front: pd.DataFrame) -> None:
    """Refuse what no search writes: it is printed, drawn, and names folders.

    Raises
    ------
    ValueError
    """
    parts = [record.get(name) for name in ("brief", "objectives")] if isinstance(record, dict) else [None]
    if not all(isinstance(part, dict) and part for part in parts) or not all(
        name in OBJECTIVES for name in record["objectives"]
    ):
        raise ValueError("run.json holds no run of cellstow")
    wrong = [name for name in DICTS if not isinstance(record.get(name, {}), dict)]
    if wrong:
        raise ValueError(f"run.json: {wrong[0]} must hold names and values")
    if any(map(unseen, _texts(record))):
        raise ValueError("run.json holds control characters")
    if not front.columns.size:
        return
    missing = [name for name in ("design_id", "cell_id", *record["objectives"]) if name not in front]
    if missing:
        raise ValueError(f"front.parquet has no column {missing[0]}")
    if not front["design_id"].astype(str).map(lambda name: re.fullmatch(r"[\w-]{1,64}", name) is not None).all():
        raise ValueError("front.parquet holds a design_id that no search gives")
    texts = [front[name] for name in front if front[name].dtype.kind not in "iufb"]
    if any(unseen(str(value)) for column in texts for value in column.unique()):
        raise ValueError("front.parquet holds control characters")


def read_run(folder: Path, *, brief: Path | None = None) -> Run:
    """Read a run's folder; its brief lies where run.json says, unless another place is given.

    BadInput: code "no-run" when there is none, or it cannot be read; "torn-run" when its files do not belong together.
    """
    try:
        record = json.loads((folder / "run.json").read_text(encoding="utf-8"))
        front = pd.DataFrame()
        units: dict[str, str] = {}
        content = (folder / "front.parquet").read_bytes() if (folder / "front.parquet").is_file() else None
        _check_together(folder, record, content)
        if content is not None:
            table = pq.read_table(pa.BufferReader(content))
            front = table.to_pandas(ignore_metadata=True)
            units = {
                field.name: field.metadata[b"unit"].decode()
                for field in table.schema
                if field.metadata and b"unit" in field.metadata
            }
        _check_content(record, front)
    except BadInput:
        raise
    except (OSError, ValueError, RecursionError, pa.ArrowException) as error:
        found = str(error)
        if isinstance(error, FileNotFoundError | NotADirectoryError):
            found = "a file" if folder.is_file() else ""
        text = "is no folder of a run: `cellstow search BRIEF --out FOLDER` writes one"
        raise BadInput([Problem("no-run", str(folder), expected=text, found=found)]) from None
    where = brief if brief is not None else folder / str(record.get("brief_file", "?"))
    if brief is None and "brief_file" not in record:
        text = "does not say where its brief lies; name it with --brief"
        raise BadInput([Problem("no-brief", str(folder / "run.json"), expected=text)])
    # As short as it can be said from here: folder/../brief.toml reads badly.
    return Run(folder, front, record, units, Path(os.path.normpath(where)))
