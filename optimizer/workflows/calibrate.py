"""`calibrate`: a brief's vehicle fitted to logs, as a [vehicle] block, JSON and a picture of what is left."""

from __future__ import annotations

import tomllib
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from optimizer.base.files import free_path, write_bytes, write_text
from optimizer.base.problems import BadInput, Problem
from optimizer.brief import load_brief
from optimizer.brief.editing import with_values
from optimizer.ride.load.roadload import air_density
from optimizer.road.calibrate import PARAMETERS, Calibrated, calibrate
from optimizer.road.energy import Road
from optimizer.road.reading import read_rides

Say = Callable[[str], None]
# Parameters that are keys of a brief's [vehicle]; the mass is the sum of three keys, and wind is the day's.
KEYS = ("cda_m2", "crr", "drivetrain_efficiency", "accessory_w")
# Without a ride in the brief: the air of a mild day [°C].
AIR_C = 20.0


@dataclass(frozen=True)
class CalibrateRequest:
    """What `calibrate` is asked for.

    Parameters
    ----------
    named : mapping
        Columns as the user names them.
    fit : sequence of str
        Parameters besides those always fitted.
    pack_kg : float
        Pack on board that the brief's masses don't hold [kg].
    write : bool
        Put the result into the brief.
    picture : Path or None
    """

    brief: Path
    logs: Sequence[Path]
    named: Mapping[str, str]
    fit: Sequence[str] = ()
    pack_kg: float = 0.0
    write: bool = False
    picture: Path | None = None


@dataclass(frozen=True, eq=False)
class Fitted:
    """What was found and written."""

    result: Calibrated
    brief: Path
    changes: tuple[str, ...]
    written: tuple[Path, ...]

    def block(self) -> str:
        """The [vehicle] keys that were found, with standard errors, as TOML."""
        return "\n".join(["[vehicle]", *(f"{key} = {value}" for key, value in block_values(self.result).items())])

    def record(self) -> dict[str, Any]:
        """As JSON's types."""
        result = self.result
        return {
            "parameters": {name: {"value": v.value, "se": v.se} for name, v in result.values.items()},
            "kept": sorted(result.kept),
            "why_kept": dict(result.kept),
            "fitted": list(result.fitted),
            "correlation": result.correlation.round(4).tolist(),
            "noise": {name: round(value, 4) for name, value in vars(result.noise).items()},
            "notes": list(result.notes),
            "changes": list(self.changes),
            "vehicle": self.block(),
            "written": [str(path) for path in self.written],
        }

    def text(self) -> str:
        """In words."""
        lines = [*self.changes, *self.result.notes, ""]
        for name, value in self.result.values.items():
            unit = PARAMETERS[name].unit
            if value.se is not None:
                lines.append(f"{name:24} {value.value:9.4g} ± {value.se:.2g} {unit}")
            else:
                why = self.result.kept.get(name, "")
                lines.append(f"{name:24} {value.value:9.4g} {unit}, kept: {why}")
        lines += _correlations(self.result)
        lines += [
            "",
            self.block(),
            "",
            "± is one standard error, by the logs alone: a wrong mass, meter or wind comes on top.",
        ]
        return "\n".join([*lines, *([f"Written: {', '.join(map(str, self.written))}"] if self.written else [])])


def _correlations(result: Calibrated) -> list[str]:
    """Pairs that the logs hardly tell apart."""
    lines = []
    for i, one in enumerate(result.fitted):
        for j, other in enumerate(result.fitted[:i]):
            lines.append(f"correlation of {other} and {one}: {result.correlation[i, j]:+.2f}")
    return lines


def block_values(result: Calibrated) -> dict[str, str]:
    """Keys of [vehicle] with their values and standard errors as TOML text: only what was told by the logs."""
    found = {}
    for name in KEYS:
        value = result.values[name]
        if value.se is not None:
            found[name] = f"{value.value:.4g}" if name != "accessory_w" else f"{value.value:.1f}"
            found[f"{name}_se"] = f"{max(value.se, 1e-5):.2g}"
    if {"cda_m2", "crr"} <= set(result.fitted):
        i, j = result.fitted.index("cda_m2"), result.fitted.index("crr")
        found["cda_crr_correlation"] = f"{result.correlation[i, j]:.2f}"
    return found


def calibrate_job(asked: CalibrateRequest, *, say: Say = lambda text: None) -> Fitted:
    """Read logs, fit, and write what is asked for, telling of progress; BadInput has the problems of all logs."""
    brief = load_brief(asked.brief)
    given = brief.vehicle
    if given is None:
        raise BadInput([Problem("missing-key", str(asked.brief), "", "vehicle", "", "is what is to be calibrated")])
    wrong = [name for name in asked.fit if name not in PARAMETERS]
    if wrong:
        text = f"must be of {', '.join(PARAMETERS)}"
        raise BadInput([Problem("unknown-parameter", "--fit", found=name, expected=text) for name in wrong])
    source = asked.brief.read_text(encoding="utf-8-sig")
    if asked.write:
        _check_writable(asked.brief, source)
    temp_c = brief.ride.temp_c if brief.ride is not None else AIR_C
    road = Road(
        given.cda_m2, given.crr, given.drivetrain_efficiency, given.accessory_w,
        given.mass_kg + given.rider_kg + given.payload_kg + asked.pack_kg, 0.0, given.rotating_factor,
        float(air_density(given.altitude_m, temp_c=temp_c)),
    )  # fmt: skip
    rides = read_rides(asked.logs, named=asked.named, say=say)
    result = calibrate(rides, road=road, fit=asked.fit)
    if not result.fitted:
        reasons = "; ".join(f"{name}: {result.kept[name]}" for name in ("cda_m2", "crr"))
        text = f"tell nothing of the vehicle ({reasons}): power or coasting at different speeds is needed"
        raise BadInput([Problem("nothing-told", ", ".join(map(str, asked.logs)), expected=text)])
    picture = asked.picture or free_path(Path("results") / f"{asked.brief.stem}-calibration.png")
    from optimizer.review.sheets.calibration_plot import calibration_png

    write_bytes(picture, calibration_png(result))
    written = [picture]
    if asked.write:
        write_text(asked.brief, with_values(source, "vehicle", block_values(result)))
        written.append(asked.brief)
    changes = tuple(f"{Path(ride.name).name}: {text}" for ride in rides for text in ride.changes)
    return Fitted(result, asked.brief, changes, tuple(written))


def _check_writable(path: Path, source: str) -> None:
    """Refuse to edit what can't be edited line by line."""
    try:
        changed = with_values(source, "vehicle", {"cda_m2": "0.5"})
        assert tomllib.loads(changed)["vehicle"]["cda_m2"] == 0.5
    except (KeyError, AssertionError, tomllib.TOMLDecodeError):
        text = "has no table [vehicle] with a line for each key: write the block yourself"
        raise BadInput([Problem("not-writable", str(path), "", "vehicle", "", text)]) from None
