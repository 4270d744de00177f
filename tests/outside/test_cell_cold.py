"""The cell over temperature against PyBaMM's DFN (second implementation) at temperatures and loads not fitted.

Aims and errors of all sets: python -m tests.bench.bench_cold. Mohtat2020 stands here since its fit is the quickest
that sees every part of the model; a bound looser than an aim is regression only.
"""

import pytest

from optimizer.cell.fit import fit_model
from optimizer.cell.laws import PARTS
from tests.outside.cold import LIMITS, judged, read

# Ten-second powers of currents up to twenty times the fitted ones: aim 8 %, regression only.
PEAK = 0.26


@pytest.mark.slow
def test_rides_and_charges_in_the_cold_are_met():
    curves, pulses = read("Mohtat2020")
    fit = fit_model(curves, pulses=pulses)
    found = list(judged("Mohtat2020", fit.model))
    assert {kind for _, _, kind, _ in found} == {"ride", "peak", "charge"}
    for temp_c, case, kind, error in found:
        most = PEAK if kind == "peak" else LIMITS[kind](temp_c)
        assert abs(error) <= most, (temp_c, case)
    # The rest voltage of this set rises by 0.8 mV/K at 80 %, and the data tell the law of one charge transfer.
    assert fit.model.entropic_v_k is not None and abs(fit.model.entropic_v_k[800]) > 5e-4
    assert {"kinetic", "kinetic_fast"} & set(fit.fitted_laws) and set(fit.fitted_laws) <= set(PARTS)
