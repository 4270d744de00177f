"""The process around a command: its streams, the signals that end it, and its exit codes.

A closed pipe or terminal does not end a search: streams drop what can't be written. If results could not be printed,
a message says so and the exit code shows it.
"""

from __future__ import annotations

import contextlib
import errno
import io
import shutil
import signal
import sys
from types import FrameType
from typing import Any

# The reader has gone, and does not want more.
GONE = {errno.EPIPE, errno.EIO, errno.ESHUTDOWN, errno.ECONNRESET}

# A stop that others ask for; one that the process was started with ignoring (nohup) stays ignored.
SIGNALS = ("SIGTERM", "SIGHUP", "SIGBREAK")

_asked: list[int] = []


class Enduring(io.FileIO):
    """A stream that goes on when what it leads to has gone or is full; `wrong` says what was lost."""

    wrong: OSError | None = None

    def write(self, content: Any) -> int:
        """Write what can be written and take the rest as written."""
        size = memoryview(content).nbytes
        if self.wrong is None:
            try:
                return int(super().write(content) or 0)
            except OSError as wrong:
                self.wrong = wrong
        return size


def endure() -> list[Enduring]:
    """Put enduring streams in place of stdout and stderr, unless somebody has put others there before."""
    streams = []
    for name in ("stdout", "stderr"):
        stream = getattr(sys, name)
        if stream is None or stream is not getattr(sys, f"__{name}__"):
            continue
        try:
            raw = Enduring(stream.fileno(), "w", closefd=False)
        except (OSError, ValueError):
            continue
        fresh = io.TextIOWrapper(
            # A console may know fewer characters than we print.
            io.BufferedWriter(raw), encoding=stream.encoding, errors="replace",
            line_buffering=name == "stderr" or raw.isatty(),
        )  # fmt: skip
        setattr(sys, name, fresh)
        streams.append(raw)
    return streams


def unwritten(streams: list[Enduring]) -> str:
    """What to say of results that could not be printed; "" when they were, or the reader wanted no more."""
    with contextlib.suppress(ValueError):
        sys.stdout.flush()
    lost = [raw.wrong for raw in streams if raw.fileno() == 1 and raw.wrong is not None]
    return "; ".join(f"stdout: {wrong.strerror}" for wrong in lost if wrong.errno not in GONE)


def heed_signals() -> None:
    """Let the signals that ask for an end do what Ctrl-C does: what was found is kept."""
    for name in SIGNALS:
        number = getattr(signal, name, None)
        if number is not None and signal.getsignal(number) == signal.SIG_DFL:
            signal.signal(number, _interrupt)


def _interrupt(number: int, frame: FrameType | None) -> None:
    _asked.append(number)
    raise KeyboardInterrupt


def was_interrupted(wrong: BaseException | None) -> bool:
    """Whether an error is a KeyboardInterrupt or came of one."""
    while wrong is not None:
        if isinstance(wrong, KeyboardInterrupt):
            return True
        wrong = wrong.__cause__ or wrong.__context__
    return False


def columns() -> int:
    """Columns that text is set in: those of the terminal, from 80 to 120; 100 where there is none."""
    return min(max(shutil.get_terminal_size((100, 24)).columns, 80), 120)


def exit_code_of_interrupt() -> int:
    """128 and the signal's number, as shells count; 130 for Ctrl-C."""
    return 128 + int(_asked[-1] if _asked else signal.SIGINT)


# The user named a place that can't be written to or read from.
PLACES = {
    errno.EACCES, errno.EPERM, errno.EROFS, errno.ENOENT, errno.ENOTDIR, errno.EISDIR, errno.ENAMETOOLONG,
    errno.EEXIST, errno.ELOOP, errno.EINVAL,
}  # fmt: skip


def exit_code_of(wrong: OSError) -> int:
    """2 for a place that the user can't use, 4 for a machine that failed."""
    return 2 if wrong.errno in PLACES else 4
