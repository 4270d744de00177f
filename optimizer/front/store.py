"""The run's folder: claimed once, written atomically, readable by anyone."""

from __future__ import annotations

import contextlib
import hashlib
import json
import os
import tempfile
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq

from optimizer.base.problems import BadInput, Problem
from optimizer.base.texts import defused_frame

FRONT_FILES = ("front.parquet", "front.csv", "run.json")
PART = ".part"


def write_atomic(path: Path, content: bytes) -> None:
    """Put the content in place whole or not at all, and so that it outlasts a power cut.

    Raises
    ------
    OSError
        If the folder cannot be written, naming the file; the file that stood there before still stands.
    """
    write_together({path: content})


def write_together(contents: Mapping[Path, bytes]) -> None:
    """Put files that belong together in place: each is written in full before the first is moved.

    A full disk therefore changes none of them. Between the moves a kill can still fall; see `front_hash`.

    Parameters
    ----------
    contents : mapping of Path to bytes
        Moved in this order.

    Raises
    ------
    OSError
        As for `write_atomic`.
    """
    temporaries: dict[Path, Path] = {}
    path = Path()
    try:
        for path, content in contents.items():
            path.parent.mkdir(parents=True, exist_ok=True)
            handle, name = tempfile.mkstemp(dir=path.parent, prefix=f".{path.name}.", suffix=PART)
            temporaries[path] = Path(name)
            with os.fdopen(handle, "wb") as stream:
                stream.write(content)
                stream.flush()
                os.fsync(stream.fileno())
            os.chmod(name, 0o644)
        for path, temporary in temporaries.items():
            os.replace(temporary, path)
        for folder in {path.parent for path in contents}:
            _settle(folder)
    except BaseException as wrong:
        for temporary in temporaries.values():
            with contextlib.suppress(OSError):
                temporary.unlink()
        if isinstance(wrong, OSError):
            raise OSError(wrong.errno, wrong.strerror, str(path)) from wrong
        raise


def _settle(folder: Path) -> None:
    """Have the moves of a folder's files on disk before anything that relies on them is done."""
    if not hasattr(os, "O_DIRECTORY"):
        return
    handle = os.open(folder, os.O_RDONLY | os.O_DIRECTORY)
    try:
        # Some file systems know no such thing for folders.
        with contextlib.suppress(OSError):
            os.fsync(handle)
    finally:
        os.close(handle)


def sweep(folder: Path) -> None:
    """Remove what killed runs left half-written in a run's folder; only its holder may."""
    for place in (folder, folder / "checkpoints"):
        for name in (*FRONT_FILES, "task-", "manifest.json"):
            for path in place.glob(f".{name}*{PART}"):
                with contextlib.suppress(OSError):
                    path.unlink()


def check_free(folder: Path, *, force: bool) -> None:
    """Refuse a folder that already holds a run, unless told to replace it.

    Raises
    ------
    BadInput
        Code "run-exists"; or "not-a-folder" when a file stands in the way.
    """
    if folder.exists() and not folder.is_dir():
        raise BadInput([Problem("not-a-folder", str(folder), expected="must be a folder, found a file")])
    # A search that was killed before it began leaves an empty folder of checkpoints.
    held = [name for name in (*FRONT_FILES, "checkpoints/manifest.json") if (folder / name).exists()]
    if held and not force:
        expected = "must hold no run yet; choose another --out, go on with --resume, or replace it with --force"
        raise BadInput([Problem("run-exists", str(folder), expected=expected, found=", ".join(held))])


def parquet_bytes(frame: pd.DataFrame, *, units: Mapping[str, str]) -> bytes:
    """The frame as Parquet, each column's unit in its field metadata under the key "unit".

    Parameters
    ----------
    frame : DataFrame
    units : mapping of column name to unit
        Columns not named carry no unit.
    """
    table = pa.Table.from_pandas(frame, preserve_index=False)
    fields = [
        field.with_metadata({b"unit": units[field.name].encode()}) if field.name in units else field
        for field in table.schema
    ]
    table = table.cast(pa.schema(fields, metadata=table.schema.metadata))
    sink = pa.BufferOutputStream()
    pq.write_table(table, sink, compression="zstd")
    return bytes(sink.getvalue())


def csv_bytes(frame: pd.DataFrame) -> bytes:
    """The frame as CSV: UTF-8, LF, floats in the shortest form that reads back to the same number.

    Texts that a spreadsheet would take for formulas get an apostrophe in front; Parquet keeps them as they are.
    """
    return defused_frame(frame).to_csv(index=False, lineterminator="\n").encode()


def front_hash(parquet: bytes) -> str:
    """What run.json says of the front that it belongs to."""
    return hashlib.sha256(parquet).hexdigest()


def write_run(folder: Path, *, front: pd.DataFrame, units: Mapping[str, str], run: Mapping[str, Any]) -> None:
    """Write front.parquet, front.csv and run.json, all or none; run.json names the front that it belongs to."""
    parquet = parquet_bytes(front, units=units)
    record = {**run, "front": {**run.get("front", {}), "sha256": front_hash(parquet)}}
    write_together({
        folder / "front.parquet": parquet,
        folder / "front.csv": csv_bytes(front),
        folder / "run.json": record_bytes(record),
    })  # fmt: skip


def write_empty(folder: Path, run: Mapping[str, Any]) -> None:
    """Write run.json of a run without a front, and remove the front of the run that it replaces."""
    write_record(folder, {**run, "front": {**run.get("front", {}), "sha256": ""}})
    for name in ("front.parquet", "front.csv"):
        (folder / name).unlink(missing_ok=True)


def write_record(folder: Path, run: Mapping[str, Any]) -> None:
    """Write run.json alone."""
    write_atomic(folder / "run.json", record_bytes(run))


def record_bytes(run: Mapping[str, Any]) -> bytes:
    """run.json's content."""
    return (json.dumps(run, indent=2, ensure_ascii=False) + "\n").encode()
