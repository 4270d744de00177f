"""The journal file that a run's processes share, safe against writers that die and disks that fill up.

Every line is an operation. A line that was cut off, by a kill or a full disk, is taken back by the next writer, so
that it never runs into the line after it. A file that is gone or was replaced is an end, not a new beginning.
"""

from __future__ import annotations

import json
import os
from collections.abc import Generator
from typing import Any

from optuna.storages.journal import JournalFileBackend, JournalFileSymlinkLock

from optimizer.base.console import was_interrupted
from optimizer.search.running.storage import Gone

# How far back to look for the end of the last whole line at first; a result may be large.
TAIL_BYTES = 65536


class Lock(JournalFileSymlinkLock):
    """The file's lock; an interrupt while waiting for it stays one."""

    def acquire(self) -> bool:
        """Take the lock, however long that takes."""
        try:
            return bool(super().acquire())
        except RuntimeError as wrong:
            if was_interrupted(wrong):
                raise KeyboardInterrupt from None
            raise


class Journal(JournalFileBackend):
    """A journal file; it must stay the same file.

    Parameters
    ----------
    path : str
    """

    def __init__(self, path: str) -> None:
        super().__init__(path, lock_obj=Lock(path))
        self._path = path
        self._begun = self._identity()

    def _identity(self) -> tuple[int, int]:
        stat = os.stat(self._path)
        return stat.st_dev, stat.st_ino

    def _check(self) -> None:
        """Raise Gone unless the journal is still the file that was opened."""
        try:
            same = self._identity() == self._begun
        except FileNotFoundError:
            same = False
        if not same:
            raise Gone(f"{self._path}: the journal was removed or replaced while it was in use")

    def read_logs(self, log_number_from: int) -> Generator[dict[str, Any], None, None]:
        """Operations from a number on."""
        self._check()
        yield from super().read_logs(log_number_from)

    def append_logs(self, logs: list[dict[str, Any]]) -> None:
        """Write operations, all or none of them."""
        content = "".join(json.dumps(log, separators=(",", ":")) + "\n" for log in logs).encode()
        self._lock.acquire()
        try:
            self._check()
            with open(self._path, "r+b", buffering=0) as stream:
                end = _end_of_whole_lines(stream.fileno())
                os.ftruncate(stream.fileno(), end)
                try:
                    _write_all(stream.fileno(), content, at=end)
                    os.fsync(stream.fileno())
                except BaseException:
                    os.ftruncate(stream.fileno(), end)
                    raise
        finally:
            self._lock.release()


def _write_all(handle: int, content: bytes, *, at: int) -> None:
    os.lseek(handle, at, os.SEEK_SET)
    rest = memoryview(content)
    while rest:
        rest = rest[os.write(handle, rest) :]


def _end_of_whole_lines(handle: int) -> int:
    """Where the last whole line ends [bytes]."""
    end = os.fstat(handle).st_size
    length = TAIL_BYTES
    while end > 0:
        start = max(end - length, 0)
        os.lseek(handle, start, os.SEEK_SET)
        found = os.read(handle, end - start).rfind(b"\n")
        if found >= 0 or start == 0:
            return start + found + 1
        length *= 4
    return 0
