"""One run at a time in a folder: a lock that the system lets go of when its holder dies, however it dies."""

from __future__ import annotations

import contextlib
import json
import os
import socket
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path
from typing import IO

from optimizer.problems import BadInput, Problem

LOCK_FILE = ".lock"


@contextlib.contextmanager
def locked(folder: Path) -> Iterator[None]:
    """Hold a folder for one run; the lock file names the holder.

    Parameters
    ----------
    folder : Path
        Made when it is not there.

    Raises
    ------
    BadInput
        Code "folder-in-use", with the machine, the process and the time at which it took the folder.
    """
    folder.mkdir(parents=True, exist_ok=True)
    path = folder / LOCK_FILE
    with path.open("a+", encoding="utf-8") as stream:
        # A file that its last holder removed between our opening and our locking it locks nobody out.
        if not _taken(stream) or not path.exists() or os.fstat(stream.fileno()).st_ino != path.stat().st_ino:
            expected = "is in use by another search; choose another --out, or wait for it"
            raise BadInput([Problem("folder-in-use", str(folder), expected=expected, found=_holder(path))])
        stream.truncate(0)
        since = datetime.now(UTC).isoformat(timespec="seconds")
        json.dump({"host": socket.gethostname(), "pid": os.getpid(), "since": since}, stream)
        stream.flush()
        try:
            yield
        finally:
            # Removed while it is held: whoever opens it from here on makes a new one.
            path.unlink(missing_ok=True)


def _taken(stream: IO[str]) -> bool:
    """Take the lock if nobody has it."""
    try:
        import fcntl
    except ImportError:  # a system without: its own locking holds a file that is open for writing
        import msvcrt

        try:
            msvcrt.locking(stream.fileno(), msvcrt.LK_NBLCK, 1)  # type: ignore[attr-defined,unused-ignore]
        except OSError:
            return False
        return True
    try:
        fcntl.flock(stream, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError:
        return False
    return True


def _holder(path: Path) -> str:
    try:
        named = json.loads(path.read_text())
        return f"process {named['pid']} on {named['host']} since {named['since']}"
    except (OSError, ValueError, KeyError, TypeError):
        return "a process that has not said its name"
