"""The run's folder: claimed once, written atomically, readable by anyone."""

from __future__ import annotations

import json
import os
import tempfile
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq

from optimizer.problems import BadInput, Problem

FRONT_FILES = ("front.parquet", "front.csv", "run.json")


def write_atomic(path: Path, content: bytes) -> None:
    """Put the content in place whole or not at all.

    Raises
    ------
    OSError
        If the folder cannot be written; the file that stood there before still stands.
    """
    path.parent.mkdir(parents=True, exist_ok=True)
    handle, temporary = tempfile.mkstemp(dir=path.parent, prefix=f".{path.name}.")
    try:
        with os.fdopen(handle, "wb") as stream:
            stream.write(content)
            stream.flush()
            os.fsync(stream.fileno())
        os.chmod(temporary, 0o644)
        os.replace(temporary, path)
    except BaseException:
        Path(temporary).unlink(missing_ok=True)
        raise


def check_free(folder: Path, *, force: bool) -> None:
    """Refuse a folder that already holds a run, unless told to replace it.

    Raises
    ------
    BadInput
        Code "run-exists"; or "not-a-folder" when a file stands in the way.
    """
    if folder.exists() and not folder.is_dir():
        raise BadInput([Problem("not-a-folder", str(folder), expected="must be a folder, found a file")])
    held = [name for name in (*FRONT_FILES, "checkpoints") if (folder / name).exists()]
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
    """The frame as CSV: UTF-8, LF, floats in the shortest form that reads back to the same number."""
    return frame.to_csv(index=False, lineterminator="\n").encode()


def write_run(folder: Path, *, front: pd.DataFrame, units: Mapping[str, str], run: Mapping[str, Any]) -> None:
    """Write front.parquet, front.csv and run.json, each atomically."""
    write_atomic(folder / "front.parquet", parquet_bytes(front, units=units))
    write_atomic(folder / "front.csv", csv_bytes(front))
    write_record(folder, run)


def write_record(folder: Path, run: Mapping[str, Any]) -> None:
    """Write run.json alone: what became of every candidate, even when none was feasible."""
    write_atomic(folder / "run.json", (json.dumps(run, indent=2, ensure_ascii=False) + "\n").encode())
