"""`against`: what was predicted of a pack held against what its logs say."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np

from optimizer.analysis.compare import read_side
from optimizer.base.arrays import Floats
from optimizer.base.files import free_path, write_bytes
from optimizer.base.problems import BadInput, Problem
from optimizer.design.runs import read_run
from optimizer.design.select import choose, design_block
from optimizer.pack.thermal.heat import CELL_J_PER_KG_K
from optimizer.ride.load.roadload import ride_steps
from optimizer.road.energy import counts_discharge_negative, power_of
from optimizer.road.log import RawLog, refuse
from optimizer.road.packrun import Explained, Health, PackModel, PackRun, drive, explain, ratio_error
from optimizer.road.reading import read_rides
from optimizer.road.ride import Ride, clean
from optimizer.road.timeline import row_of
from optimizer.search.space.space import Space

Say = Callable[[str], None]
# A factor that is further from 1 than so many of its standard errors explains something.
SURE = 2.0
# Voltage that no factor explains, as a share of the pack's, from which on the log is of another pack.
ANOTHER = 0.02
# So far outside of what the cells in series can have at rest, as a share, a pack's voltage is no sag of it.
OUTSIDE = 0.05
# More charge than this times what the pack holds is not taken without a charger.
FULL = 1.3


@dataclass(frozen=True, eq=False)
class OneLog:
    """A log beside the prediction for the ride that it holds.

    Parameters
    ----------
    rows : tuple of (str, str, float, float)
        Figure, unit, predicted, logged; NaN where there is none.
    factors : mapping of name to (float, float or None)
        Resistance, capacity and road load over the prediction's, with standard errors.
    run : PackRun
        As predicted from the road on.
    voltage_v, power_w : ndarray, shape (n,)
        As logged.
    left_v : float
        What the factors leave of the voltage, root mean square [V].
    """

    name: str
    rows: tuple[tuple[str, str, float, float], ...]
    factors: Mapping[str, tuple[float, float | None]]
    run: PackRun
    voltage_v: Floats
    power_w: Floats
    changes: tuple[str, ...]
    left_v: float

    @property
    def another(self) -> bool:
        """Whether no factor brings the prediction near the log's voltage: it is another pack's, or of other cells."""
        return self.left_v > ANOTHER * float(np.nanmean(self.voltage_v))

    @property
    def best(self) -> str:
        """The parameter that is most surely another one; "" when none is."""
        if self.another:
            return ""
        sure = {k: abs(v - 1.0) / e for k, (v, e) in self.factors.items() if e}
        name = max(sure, key=lambda k: sure[k], default="")
        return name if name and sure[name] > SURE else ""

    def record(self) -> dict[str, Any]:
        """As JSON's types."""
        return {
            "log": self.name,
            "figures": {
                name: {"unit": unit, "predicted": _plain(predicted), "logged": _plain(logged)}
                for name, unit, predicted, logged in self.rows
            },
            "explains": {name: {"value": value, "se": error} for name, (value, error) in self.factors.items()},
            "most_likely": self.best or None,
            "voltage_left_v": _plain(self.left_v),
            "another_pack": self.another,
            "changes": list(self.changes),
        }


def _plain(value: float) -> float | None:
    return round(float(value), 6) if np.isfinite(value) else None


@dataclass(frozen=True, eq=False)
class Held:
    """All logs, and the picture."""

    logs: tuple[OneLog, ...]
    picture: Path

    def record(self) -> dict[str, Any]:
        """As JSON's types."""
        return {
            "logs": [each.record() for each in self.logs],
            "season": _season(self.logs),
            "picture": str(self.picture),
        }

    def text(self) -> str:
        """In words."""
        lines = []
        for each in self.logs:
            lines += [f"{each.name}", *(f"  {text}" for text in each.changes)]
            lines += [f"  {'':28}{'predicted':>11}{'logged':>11}{'difference':>12}"]
            for name, unit, predicted, logged in each.rows:
                away = f"{100 * (logged / predicted - 1):+.1f} %" if predicted and unit not in ("°C", "") else ""
                shown = [f"{x:.4g}" if np.isfinite(x) else "-" for x in (predicted, logged)]
                lines.append(f"  {name + (f' [{unit}]' if unit else ''):28}{shown[0]:>11}{shown[1]:>11}{away:>12}")
            for name, (value, error) in each.factors.items():
                told = f"{value:.3f} ± {error:.3f}" if error is not None else "can't be told by this log"
                lines.append(f"  {name} over the prediction's: {told}")
            if each.another:
                lines.append(
                    f"  the voltage stays {each.left_v:.1f} V off with any factors: is it the log of this pack?"
                )
            word = f"{each.best} explains most of the difference" if each.best else "no parameter is surely another one"
            lines.append(f"  {word}")
        for name, change in _season(self.logs).items():
            lines.append(
                f"from the first log to the last {name} changed by {change['change']:+.3f} ± {change['se']:.3f}"
            )
        return "\n".join([*lines, f"Written: {self.picture}"])


def _season(logs: Sequence[OneLog]) -> dict[str, dict[str, float]]:
    """Change of each factor from the first log to the last, where both tell it."""
    if len(logs) < 2:
        return {}
    found = {}
    for name, (value, error) in logs[-1].factors.items():
        first, first_error = logs[0].factors[name]
        if error is not None and first_error is not None:
            found[name] = {"change": value - first, "se": float(np.hypot(error, first_error))}
    return found


@dataclass(frozen=True)
class AgainstRequest:
    """What `against` is asked for: RUN:DESIGN, logs in the order of time, columns, brief of the run, picture."""

    design: str
    logs: Sequence[Path]
    named: Mapping[str, str]
    brief: Path | None = None
    picture: Path | None = None


def against_job(asked: AgainstRequest, *, say: Say = lambda text: None) -> Held:
    """Hold logs against a design's prediction; BadInput has the problems of all logs."""
    side = read_side(asked.design, brief=asked.brief)
    if side.row is None:
        text = "must name a design: RUN:DESIGN"
        raise BadInput([Problem("not-a-design", "command line", found=asked.design, expected=text)])
    run = side.run if asked.brief is not None else read_run(side.run.folder)
    space = run.homes([side.row])[0]
    pack = pack_model(space, side.row)
    rides = read_rides(asked.logs, named=asked.named, say=say, make=lambda log: with_current(log, pack))
    logs = tuple(_one(space, side.row, pack, ride) for ride in rides)
    picture = asked.picture or free_path(Path("results") / f"{side.row['design_id']}-against.png")
    from optimizer.review.sheets.against_plot import against_png

    write_bytes(picture, against_png([(o.name, o.voltage_v, o.run.voltage_v, o.power_w, o.run) for o in logs]))
    return Held(logs, picture)


def with_current(log: RawLog, pack: PackModel) -> Ride:
    """The log's ride, discharge positive; BadInput where voltage and current are none of this pack."""
    ride = clean(log)
    missing = [name for name in ("voltage_v", "current_a") if name not in ride.columns]
    if missing:
        text = "must be there: without them nothing says what the pack gave, and no difference has a cause; name "
        text += f"columns by --column {missing[0]}=NAME"
        raise refuse("no-current", log.file, text, name=" and ".join(missing), found=f"only {', '.join(ride.columns)}")
    volts, amps = ride.columns["voltage_v"], ride.columns["current_a"]
    both = np.isfinite(volts) & np.isfinite(amps)
    power = power_of(ride)
    if power is None:
        text = "must have ten rows with voltage and current at least"
        raise refuse("no-current", log.file, text, found=f"{int(both.sum())}")
    if not np.any(np.abs(amps[both]) > 0.0):
        raise refuse("no-current", log.file, "never has a current", name="current_a", found="0 in every row")
    lost = int(np.sum(~np.isfinite(power)))
    changes = [f"{lost} s without voltage and current: left out of energy, charge and road load"] if lost else []
    if counts_discharge_negative(ride):
        amps = -amps
        changes.append("current is negative while the vehicle is driven: its sign is turned, discharge is positive")
    taken_ah, held_ah = float(np.nansum(amps)) * row_of(amps) / 3600.0, pack.capacity_ah * pack.parallel
    if taken_ah > FULL * held_ah:
        text = f"is more than the {held_ah:.3g} Ah that the pack holds: charged on the way? Give each ride as a log"
        raise refuse("charged-between", log.file, text, name="current_a", found=f"{taken_ah:.3g} Ah in all")
    _in_window(log.file, pack, float(np.median((volts + amps * pack.middle_ohm)[both])), float(np.median(volts[both])))
    return replace(ride, columns={**ride.columns, "current_a": amps}, changes=(*ride.changes, *changes))


def _in_window(file: str, pack: PackModel, rest_v: float, logged_v: float) -> None:
    """Refuse a log whose voltage, freed of its sag, no such pack can have."""
    low, high = (pack.series * float(end) for end in (pack.ocv_v[0], pack.ocv_v[-1]))
    if not low * (1.0 - OUTSIDE) <= rest_v <= high * (1.0 + OUTSIDE):
        text = (
            f"is not of this pack, or not in V and A: {pack.series} of its cells in series have {low:.0f} to "
            f"{high:.0f} V at rest, and with the sag of its current taken out the log has {rest_v:.4g} V"
        )
        raise refuse("another-pack", file, text, name="voltage_v", found=f"{logged_v:.4g} V in the middle")


def pack_model(space: Space, row: Mapping[str, Any]) -> PackModel:
    """What of a design, a row of the front, decides its voltage."""
    chosen = choose(space, row)
    block, context = design_block(space, chosen), space.context
    k, cells = chosen.cell, context.arrays
    return PackModel(
        chosen.series, chosen.parallel, cells.ocv_v[k], cells.r0_ohm[k], cells.r1_ohm[k], cells.r2_ohm[k],
        float(cells.capacity_ah[k]), float(cells.tau1_s[k]), float(cells.tau2_s[k]), float(block.extra_ohm[0]),
        float(block.riding_k_per_w(context)[0]), float(context.cells.mass_kg[k]) * CELL_J_PER_KG_K,
        float(context.air_c),
    )  # fmt: skip


def _one(space: Space, row: Mapping[str, Any], pack: PackModel, ride: Ride) -> OneLog:
    """Figures, factors and series of one log."""
    power = power_of(ride)
    assert power is not None
    volts, amps = ride.columns["voltage_v"], ride.columns["current_a"]
    given = np.isfinite(power)
    power = np.nan_to_num(power)
    known = np.isfinite(volts) & np.isfinite(amps)
    signed = np.interp(np.arange(len(amps)), np.flatnonzero(known), amps[known])
    found: Explained = explain(pack, signed, np.where(known, volts, np.nan))
    steps = ride_steps(ride.trace(), vehicle=space.context.steps.vehicle)
    mass = space.context.vehicle_mass_kg + float(row["pack_mass_kg"])
    asked = np.append(steps.battery_power_w(mass), 0.0)
    run = drive(pack, asked, health=Health(start=found.health.start), by_power=True)
    driven = given & (asked > 0)
    road, road_error = ratio_error(np.where(driven, power, 0.0), np.where(driven, asked, 0.0))
    way_km = float(0.5 * (ride.speed_m_s[1:] + ride.speed_m_s[:-1])[given[1:]].sum()) / 1000.0
    predicted_wh, logged_wh = (float(each[given].sum()) / 3600.0 for each in (asked, power))
    usable = float(row["energy_wh"]) * (space.context.start_soc - space.context.reserve_soc)
    ah, run_ah = (float(each[given].sum()) / 3600.0 for each in (signed, run.current_a))
    held = pack.capacity_ah * pack.parallel * (found.health.capacity if found.errors["capacity"] is not None else 1.0)
    left_soc = found.health.start - float(signed.sum()) / 3600.0 / held
    hottest = ride.columns.get("cell_temp_c")
    rows = (
        ("mean voltage", "V", float(run.voltage_v.mean()), float(np.nanmean(volts))),
        ("lowest voltage", "V", float(run.voltage_v.min()), float(np.nanmin(volts))),
        ("energy", "Wh", predicted_wh, logged_wh),
        ("consumption", "Wh/km", predicted_wh / way_km, logged_wh / way_km),
        ("charge", "Ah", run_ah, ah),
        ("state of charge at the end", "", float(run.soc[-1]), left_soc),
        ("hottest cell", "°C", float(run.temp_c.max()), float(np.nanmax(hottest)) if hottest is not None else np.nan),
        ("range on this ride", "km", usable / max(predicted_wh / way_km, 1e-9),
         usable * held / (pack.capacity_ah * pack.parallel) / max(logged_wh / way_km, 1e-9)),
    )  # fmt: skip
    factors = {
        "resistance": (found.health.resistance, found.errors["resistance"]),
        "capacity": (found.health.capacity, found.errors["capacity"]),
        "road load": (road, road_error),
    }
    return OneLog(ride.name, rows, factors, run, volts, power, ride.changes, found.left_v)
