"""Parquet files read as text cells. Only plain columns are allowed, and the size is checked before unpacking."""

from __future__ import annotations

import io
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from optimizer.base.problems import BadInput, Problem

if TYPE_CHECKING:
    import pyarrow as pa
    import pyarrow.parquet as pq

Cells = list[tuple[str, ...]]

# A few bytes of Parquet can stand for any number of equal rows, or of equal long texts.
MOST_ROWS = 1_000_000
MOST_COLUMNS = 500
MOST_CELLS = 5_000_000
MOST_BYTES = 256 * 2**20  # as the file says, uncompressed
LONGEST_TEXT = 10_000  # bytes
# Each text is written as a change of the one before: without bound for what has been read.
UNBOUNDED = "DELTA_BYTE_ARRAY"


def parquet_cells(path: Path, data: bytes) -> Cells:
    """Header and rows of a Parquet file, every value as text, null as an empty cell.

    BadInput: not-a-table, too-large, column-type.
    """
    import pyarrow as pa
    import pyarrow.parquet as pq

    try:
        file = pq.ParquetFile(io.BytesIO(data))
        schema = file.schema_arrow
        _check_size(path, rows=file.metadata.num_rows, columns=len(schema), size=_claimed_bytes(file.metadata))
        _check_types(path, schema)
        _check_encodings(path, file.metadata)
        # Texts stay with their dictionaries until their length is known.
        texts = [field.name for field in schema if _is_text(field.type)]
        frame = pq.ParquetFile(io.BytesIO(data), read_dictionary=texts).read(use_threads=False)
        _check_size(path, rows=frame.num_rows, columns=frame.num_columns, size=0)
        _check_texts(path, frame)
        columns = [_column(column) for column in frame.columns]
    except (pa.ArrowException, OSError, ValueError, OverflowError) as error:
        if isinstance(error, BadInput):
            raise
        reason = str(error).strip().splitlines()[0] if str(error).strip() else type(error).__name__
        expected = f"is no readable Parquet: {reason[:200]}"
        raise BadInput([Problem("not-a-table", str(path), expected=expected)]) from None
    headers = tuple(name.strip() for name in frame.column_names)
    return [headers, *zip(*columns, strict=True)] if columns else []


def _claimed_bytes(metadata: pq.FileMetaData) -> int:
    return sum(metadata.row_group(k).total_byte_size for k in range(metadata.num_row_groups))


def _check_size(path: Path, *, rows: int, columns: int, size: int) -> None:
    if rows > MOST_ROWS or columns > MOST_COLUMNS or rows * columns > MOST_CELLS or size > MOST_BYTES:
        expected = f"has {rows:,} rows and {columns:,} columns: is this the right file?"
        raise BadInput([Problem("too-large", str(path), expected=expected)])


def _check_encodings(path: Path, metadata: pq.FileMetaData) -> None:
    for k in range(metadata.num_row_groups):
        for j in range(metadata.num_columns):
            part = metadata.row_group(k).column(j)
            if UNBOUNDED in part.encodings:
                expected = "must be written plain or with a dictionary"
                raise BadInput([Problem("column-type", str(path), "", part.path_in_schema[:60], UNBOUNDED, expected)])


def _is_text(kind: pa.DataType) -> bool:
    import pyarrow as pa

    return bool(pa.types.is_string(kind) or pa.types.is_large_string(kind))


def _check_types(path: Path, schema: pa.Schema) -> None:
    """Numbers and texts; lists, structures, raw bytes and types of other programs are no column of a table."""
    import pyarrow as pa

    of = pa.types
    tests = (of.is_integer, of.is_floating, of.is_decimal, of.is_null, of.is_boolean, of.is_temporal, _is_text)
    problems = []
    for field in schema:
        kind = field.type.value_type if of.is_dictionary(field.type) else field.type
        if isinstance(kind, pa.BaseExtensionType) or not any(test(kind) for test in tests):
            found = str(field.type)[:60]
            problems.append(Problem("column-type", str(path), "", field.name[:60], found, "must hold numbers or texts"))
    if problems:
        raise BadInput(problems[:20])


def _check_texts(path: Path, frame: pa.Table) -> None:
    import pyarrow as pa
    import pyarrow.compute as pc

    for name, column in zip(frame.column_names, frame.columns, strict=True):
        for chunk in column.chunks:
            values = chunk.dictionary if pa.types.is_dictionary(chunk.type) else chunk
            if _is_text(values.type) and (pc.max(pc.binary_length(values)).as_py() or 0) > LONGEST_TEXT:
                expected = f"has a text of over {LONGEST_TEXT:,} bytes: is this the right file?"
                raise BadInput([Problem("too-large", str(path), "", name[:60], expected=expected)])


def _column(column: pa.ChunkedArray) -> Sequence[str]:
    import pyarrow as pa

    if pa.types.is_float32(column.type) or pa.types.is_float16(column.type):
        # 18.4 kept in single precision is written back as 18.4, not as 18.399999618530273.
        return ["" if value is None else _as_text(float(str(value))) for value in _singles(column)]
    return [_as_text(value) for value in column.to_pylist()]


def _singles(column: pa.ChunkedArray) -> list[Any]:
    import numpy as np

    kind = np.dtype(column.type.to_pandas_dtype()).type
    return [None if value is None else kind(value) for value in column.to_pylist()]


def _as_text(value: object) -> str:
    if value is None:
        return ""
    if isinstance(value, float) and value.is_integer() and abs(value) < 1e15:
        return str(int(value))
    return str(value).strip()
