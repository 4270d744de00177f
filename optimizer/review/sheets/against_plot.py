"""Picture of prediction against log: voltage and power over time."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure

from optimizer.review.sheets.style import MM_PER_INCH, SERIES, own_look, short_name, to_bytes

MOST_LOGS = 4


def against_png(logs: Sequence[tuple[str, Any, Any, Any, Any]]) -> bytes:
    """A row for each log as a PNG: voltage logged and predicted [V], power logged and predicted [W], once a second."""
    shown = list(logs)[:MOST_LOGS]
    with own_look():
        figure = Figure(figsize=(180 / MM_PER_INCH, 62 * len(shown) / MM_PER_INCH), layout="constrained")
        FigureCanvasAgg(figure)
        grid = figure.subplots(len(shown), 2, squeeze=False)
        for (left, right), (name, volts, predicted, power, run) in zip(grid, shown, strict=True):
            minutes = np.arange(len(volts)) / 60.0
            left.plot(minutes, predicted, color=SERIES[1], lw=0.9, label="predicted")
            left.plot(minutes, volts, color=SERIES[0], lw=0.7, label="logged")
            left.set(xlabel="time [min]", ylabel="voltage [V]")
            left.set_title(short_name(name), loc="left", fontsize=7)
            left.legend(frameon=False, ncols=2, loc="lower right", bbox_to_anchor=(1.0, 1.0))
            right.plot(minutes, run.voltage_v * run.current_a, color=SERIES[1], lw=0.6)
            right.plot(minutes, power, color=SERIES[0], lw=0.5)
            right.set(xlabel="time [min]", ylabel="power [W]")
        return to_bytes(figure, kind="png", dpi=140)
