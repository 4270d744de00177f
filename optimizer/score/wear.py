"""What years of use leave of packs: fade by [use], life in years and kilometres, cost of use.

How hard a cell works depends on the cells that share the ride, so fade depends on cell, S·P and the brief, and on no
part: that is what lets the search drop worse parts in situations of years as in others. The mass that parts add and
what they lose is left out of a cell's duty; both are within a few percent of a ride's energy, far within the spread
between published cells.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from optimizer.base.arrays import Floats, Ints
from optimizer.brief import Brief, Use
from optimizer.cell.fade import DAYS_PER_YEAR, PUBLISHED, Duty, Fade, Published, days_until, fade
from optimizer.ride.bins import CompressedRide
from optimizer.ride.range import mean_power_w

DAYS_PER_WEEK = 7.0


@dataclass(frozen=True, eq=False)
class Wear:
    """How a brief uses its packs over years.

    Parameters
    ----------
    ride : CompressedRide
        Under the brief's own conditions.
    vehicle_mass_kg : float
        Without the pack [kg].
    window : float
        Most depth of one discharge: from the state of charge after charging to the reserve [-].
    chemistry : ndarray of str, shape (n_cells,)
    cell_kg, cell_wh : ndarray, shape (n_cells,)
        Mass and energy of one new cell [kg], [Wh].
    """

    use: Use
    ride: CompressedRide
    vehicle_mass_kg: float
    window: float
    chemistry: npt.NDArray[np.str_]
    cell_kg: Floats
    cell_wh: Floats

    def of_cells(self, cell: Ints) -> Wear:
        """The same of other rows of cells."""
        taken = {name: getattr(self, name)[cell] for name in ("chemistry", "cell_kg", "cell_wh")}
        return replace(self, **taken)

    @property
    def ride_km(self) -> float:
        """Length of one ride [km]."""
        return self.use.ride_km or self.ride.distance_m / 1e3

    @property
    def hours_per_km(self) -> float:
        """Time on the road [h/km]."""
        return self.ride.duration_s / 3.6 / self.ride.distance_m

    def duty(self, cell: Ints, number: Ints) -> Duty:
        """What cells go through in packs of so many of them, shape (n,)."""
        mean_w = mean_power_w(self.ride, mass_kg=number * self.cell_kg[cell] + self.vehicle_mass_kg)
        share = mean_w * self.hours_per_km * self.ride_km / (number * self.cell_wh[cell])
        return Duty(
            temp_c=self.use.storage_temp_c,
            rest_soc=self.use.charge_to_soc,
            cycles_per_day=share * self.use.rides_per_week / DAYS_PER_WEEK,
            depth=np.minimum(share, self.window),
            rate=share / (self.hours_per_km * self.ride_km),
        )

    def _by_chemistry(self, cell: Ints, number: Ints) -> list[tuple[Ints, tuple[Published, ...], Duty]]:
        """Rows of each chemistry with its models and their duty; chemistries without models are left out."""
        names = self.chemistry[cell]
        rows = [(np.flatnonzero(names == name), PUBLISHED[str(name)]) for name in np.unique(names) if name in PUBLISHED]
        return [(at, models, self.duty(cell[at], number[at])) for at, models in rows]

    def after(self, years: float | Floats, *, cell: Ints, number: Ints) -> Fade:
        """What years, one for all or shape (n,), leave of cells in packs of so many of them, shape (n,); not a number
        without a model."""
        out, days = np.full((4, len(cell)), np.nan), np.broadcast_to(years, len(cell)) * DAYS_PER_YEAR
        for at, models, duty in self._by_chemistry(cell, number):
            found = fade(models, duty, days=days[at])
            out[:, at] = found.capacity, found.harshest, found.mildest, found.rise
        return Fade(*out)

    def life_years(self, *, cell: Ints, number: Ints) -> Floats:
        """Years until 80 % of the capacity is left: middle, harshest, mildest published cell, shape (3, n).

        Minus infinity without a model: what can't be known meets no limit.
        """
        pairs, back = np.unique(np.column_stack([cell, number]), axis=0, return_inverse=True)
        out = np.full((3, len(pairs)), -np.inf)
        for at, models, duty in self._by_chemistry(pairs[:, 0], pairs[:, 1]):
            out[:, at] = days_until(models, duty) / DAYS_PER_YEAR
        return out[:, back.ravel()]

    def figures(self, *, cell: Ints, number: Ints, watt: Floats, cost: Floats) -> dict[str, Floats]:
        """Life of the cells until 80 % of their capacity, and what 1,000 km cost until then, pack and energy.

        cost per km = cost / life + price · energy / charger's efficiency. Of a cell without a published model
        nothing is known: its cost is infinite.

        Parameters
        ----------
        cell, number : ndarray of int, shape (n,)
            Cell, and cells in the pack.
        watt : ndarray, shape (n,)
            Mean of what the cells give over the lap, their own losses included, whatever stops the pack [W].
        cost : ndarray, shape (n,)
            Of the pack [currency].

        Returns
        -------
        dict of str to ndarray, shape (n,)
            life_years, life_years_least, life_years_most, life_km, cost_per_1000_km.
        """
        years = self.life_years(cell=cell, number=number)
        km = years[0] * self.km_per_year
        energy_cost = self.use.energy_price_per_kwh * watt * self.hours_per_km / 1e3 / self.use.charger_efficiency
        per_km = np.where(km > 0, cost / np.where(km > 0, km, 1.0) + energy_cost, np.inf)
        return {
            "life_years": years[0], "life_years_least": years[1], "life_years_most": years[2], "life_km": km,
            "cost_per_1000_km": 1e3 * per_km,
        }  # fmt: skip

    @property
    def km_per_year(self) -> float:
        """Distance in a year [km]."""
        return self.ride_km * self.use.rides_per_week * DAYS_PER_YEAR / DAYS_PER_WEEK


def wear_of(
    brief: Brief, *, ride: CompressedRide, vehicle_mass_kg: float, chemistry: npt.NDArray[np.str_],
    cell_kg: Floats, cell_wh: Floats,
) -> Wear | None:  # fmt: skip
    """How a brief uses its packs; None without [use]."""
    use = brief.use
    if use is None or brief.ride is None:
        return None
    window = max(use.charge_to_soc - brief.ride.reserve_soc, 0.01)
    return Wear(use, ride, vehicle_mass_kg, window, chemistry, cell_kg, cell_wh)
