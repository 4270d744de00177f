"""GPX and TCX read point by point as the file streams past, so that its size does not matter.

GPX 1.1 (Topografix, 2004) and Training Center XML v2. Names are matched without their namespace: files of version
1.0 and of many writers differ in it, and in nothing that matters here.
"""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any
from xml.etree.ElementTree import Element, ParseError, XMLPullParser

import numpy as np
import pandas as pd

from optimizer.base.arrays import Floats
from optimizer.road.log import Progress, RawLog, refuse, silent
from optimizer.road.stamps import Stamps

PIECE_BYTES = 1 << 20
MOST_BYTES = 4 << 30

# Point element → name of a value below it (or attribute) → ours. Distances in TCX are metres, speeds m/s.
POINTS = {"trkpt": "gpx", "Trackpoint": "tcx", "rtept": "gpx"}
VALUES = {
    "ele": "altitude_m", "AltitudeMeters": "altitude_m", "speed": "speed_m_s", "Speed": "speed_m_s",
    "LatitudeDegrees": "latitude_deg", "LongitudeDegrees": "longitude_deg", "DistanceMeters": "distance_m",
}  # fmt: skip
NAMES = ("speed_m_s", "latitude_deg", "longitude_deg", "altitude_m", "distance_m")


def local(tag: str) -> str:
    """Name of an element without its namespace."""
    return tag.rpartition("}")[2]


def read_xml_log(path: Path, *, progress: Progress = silent) -> RawLog:
    """Read a GPX or TCX file.

    A file that is cut off gives the points before the cut, and says so.

    Parameters
    ----------
    progress : callable
        Told the share that is read.

    Raises
    ------
    BadInput
        Codes: bad-xml, empty-log, no-time, too-large.
    """
    reader = _PointReader(path, progress)
    texts: list[str] = []
    values: dict[str, list[float]] = {name: [] for name in NAMES}
    stamps, seconds = Stamps(form="date"), []
    for stamp, found in reader:
        texts.append(stamp)
        for name in NAMES:
            values[name].append(found.get(name, np.nan))
        if len(texts) >= 100_000:
            seconds.append(stamps.read(pd.Series(texts, dtype=str)))
            texts = []
    seconds.append(stamps.read(pd.Series(texts, dtype=str)))
    time_s = np.concatenate(seconds)
    if not len(time_s):
        raise refuse("empty-log", str(path), "holds no track point" + (f" ({reader.wrong})" if reader.wrong else ""))
    if not np.isfinite(time_s).any():
        raise refuse("no-time", str(path), "has points without times: a drawn route, no ride")
    notes = [f"the file is cut off ({reader.wrong}); the {len(time_s)} points before are used"] if reader.wrong else []
    if len(stamps.zones - {""}) > 1:
        notes.append(f"stamps in {len(stamps.zones - {''})} time zones put on one clock")
    columns: dict[str, Floats] = {name: np.array(each) for name, each in values.items()}
    known = np.isfinite(time_s)
    if not known.all():
        notes.append(f"{int((~known).sum())} points without a time left out")
    columns = {name: each[known] for name, each in columns.items() if np.isfinite(each[known]).any()}
    return RawLog(str(path), time_s[known], columns, zoned=True, notes=tuple(notes))


class _PointReader:
    """Points of a file one after another; `wrong` says where the file was cut off."""

    def __init__(self, path: Path, progress: Progress) -> None:
        self.path, self.progress, self.wrong = path, progress, ""

    def __iter__(self) -> Iterator[tuple[str, dict[str, float]]]:
        size = self.path.stat().st_size
        if size > MOST_BYTES:
            raise refuse("too-large", str(self.path), f"is larger than {MOST_BYTES >> 30} GiB: is this the right file?")
        parser: Any = XMLPullParser(events=("start", "end"))
        parents: list[Element] = []
        done = 0
        with self.path.open("rb") as stream:
            while piece := stream.read(PIECE_BYTES):
                # Nothing that a track holds is declared in a DTD, and entities are how XML swells.
                if done == 0 and b"<!DOCTYPE" in piece[:4096].upper():
                    raise refuse("bad-xml", str(self.path), "has a document type definition, which no GPX or TCX needs")
                done += len(piece)
                try:
                    parser.feed(piece)
                except ParseError as error:
                    self.wrong = str(error)
                yield from self._points(parser, parents)
                if self.wrong:
                    return
                self.progress(done / size)
        try:
            parser.close()
        except ParseError as error:
            self.wrong = str(error)

    def _points(self, parser: Any, parents: list[Element]) -> Iterator[tuple[str, dict[str, float]]]:
        events = parser.read_events()
        while True:
            try:
                event, element = next(events)
            except StopIteration:
                return
            except ParseError as error:
                self.wrong = str(error)
                return
            if event == "start":
                parents.append(element)
                continue
            parents.pop()
            if local(element.tag) in POINTS:
                yield _point(element)
                # What was read is let go, or a long track would stay in memory as a tree.
                element.clear()
                if parents:
                    parents[-1].remove(element)


def _point(element: Element) -> tuple[str, dict[str, float]]:
    """Stamp and values of one point."""
    stamp, found = "", {}
    for name, ours in (("lat", "latitude_deg"), ("lon", "longitude_deg")):
        if name in element.attrib:
            found[ours] = _number(element.attrib[name])
    for child in element.iter():
        name = local(child.tag)
        if name in ("time", "Time") and not stamp:
            stamp = (child.text or "").strip()
        elif name in VALUES:
            found[VALUES[name]] = _number(child.text)
    return stamp, found


def _number(text: str | None) -> float:
    try:
        value = float(text or "nan")
    except ValueError:
        return float("nan")
    return value if np.isfinite(value) else float("nan")
