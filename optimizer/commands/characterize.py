"""`cellstow characterize`: a cell's model from its datasheet curves, and what it does under other loads."""

from __future__ import annotations

import json
from pathlib import Path
from typing import TYPE_CHECKING

import click

if TYPE_CHECKING:
    from optimizer.cell.characterize import Characterized, ChargePrediction


@click.command("characterize")
@click.argument("curves", type=click.Path(path_type=Path))
@click.option(
    "--pulses", type=click.Path(path_type=Path), help="CSV: soc, current_a, time_s, voltage_before_v, voltage_v."
)
@click.option(
    "--predict",
    "profiles",
    multiple=True,
    type=click.Path(path_type=Path),
    metavar="PROFILE.csv",
    help="Power profile (time_s, power_w; discharge positive), linear between rows, repeated to the cut-off.",
)
@click.option("--current", "currents_a", multiple=True, type=float, metavar="A", help="Constant current from full.")
@click.option("--power", "powers_w", multiple=True, type=float, metavar="W", help="Constant power from full.")
@click.option(
    "--charge",
    "charges_a",
    multiple=True,
    type=float,
    metavar="A",
    help="Charge from rest at --start-soc: at A, then at the full voltage down to 0.05C.",
)
@click.option("--temp-c", default=25.0, show_default=True, metavar="C", help="Temperature of all predictions.")
@click.option(
    "--heat-capacity-j-k",
    type=float,
    metavar="C",
    help="With --cooling-w-k: the cell starts at --temp-c, warms by its own heat and cools to air at --temp-c.",
)
@click.option("--cooling-w-k", type=float, metavar="H", help="Heat to the air for each kelvin above it.")
@click.option("--peak-seconds", type=float, metavar="S", help="Length of the power pulses; 10 unless given.")
@click.option(
    "--peak-soc",
    "peak_socs",
    metavar="SOC,SOC,...",
    help="Most constant power from rest at these states of charge; 0.8,0.5,0.2 with --peak-seconds.",
)
@click.option(
    "--start-soc",
    default=1.0,
    show_default=True,
    metavar="SOC",
    help="State of charge at which profiles and charges start; constant loads always start from full.",
)
@click.option(
    "--cutoff",
    "cutoff_v",
    type=float,
    metavar="V",
    help="Where to stop; the least voltage of the curves unless given.",
)
@click.option(
    "--rated-ah",
    type=float,
    metavar="AH",
    help="Capacity of the catalog row; curves more than 15 % beyond it are refused.",
)
@click.option("--name", help="Id of the catalog row; the name of the curve file unless given.")
@click.option("--chemistry", default="", help="For the catalog row: NMC, NCA, LFP, LTO, Na-ion.")
@click.option(
    "--out", type=click.Path(path_type=Path), help="Output folder; NAME-cell in the current folder unless given."
)
@click.option("--force", is_flag=True, help="Replace files in an output folder that is there.")
@click.option("--json", "as_json", is_flag=True, help="Print JSON instead of text.")
@click.option("-q", "--quiet", is_flag=True, help="Write the files, print nothing.")
def command(
    curves: Path,
    pulses: Path | None,
    profiles: tuple[Path, ...],
    currents_a: tuple[float, ...],
    powers_w: tuple[float, ...],
    charges_a: tuple[float, ...],
    temp_c: float,
    heat_capacity_j_k: float | None,
    cooling_w_k: float | None,
    peak_seconds: float | None,
    peak_socs: str | None,
    start_soc: float,
    cutoff_v: float | None,
    rated_ah: float | None,
    name: str | None,
    chemistry: str,
    out: Path | None,
    force: bool,
    as_json: bool,
    quiet: bool,
) -> None:
    """Fit a cell's model to the discharge curves in CURVES (CSV: current_a, capacity_ah, voltage_v).

    Two or more constant currents, each from full. A column temp_c (25 where it is left out) tells the cell's
    temperature, here and in the pulses. Writes the catalog row, its OCV curve and a plot, reports the fit error
    per curve, and predicts constant currents, constant powers, profiles and charges, in that order.
    """
    from optimizer.base.files import free_path
    from optimizer.cell.characterize import CharacterizeRequest, characterize, read_socs
    from optimizer.workflows.characterize import check_folder, output_files, write_folder

    cell = name or curves.stem
    folder = out if out is not None else free_path(Path(f"{cell}-cell"), folder=True)
    if out is not None:
        check_folder(out, force=force)
    result = characterize(
        CharacterizeRequest(
            curves=curves,
            pulses=pulses,
            currents_a=currents_a,
            powers_w=powers_w,
            charges_a=charges_a,
            temp_c=temp_c,
            heat_capacity_j_k=heat_capacity_j_k,
            cooling_w_k=cooling_w_k,
            peak_seconds=10.0 if peak_seconds is None else peak_seconds,
            peak_socs=read_socs(peak_socs, usual=peak_seconds is not None),
            profiles=profiles,
            start_soc=start_soc,
            cutoff_v=cutoff_v,
            rated_ah=rated_ah,
            name=cell,
            chemistry=chemistry,
        )
    )
    write_folder(folder, output_files(result))
    if as_json:
        click.echo(json.dumps(result.record(), indent=2, ensure_ascii=False, allow_nan=False))
    elif not quiet:
        click.echo(text(result))
    if not quiet:
        click.echo(f"Written to {folder}", err=True)


def text(result: Characterized) -> str:
    """What people read: fit errors, predictions and notes."""
    from optimizer.cell.characterize import ChargePrediction
    from optimizer.cell.fit_record import dcir_ohm

    model = result.fit.model
    lines = [
        f"{model.name}: {model.capacity_ah:.4g} Ah, {model.voltage_min_v:.3f} to {model.voltage_max_v:.3f} V, "
        f"DCIR {1000 * dcir_ohm(model):.4g} mohm (10 s, {model.reference_current_a:.3g} A, half charge)",
        "",
        "fit, curve           voltage rms  largest  capacity   energy",
    ]
    lines += [
        f"{e.current_a:9.4g} A {e.temp_c:4.4g} °C {e.voltage_rms_mv:8.1f} mV {e.voltage_max_mv:5.0f} mV"
        f" {100 * e.capacity_error:+8.2f} % {100 * e.energy_error:+7.2f} %"
        for e in result.fit.curves
    ]
    lines += [
        f"pulse at {100 * p.soc:.0f} %, {p.current_a:.4g} A, {p.temp_c:.4g} °C, {p.time_s:g} s: "
        f"drop {100 * p.drop_error:+.1f} %"
        for p in result.fit.pulses
    ]
    for p in result.predictions:
        if isinstance(p, ChargePrediction):
            lines.append(charge_line(p))
            continue
        laps = p.run.lap_min_voltage_v
        lines.append(
            f"{p.case}: {p.run.energy_wh:.4g} Wh, {p.run.capacity_ah:.4g} Ah, {p.run.duration_s:.0f} s, "
            f"lowest in the first of {len(laps)} lap(s) {laps[0]:.3f} V"
            + beyond(p.extrapolates)
        )
    lines += [
        f"power for {result.peak_seconds:g} s at {100 * p.soc:g} %: {p.power_w:.4g} W" + beyond(p.extrapolates)
        for p in result.peaks
    ]
    return "\n".join(lines + [f"note: {note}" for note in result.notes])


def charge_line(prediction: ChargePrediction) -> str:
    """One charge as people read it."""
    early = prediction.charge_80_min
    words = "ends below 80 %" if early is None else f"80 % after {early:.0f} min"
    done = f"{prediction.case}: {words}, done after {prediction.run.minutes:.0f} min"
    return done + beyond(prediction.extrapolates)


def beyond(extrapolates: bool) -> str:
    """What a line of a prediction ends with where the data do not reach."""
    return " -- EXTRAPOLATES beyond the curves and pulses" if extrapolates else ""


if __name__ == "__main__":
    command()
