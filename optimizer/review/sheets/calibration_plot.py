"""Picture of a calibration: heights measured and computed from energy, and what is left between them."""

from __future__ import annotations

from typing import Any

import numpy as np
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure

from optimizer.review.sheets.style import MM_PER_INCH, SERIES, SOFT, own_look, short_name, to_bytes
from optimizer.road.calibrate import Calibrated

# Logs that are drawn; more make the sheet too long.
MOST_LOGS = 4


def calibration_png(result: Calibrated) -> bytes:
    """A row of panels for each log as a PNG: height over the way, residuals with the noise that was found."""
    shown = min(len(result.tracks), MOST_LOGS)
    with own_look():
        figure = Figure(figsize=(180 / MM_PER_INCH, (60 * shown + 12) / MM_PER_INCH), layout="constrained")
        FigureCanvasAgg(figure)
        axes = figure.subplots(shown, 2, squeeze=False)
        for k in range(shown):
            _log(axes[k], result, k)
        names = ("cda_m2", "crr", "drivetrain_efficiency")
        told = [
            f"{name} {v.value:.4g}" + (f" ± {v.se:.2g}" if v.se is not None else " (kept)")
            for name in names
            if (v := result.values[name])
        ]
        figure.suptitle(", ".join(told), fontsize=8)
        return to_bytes(figure, kind="png", dpi=140)


def _log(axes: Any, result: Calibrated, k: int) -> None:
    """Both panels of one log."""
    track, left = result.tracks[k], result.residuals[k]
    way_km = np.concatenate([[0.0], np.cumsum(track.way_m)]) / 1000.0
    computed = np.where(track.seen, track.height_m, np.nan) - left
    height, rest = axes
    height.plot(way_km[track.seen], track.height_m[track.seen], ".", ms=1.2, color=SOFT, alpha=0.5, label="measured")
    piece = np.concatenate([[0], np.cumsum(track.lost)])
    # Each stretch between unknown steps is a line of its own.
    broken = np.where(np.concatenate([[0], np.diff(piece)]) > 0, np.nan, computed)
    height.plot(way_km, broken, color=SERIES[1], lw=1.0, label="from energy")
    height.set(xlabel="distance [km]", ylabel="height [m]")
    height.set_title(short_name(track.name), fontsize=7, loc="left")
    height.legend(frameon=False, loc="lower right", bbox_to_anchor=(1.0, 1.0), ncols=2, markerscale=4)
    rest.plot(way_km, left, ".", ms=1.2, color=SERIES[0])
    rest.axhline(0.0, color=SOFT, lw=0.6)
    noise = result.noise
    rest.set(xlabel="distance [km]", ylabel="residual [m]")
    rest.set_title(
        f"noise found: white {noise.white_m:.1f} m, drift {noise.drift_m:.1f} m in {noise.drift_s:.0f} s",
        fontsize=7,
        loc="left",
    )
