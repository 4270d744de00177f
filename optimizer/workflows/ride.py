"""`ride`: logs from disk to a trace as the brief reads it, with what was changed, and a picture."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np

from optimizer.base.arrays import Floats
from optimizer.base.files import write_bytes
from optimizer.base.problems import BadInput, Problem
from optimizer.brief import load_brief
from optimizer.ride.load.drivetrain import Drivetrain
from optimizer.ride.load.roadload import Vehicle, vehicle_of
from optimizer.ride.load.trace import KMH_PER_M_S
from optimizer.road.joining import Path as Way
from optimizer.road.joining import join
from optimizer.road.reading import read_rides
from optimizer.road.ride import Ride, Sums, clean, sums_of
from optimizer.road.shorten import Shortened, longest_climb, power_w, shorten

# A ride longer than this is shortened without being asked to, to the length below [s], [km].
LONG_S, SHORT_KM = 36_000.0, 30.0
# Power is drawn and classes are made for this vehicle where no brief gives another: an invented loaded kick-scooter.
STAND_IN = Vehicle(cda_m2=0.7, crr=0.013, drivetrain=Drivetrain(0.8))
STAND_IN_KG = 120.0

Say = Callable[[str], None]


@dataclass(frozen=True)
class RideRequest:
    """What `ride` is asked for.

    Parameters
    ----------
    out : Path or None
        CSV to write; None writes nothing.
    named : mapping
        Columns as the user names them.
    weights : sequence of int
        Times each log is ridden; empty: once each.
    each : bool
        Every log becomes a trace of its own.
    window_m : float or None
    pause_s : float
        Stands of this length or more are cut out [s].
    shorten_km : float or None
    brief : Path or None
        Whose vehicle the power is estimated for.
    picture : Path or None
        Left out: beside the trace.
    """

    logs: Sequence[Path]
    out: Path | None
    named: Mapping[str, str]
    weights: Sequence[int] = ()
    each: bool = False
    height: str = "auto"
    window_m: float | None = None
    pause_s: float = 600.0
    shorten_km: float | None = None
    brief: Path | None = None
    picture: Path | None = None
    force: bool = False


@dataclass(frozen=True, eq=False)
class Made:
    """One trace.

    Parameters
    ----------
    rides : tuple of Ride
        That it was made of.
    way : Path of rows
    sums : Sums
        Of what is written.
    short : Shortened or None
    out : Path or None
    """

    rides: tuple[Ride, ...]
    way: Way
    sums: Sums
    short: Shortened | None
    out: Path | None

    def record(self) -> dict[str, Any]:
        """As JSON's types; the figures are those of the whole ride, `shortened` holds those of a short one."""
        whole = _total(self.rides)
        several = len(self.rides) > 1
        changes = [
            f"{Path(ride.name).name}: {text}" if several else text for ride in self.rides for text in ride.changes
        ]
        found: dict[str, Any] = {**_plain(whole), "changes": changes}
        found["before"] = [_plain(ride.before) for ride in self.rides]
        found["longest_climb_m"] = round(max(longest_climb(Way(r.speed_m_s, r.grade))[0] for r in self.rides), 1)
        if self.short:
            found["shortened"] = {**_plain(self.sums), **_errors(self.short)}
        if self.out:
            found["trace"] = str(self.out)
        return found


@dataclass(frozen=True, eq=False)
class Ridden:
    """All traces that were made."""

    made: tuple[Made, ...]
    written: tuple[Path, ...]

    def record(self) -> dict[str, Any]:
        """As JSON's types: one trace's record, or with --each all under "rides"."""
        if len(self.made) == 1:
            return self.made[0].record()
        return {"rides": [{"log": made.rides[0].name, **made.record()} for made in self.made]}

    def text(self) -> str:
        """In words."""
        lines = []
        for made in self.made:
            for ride in made.rides:
                times = f", ridden {ride.weight} times" if ride.weight > 1 else ""
                lines += [f"{ride.name}{times}:", *(f"  {text}" for text in ride.changes)]
            lines.append(_sentence("ride" if made.short is None else "whole ride", _total(made.rides)))
            if made.short:
                short = made.short
                lines.append(_sentence("shortened", made.sums))
                lines.append(
                    f"  its power is distributed as the whole's within {100 * short.power_error:.1f} % of the mean, "
                    f"consumption {100 * short.consumption_error:+.1f} %, longest climb {short.climb_m:.0f} of "
                    f"{short.climb_before_m:.0f} m"
                )
            lines += _lap_notes(made.way)
        return "\n".join([*lines, *([f"Written: {', '.join(map(str, self.written))}"] if self.written else [])])


def _sentence(what: str, sums: Sums) -> str:
    return (
        f"{what}: {sums.distance_km:.2f} km, climb {sums.climb_m:.0f} m, {sums.duration_s / 60:.1f} min, "
        f"{sums.stops} stop{'' if sums.stops == 1 else 's'}"
    )


def _lap_notes(way: Way) -> list[str]:
    """What is to be known of a trace that is repeated lap after lap."""
    speed = way.speed_m_s
    mean = 0.5 * (speed[1:] + speed[:-1])
    net = float((mean * np.sin(np.arctan(0.5 * (way.grade[1:] + way.grade[:-1])))).sum())
    notes = []
    if abs(net) > 10.0:
        notes.append(f"  note: it ends {net:+.0f} m from the height it begins at; a brief repeats it, and that adds up")
    if abs(speed[-1] - speed[0]) > 0.5:
        ends = f"begins at {speed[0] * 3.6:.0f} and ends at {speed[-1] * 3.6:.0f} km/h"
        notes.append(f"  note: it {ends}; nothing is paid for the jump between laps")
    return notes


def _total(rides: Sequence[Ride]) -> Sums:
    each = [(ride.after, ride.weight) for ride in rides]
    return Sums(
        sum(s.distance_km * w for s, w in each), sum(s.climb_m * w for s, w in each),
        sum(s.duration_s * w for s, w in each), sum(s.stops * w for s, w in each),
    )  # fmt: skip


def _plain(sums: Sums) -> dict[str, Any]:
    return {
        "distance_km": round(sums.distance_km, 4), "climb_m": round(sums.climb_m, 2),
        "duration_s": round(sums.duration_s, 1), "stops": sums.stops,
    }  # fmt: skip


def _errors(short: Shortened) -> dict[str, float]:
    return {
        "power_error": round(short.power_error, 4), "consumption_error": round(short.consumption_error, 4),
        "longest_climb_m": round(short.climb_m, 1),
    }  # fmt: skip


def ride_job(asked: RideRequest, *, say: Say = lambda text: None) -> Ridden:
    """Read, clean, join, shorten and write, telling of progress; BadInput has the problems of all logs."""
    vehicle, mass_kg, power_of = _vehicle_of(asked.brief)
    if asked.weights and len(asked.weights) != len(asked.logs):
        text = f"must be given once for each of the {len(asked.logs)} logs, or not at all"
        raise BadInput([Problem("weights", "--weight", expected=text, found=str(len(asked.weights)))])
    outs = _outs(asked)
    for out in outs:
        for place in _places(asked, out):
            refuse_taken(place, force=asked.force)
    rides = _read(asked, say)
    groups = [[ride] for ride in rides] if asked.each else [rides]
    made = [_make(asked, group, out, vehicle, mass_kg) for group, out in zip(groups, outs, strict=True)]
    written: list[Path] = []
    for each in made:
        if each.out is None:
            continue
        write_bytes(each.out, trace_csv(each))
        written.append(each.out)
        place = _places(asked, each.out)[-1]
        write_bytes(place, _picture(each, vehicle, mass_kg, power_of))
        written.append(place)
    return Ridden(tuple(made), tuple(written))


def _vehicle_of(brief: Path | None) -> tuple[Vehicle, float, str]:
    """Vehicle and mass without a pack [kg] that power is estimated for, and whose they are."""
    if brief is None:
        told = f"estimated for a stand-in: {STAND_IN_KG:g} kg, CdA {STAND_IN.cda_m2:g} m², Crr {STAND_IN.crr:g}"
        return STAND_IN, STAND_IN_KG, told + " (--brief gives yours)"
    read = load_brief(brief)
    given, plan = read.vehicle, read.ride
    if given is None:
        raise BadInput([Problem("missing-key", str(brief), "", "vehicle", "", "is needed to estimate power")])
    vehicle = vehicle_of(given, temp_c=plan.temp_c if plan else 20.0)
    return vehicle, given.mass_kg + given.rider_kg + given.payload_kg, f"estimated for {read.title}, without its pack"


def _outs(asked: RideRequest) -> list[Path | None]:
    """Where each trace goes."""
    if not asked.each or len(asked.logs) == 1:
        return [asked.out]
    if asked.out is None:
        return [None] * len(asked.logs)
    stems = [log.stem for log in asked.logs]
    names = [stem if stems.count(stem) == 1 else f"{stem}-{k + 1}" for k, stem in enumerate(stems)]
    return [asked.out.with_name(f"{asked.out.stem}-{name}{asked.out.suffix or '.csv'}") for name in names]


def _places(asked: RideRequest, out: Path | None) -> list[Path]:
    """Files that belong to a trace: itself and its picture."""
    if out is None:
        return []
    single = asked.picture is not None and (not asked.each or len(asked.logs) == 1)
    return [out, asked.picture if single and asked.picture else out.with_suffix(".png")]


def refuse_taken(place: Path, *, force: bool) -> None:
    """Refuse to write over a file that holds something."""
    if place.is_dir():
        raise BadInput([Problem("output-exists", str(place), "", "--out", "", "must be a file, not a folder")])
    if place.exists() and place.stat().st_size and not force:
        text = "must not be there yet (or give --force)"
        raise BadInput([Problem("output-exists", str(place), "", "--out", "", text)])


def _read(asked: RideRequest, say: Say) -> list[Ride]:
    make = partial(clean, height=asked.height, window_m=asked.window_m, pause_s=asked.pause_s)
    rides = read_rides(asked.logs, named=asked.named, say=say, make=make)
    return [replace(ride, weight=asked.weights[k] if asked.weights else 1) for k, ride in enumerate(rides)]


def _make(asked: RideRequest, rides: Sequence[Ride], out: Path | None, vehicle: Vehicle, mass_kg: float) -> Made:
    """One trace of some rides."""
    total = _total(rides)
    wanted = asked.shorten_km
    if wanted is None and total.duration_s > LONG_S:
        wanted = SHORT_KM
    if wanted is not None and wanted < total.distance_km:
        short = shorten(rides, distance_km=wanted, vehicle=vehicle, mass_kg=mass_kg)
        return Made(tuple(rides), short.path, sums_of(short.path.speed_m_s, short.path.grade), short, out)
    way = join(rides)
    return Made(tuple(rides), way, sums_of(way.speed_m_s, way.grade), None, out)


def trace_csv(made: Made) -> bytes:
    """A trace as the brief reads it: time_s, speed_kmh, grade_pct, with a line about its origin above."""
    sums = made.sums
    told = f"{sums.distance_km:.3f} km, climb {sums.climb_m:.0f} m, {sums.stops} stops"
    head = f"# from {len(made.rides)} log(s): {told}\n"
    rows = [
        f"{k},{speed:.3f},{grade:.3f}"
        for k, (speed, grade) in enumerate(
            zip((made.way.speed_m_s * KMH_PER_M_S).tolist(), (100.0 * made.way.grade).tolist(), strict=True)
        )
    ]
    return (head + "time_s,speed_kmh,grade_pct\n" + "\n".join(rows) + "\n").encode()


def _picture(made: Made, vehicle: Vehicle, mass_kg: float, power_of: str) -> bytes:
    """Speed, height and power of what is written, with the log's own heights where it is one whole log."""
    from optimizer.review.sheets.ride_plot import ride_png

    speed, grade = made.way.speed_m_s, made.way.grade
    mean = 0.5 * (speed[1:] + speed[:-1])
    way_km = np.concatenate([[0.0], np.cumsum(mean)]) / 1000.0
    rise = mean * np.sin(np.arctan(0.5 * (grade[1:] + grade[:-1])))
    height = np.concatenate([[0.0], np.cumsum(rise)])
    raw: Floats | None = None
    if len(made.rides) == 1 and made.short is None and made.rides[0].weight == 1:
        raw = made.rides[0].columns.get("altitude_m")
        height = made.rides[0].height_m
    names = ", ".join(Path(ride.name).name for ride in made.rides)
    sums = made.sums if made.short else _total(made.rides)
    title = f"{names}: {sums.distance_km:.1f} km, climb {sums.climb_m:.0f} m, {sums.stops} stops"
    return ride_png(
        way_km=way_km, speed_kmh=speed * KMH_PER_M_S, height_m=height, title=title, power_of=power_of,
        power_w=power_w(made.way, vehicle=vehicle, mass_kg=mass_kg), raw_km=way_km, raw_height_m=raw,
    )  # fmt: skip
