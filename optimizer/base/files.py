"""Files that people keep: written whole or not at all, and safe to open in a spreadsheet."""

from __future__ import annotations

import os
import tempfile
from pathlib import Path
from typing import TYPE_CHECKING

from optimizer.base.texts import defused_frame

if TYPE_CHECKING:
    import pandas as pd


def write_bytes(path: Path, content: bytes) -> None:
    """Write a file beside its place and move it there, so that nobody ever reads half of it; its folder is made.

    An OSError has the file's name; what stood there before still stands.
    """
    try:
        _write(path, content)
    except OSError as wrong:
        raise OSError(wrong.errno, wrong.strerror, str(path)) from wrong


def _write(path: Path, content: bytes) -> None:
    path.parent.mkdir(parents=True, exist_ok=True)
    handle, name = tempfile.mkstemp(prefix=f".{path.name}.", dir=path.parent)
    try:
        with os.fdopen(handle, "wb") as file:
            file.write(content)
            file.flush()
            os.fsync(file.fileno())
        # mkstemp makes files that only their owner reads; a result is for everybody the user's mask lets in.
        mask = os.umask(0)
        os.umask(mask)
        os.chmod(name, 0o666 & ~mask)
        os.replace(name, path)
    except BaseException:
        Path(name).unlink(missing_ok=True)
        raise


def write_text(path: Path, content: str) -> None:
    """Write a text file in UTF-8 with plain line ends, whole or not at all."""
    write_bytes(path, content.encode("utf-8"))


def csv_text(frame: pd.DataFrame, *, digits: int = 10) -> str:
    """A frame as CSV: comma, point, UTF-8, no index, numbers of so many significant digits, texts defused."""
    safe = defused_frame(frame)
    return str(safe.to_csv(index=False, float_format=f"%.{digits}g", lineterminator="\n"))


def write_csv(path: Path, frame: pd.DataFrame, *, digits: int = 10) -> None:
    """Write a frame as CSV that opens safely in a spreadsheet, whole or not at all; see `csv_text`."""
    write_text(path, csv_text(frame, digits=digits))


def free_path(path: Path, *, folder: bool = False) -> Path:
    """The path, or the first of path-2, path-3, … that is not there yet; a file keeps its suffix."""
    name, suffix = (path.name, "") if folder else (path.stem, path.suffix)
    number, free = 1, path
    while free.exists():
        number += 1
        free = path.with_name(f"{name}-{number}{suffix}")
    return free
