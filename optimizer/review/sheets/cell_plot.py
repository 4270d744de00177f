"""Plot of a fitted cell: curves and fit, OCV, resistances, and the predicted runs."""

from __future__ import annotations

import io
from typing import TYPE_CHECKING, Any

import numpy as np

from optimizer.cell.model import pulse_resistance_ohm
from optimizer.cell.steps import run_constant

if TYPE_CHECKING:
    from optimizer.cell.characterize import Characterized


def fit_png(result: Characterized) -> bytes:
    """Four panels as a PNG: discharge curves, resistances, predicted voltage over time, and over charge."""
    from matplotlib.figure import Figure

    figure = Figure(figsize=(12, 8), layout="constrained")
    axes = figure.subplots(2, 2)
    _curves(axes[0, 0], result)
    _resistances(axes[0, 1], result)
    _runs(axes[1, 0], axes[1, 1], result)
    temps = ", ".join(f"{temp_c:g}" for temp_c in _temps_c(result))
    figure.suptitle(f"{result.fit.model.name}: {result.fit.model.capacity_ah:.3g} Ah, fitted at {temps} °C")
    buffer = io.BytesIO()
    figure.savefig(buffer, format="png", dpi=110, metadata={"Software": None})
    return buffer.getvalue()


def _temps_c(result: Characterized) -> list[float]:
    """Temperatures of curves and pulses, the warmest first [°C]."""
    return sorted({c.temp_c for c in result.curves} | {p.temp_c for p in result.pulses}, reverse=True)


def _curves(axes: Any, result: Characterized) -> None:
    """Measured rows as dots, the model as lines, the OCV dashed."""
    model = result.fit.model
    for number, curve in enumerate(result.curves):
        colour = f"C{number}"
        axes.plot(curve.capacity_ah, curve.voltage_v, ".", color=colour, markersize=3)
        run = run_constant(model, current_a=curve.current_a, temp_c=curve.temp_c)
        axes.plot(
            run.time_s * curve.current_a / 3600,
            run.voltage_v,
            color=colour,
            lw=1.2,
            label=f"{curve.current_a:.3g} A, {curve.temp_c:g} °C",
        )
    axes.plot((1 - model.soc) * model.capacity_ah, model.ocv_v, "k--", lw=0.8, label="OCV")
    axes.set(xlabel="capacity [Ah]", ylabel="voltage [V]", title="discharge curves: rows as dots, fit as lines")
    axes.legend(frameon=False, fontsize=8)


def _resistances(axes: Any, result: Characterized) -> None:
    """R0 and DCIR at 10 s over state of charge at each temperature, with the pulses as dots."""
    model = result.fit.model
    inner = (model.soc > 0.03) & (model.soc < 0.99)
    for number, temp_c in enumerate(_temps_c(result)):
        colour = f"C{number}"
        for seconds, label, style in ((0.1, "R0 (0.1 s)", "--"), (10.0, "DCIR (10 s)", "-")):
            ohm = pulse_resistance_ohm(model, seconds=seconds, temp_c=temp_c)
            label = f"{label}, {temp_c:g} °C"
            axes.plot(model.soc[inner], 1000 * ohm[inner], style, color=colour, lw=1.2, label=label)
        for pulse in (p for p in result.pulses if p.temp_c == temp_c):
            milliohm = 1000 * pulse.drop_v / pulse.current_a
            axes.plot(np.full(len(milliohm), pulse.soc), milliohm, "o", color=colour, markersize=4)
    axes.set(
        xlabel="state of charge [-]",
        ylabel="resistance [mΩ]",
        title=f"resistance at {model.reference_current_a:.3g} A; pulses as dots",
    )
    axes.set_ylim(bottom=0)
    axes.legend(frameon=False, fontsize=8, ncols=len(_temps_c(result)))


def _runs(over_time: Any, over_charge: Any, result: Characterized) -> None:
    """Predicted runs and charges; those that extrapolate are dashed."""
    for prediction in result.predictions:
        run, style = prediction.run, "--" if prediction.extrapolates else "-"
        label = prediction.case + (" (extrapolates)" if prediction.extrapolates else "")
        charge = np.concatenate(
            [[0.0], np.cumsum(np.diff(run.time_s) * 0.5 * (run.current_a[1:] + run.current_a[:-1]))]
        )
        over_time.plot(run.time_s / 60, run.voltage_v, style, lw=0.9, label=label)
        over_charge.plot(charge / 3600, run.voltage_v, style, lw=0.9, label=label)
    over_time.set(xlabel="time [min]", ylabel="voltage [V]", title="predicted")
    over_charge.set(xlabel="capacity given off, or taken up [Ah]", ylabel="voltage [V]", title="predicted")
    if result.predictions:
        over_time.legend(frameon=False, fontsize=8)
    else:
        for axes in (over_time, over_charge):
            axes.text(0.5, 0.5, "no case asked for", ha="center", transform=axes.transAxes)
