"""Invented cells, rides and packs for the ride's tests and bench."""

from __future__ import annotations

import numpy as np

from optimizer.ride.bins import CompressedRide, compress
from optimizer.ride.kernels.cells import CellArrays
from optimizer.ride.load.drivetrain import Drivetrain
from optimizer.ride.load.roadload import RideSteps, Vehicle, ride_steps
from optimizer.ride.load.trace import Trace, trace_from_arrays
from optimizer.ride.range import PackBlock

SOC = np.linspace(0.0, 1.0, 51)

# Shapes of OCV over SoC: layered oxide with graphite, iron phosphate with graphite (invented, smooth).
OXIDE = 3.35 + 0.72 * SOC + 0.13 * SOC**8 - 0.85 * np.exp(-SOC / 0.035)
PHOSPHATE = 3.22 + 0.11 * SOC + 0.27 * SOC**40 - 1.0 * np.exp(-SOC / 0.03)


def cells(count: int = 12, *, seed: int = 1) -> CellArrays:
    """Invented cells, energy to power type, half layered oxide and half iron phosphate."""
    rng = np.random.default_rng(seed)
    phosphate = np.arange(count) % 2 == 1
    capacity = rng.uniform(2.0, 6.0, count)
    dcir = rng.uniform(0.03, 0.16, count) / capacity
    rise = 1.0 + 0.8 * np.exp(-SOC / 0.08)
    return CellArrays(
        ocv_v=np.where(phosphate[:, None], PHOSPHATE, OXIDE),
        r0_ohm=np.outer(0.65 * dcir, rise),
        r1_ohm=np.outer(0.35 * dcir, rise),
        r2_ohm=np.outer(rng.uniform(0.2, 0.6, count) * dcir, rise),
        capacity_ah=capacity,
        tau1_s=rng.choice([3.0, 5.0], count),
        tau2_s=rng.choice([60.0, 200.0], count),
        lag_s=rng.uniform(20.0, 150.0, count),
        lag_tau_s=rng.choice([60.0, 150.0], count),
        voltage_min_v=np.where(phosphate, 2.0, 2.6),
        voltage_max_v=np.where(phosphate, 3.6, 4.2),
        activation_k=rng.uniform(1500.0, 3500.0, count),
        reference_temp_c=np.full(count, 25.0),
    )


VEHICLE = Vehicle(
    cda_m2=0.6, crr=0.012, drivetrain=Drivetrain(0.8, 0.5, 8.0),
    rotating_factor=1.05, density_kg_m3=1.2,
)  # fmt: skip


def town(*, hill: float = 0.06) -> Trace:
    """An invented lap of 600 s: starts and stops, a hill up and down, a fast stretch."""
    time = np.arange(0.0, 601.0)
    speed = np.interp(
        time,
        [0, 8, 60, 66, 80, 90, 200, 206, 215, 225, 330, 340, 352, 365, 470, 480, 500, 508, 590, 600],
        [0, 22, 22, 0, 0, 25, 25, 0, 0, 18, 18, 25, 25, 32, 32, 0, 0, 20, 20, 0],
    )
    at = [0, 225, 230, 325, 330, 340, 345, 470, 475, 600]
    grade = np.interp(time, at, [0, 0, hill, hill, 0, 0, -1, -1, 0, 0])
    way = np.diff(time) * 0.5 * (speed[1:] + speed[:-1])
    up, down = np.where(grade > 0, grade, 0.0), np.where(grade < 0, grade, 0.0)
    mid = lambda x: 0.5 * (x[1:] + x[:-1])  # noqa: E731
    # The way down is as high as the way up, so that the lap closes.
    down = down * (mid(np.sin(np.arctan(up))) @ way) / (mid(-down) @ way)
    return trace_from_arrays(time, speed_kmh=speed, grade_pct=100.0 * (up + down))


def packs(ride: CompressedRide, count: int, *, seed: int = 2, warm: bool = True) -> PackBlock:
    """Random packs of 7…20 in series that suit a cargo scooter: 300…1500 Wh, sag from slight to too much."""
    rng = np.random.default_rng(seed)
    cell = rng.integers(0, ride.cells.count, count)
    series = rng.integers(10, 21, count)
    energy = rng.uniform(300.0, 1500.0, count)
    parallel = np.maximum(np.round(energy / (3.5 * series * ride.cells.capacity_ah[cell])), 1).astype(int)
    return PackBlock(
        cell=cell,
        series=series,
        parallel=parallel,
        extra_resistance_ohm=rng.uniform(0.005, 0.06, count),
        total_mass_kg=rng.uniform(ride.mass_min_kg, ride.mass_max_kg, count),
        current_limit_a=rng.uniform(40.0, 80.0, count),
        charge_current_limit_a=rng.uniform(5.0, 20.0, count),
        air_temp_c=rng.uniform(-5.0, 35.0, count),
        thermal_resistance_k_w=rng.uniform(8.0, 25.0, count) if warm else 0.0,
        heat_capacity_j_k=rng.uniform(45.0, 70.0, count),
    )


def town_ride(
    *, mass_min_kg: float = 110.0, mass_max_kg: float = 150.0, hill: float = 0.06
) -> tuple[RideSteps, CompressedRide]:
    """The lap through town, whole and compressed."""
    steps = ride_steps(town(hill=hill), vehicle=VEHICLE)
    return steps, compress(steps, cells=cells(), mass_min_kg=mass_min_kg, mass_max_kg=mass_max_kg)
