"""Read a log of any kind. Its content tells which kind it is."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from pathlib import Path

from optimizer.base.problems import BadInput, Problem
from optimizer.road.csvlog import read_csv_log
from optimizer.road.fitlog import read_fit_log
from optimizer.road.log import Progress, RawLog, refuse, silent
from optimizer.road.ride import Ride, clean
from optimizer.road.xmllog import read_xml_log


def read_log(path: Path, *, named: Mapping[str, str] | None = None, progress: Progress = silent) -> RawLog:
    """Read a GPX, TCX, FIT or CSV log.

    Parameters
    ----------
    path : Path
        Its kind is known by content, not by the ending.
    named : mapping of quantity with unit to header, optional
        Columns of a CSV log that the user names.
    progress : callable
        Told the share that is read.

    Raises
    ------
    BadInput
        Codes: missing-file, unreadable-file, empty-log, not-a-log, and those of each kind.
    """
    try:
        if path.exists() and not path.is_file():
            raise refuse("unreadable-file", str(path), "is no regular file: a log is expected")
        with path.open("rb") as stream:
            head = stream.read(1024)
    except FileNotFoundError:
        raise BadInput([Problem("missing-file", str(path), expected="does not exist")]) from None
    except OSError as error:
        raise refuse("unreadable-file", str(path), f"can't be read: {error.strerror}") from None
    if not head.strip(b"\0\r\n\t \xef\xbb\xbf"):
        raise refuse("empty-log", str(path), "is empty: a log of a ride is expected")
    if head[8:12] == b".FIT":
        return read_fit_log(path, progress=progress)
    text = head.lstrip(b"\xef\xbb\xbf \r\n\t")
    if text.startswith(b"<") or (head[:2] in (b"\xff\xfe", b"\xfe\xff") and b"<" in head[:6]):
        return read_xml_log(path, progress=progress)
    for magic, kind in ((b"PK\x03\x04", "a spreadsheet or zip file"), (b"\x1f\x8b", "a compressed file"),
                        (b"PAR1", "a Parquet file"), (b"%PDF", "a PDF"), (b"\x89PNG", "a picture")):  # fmt: skip
        if head.startswith(magic):
            raise refuse("not-a-log", str(path), f"is {kind}; a log is GPX, TCX, FIT or CSV")
    return read_csv_log(path, named=named, progress=progress)


def read_rides(
    logs: Sequence[Path], *, named: Mapping[str, str], say: Callable[[str], None],
    make: Callable[[RawLog], Ride] = clean,
) -> list[Ride]:  # fmt: skip
    """Rides made of logs, in their order; BadInput has the problems of all of them."""
    rides, problems = [], []
    for log in logs:

        def tell(share: float, log: Path = log) -> None:
            if share < 1.0:  # a small log is read at once: nothing to tell
                say(f"{log}: {100 * share:.0f} % read")

        try:
            rides.append(make(read_log(log, named=named, progress=tell)))
        except BadInput as bad:
            problems += bad.problems
    if problems:
        raise BadInput(problems)
    return rides
