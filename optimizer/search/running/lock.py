"""One run at a time in a folder: a lock that the system lets go of when its holder dies, however it dies.

Shared disks may lock only among the processes of one machine. A lock file that names another machine is therefore
watched: its holder touches it again and again while it lives.
"""

from __future__ import annotations

import contextlib
import errno
import json
import os
import socket
import threading
import time
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path
from typing import IO, Any

from filelock import lock_descriptor

from optimizer.base.problems import BadInput, Problem

LOCK_FILE = ".lock"

# How often the holder shows that it lives, and how long another machine's silence is waited for [s].
TOUCH_S = 5.0
SILENCE_S = 30.0

# What a file system says that knows no locks; then the watch above is all there is.
NO_LOCKS = {errno.ENOLCK, errno.ENOSYS, errno.EOPNOTSUPP}


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
        Code "folder-in-use", with the machine, the process and the time at which it took the folder;
        "unwritable" where no file can be written.
    """
    path, made = folder / LOCK_FILE, not folder.exists()
    try:
        folder.mkdir(parents=True, exist_ok=True)
        stream = path.open("a+", encoding="utf-8")
    except OSError as wrong:
        expected = "must be a folder that can be written to; choose another --out"
        raise BadInput([Problem("unwritable", str(folder), expected=expected, found=wrong.strerror or "")]) from wrong
    with stream:
        # If the holder deleted the file after we opened it, our lock protects nothing.
        if not _taken(stream) or not _same(stream, path) or _lives_elsewhere(stream):
            expected = "is in use by another search; choose another --out, or wait for it"
            raise BadInput([Problem("folder-in-use", str(folder), expected=expected, found=_holder(path))])
        _sign(stream.fileno())
        over = threading.Event()
        pulse = threading.Thread(target=_touch, args=(path, over), daemon=True)
        pulse.start()
        try:
            yield
        finally:
            over.set()
            # Removed while it is held: whoever opens it from here on makes a new one.
            # (Windows removes no file that is open; an empty lock file there locks nobody out.)
            with contextlib.suppress(OSError):
                path.unlink()
                if made:
                    # A run that was refused before it wrote anything leaves no folder, either.
                    folder.rmdir()


def _sign(handle: int) -> None:
    """Write the holder's name; on a full disk the lock holds without."""
    since = datetime.now(UTC).isoformat(timespec="seconds")
    with contextlib.suppress(OSError):
        os.ftruncate(handle, 0)
        os.write(handle, json.dumps({"host": socket.gethostname(), "pid": os.getpid(), "since": since}).encode())


def _touch(path: Path, over: threading.Event) -> None:
    """Give a sign of life again and again."""
    while not over.wait(TOUCH_S):
        with contextlib.suppress(OSError):
            os.utime(path)


def _same(stream: IO[str], path: Path) -> bool:
    with contextlib.suppress(OSError):
        return os.fstat(stream.fileno()).st_ino == path.stat().st_ino
    return False


def _lives_elsewhere(stream: IO[str]) -> bool:
    """Whether the lock names another machine's process, and that shows signs of life.

    By changes of the file's time and our own monotonic clock: machines' clocks differ, and jump.
    """
    stream.seek(0)
    host = _named(stream.read()).get("host")
    if host in (None, socket.gethostname()):
        return False
    before, end = os.fstat(stream.fileno()).st_mtime_ns, time.monotonic() + SILENCE_S
    while time.monotonic() < end:
        time.sleep(min(1.0, SILENCE_S / 5))
        if os.fstat(stream.fileno()).st_mtime_ns != before:
            return True
    return False


def _taken(stream: IO[str]) -> bool:
    """Take the lock if nobody has it."""
    try:
        return lock_descriptor(stream.fileno(), blocking=False)
    except OSError as wrong:
        return wrong.errno in NO_LOCKS


def _named(text: str) -> dict[str, Any]:
    try:
        named = json.loads(text)
    except ValueError:
        return {}
    return named if isinstance(named, dict) else {}


def _holder(path: Path) -> str:
    with contextlib.suppress(OSError, ValueError):
        named = _named(path.read_text(encoding="utf-8"))
        if named.keys() >= {"pid", "host", "since"}:
            return f"process {named['pid']} on {named['host']} since {named['since']}"
    return "a process that has not said its name"
