"""Picture of a ride: speed, height and estimated power over the way."""

from __future__ import annotations

import numpy as np
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure

from optimizer.base.arrays import Floats
from optimizer.review.sheets.style import MM_PER_INCH, SERIES, SOFT, own_look, to_bytes


def ride_png(
    *, way_km: Floats, speed_kmh: Floats, height_m: Floats, power_w: Floats, title: str, power_of: str,
    raw_km: Floats | None = None, raw_height_m: Floats | None = None,
) -> bytes:  # fmt: skip
    """Three panels over the distance.

    Parameters
    ----------
    way_km, speed_kmh, height_m : ndarray, shape (n,)
        [km], [km/h], [m]
    power_w : ndarray, shape (n - 1,)
        [W]
    power_of : str
        For which vehicle the power was estimated.
    raw_km, raw_height_m : ndarray, optional
        Heights as the log has them [km], [m].

    Returns
    -------
    bytes
        PNG.
    """
    with own_look():
        figure = Figure(figsize=(180 / MM_PER_INCH, 120 / MM_PER_INCH), layout="constrained")
        FigureCanvasAgg(figure)
        speed, height, power = figure.subplots(3, 1, sharex=True)
        speed.plot(way_km, speed_kmh, color=SERIES[0], lw=0.8)
        speed.set_ylabel("speed [km/h]")
        speed.set_ylim(bottom=0)
        if raw_km is not None and raw_height_m is not None and np.isfinite(raw_height_m).any():
            height.plot(raw_km, raw_height_m, ".", color=SOFT, ms=1.2, alpha=0.4, label="log")
            height.plot(way_km, height_m, color=SERIES[2], lw=1.1, label="smoothed")
            height.legend(loc="lower right", bbox_to_anchor=(1.0, 0.97), ncols=2, frameon=False, markerscale=4)
        else:
            height.plot(way_km, height_m, color=SERIES[2], lw=1.1)
        height.set_ylabel("height [m]")
        power.plot(0.5 * (way_km[1:] + way_km[:-1]), power_w, color=SERIES[1], lw=0.6)
        power.axhline(0.0, color=SOFT, lw=0.6)
        power.set_ylabel("power [W]")
        power.set_xlabel("distance [km]")
        power.set_title(power_of, fontsize=6.5, loc="left", color=SOFT)
        figure.suptitle(title, fontsize=8)
        return to_bytes(figure, kind="png", dpi=140)
