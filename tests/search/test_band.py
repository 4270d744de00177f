"""The range's band in the front: against packs drawn cell by cell, the value inside."""

from dataclasses import replace

import numpy as np
import pytest

from optimizer.catalog import builtin_catalogs
from optimizer.pack.spread import Spread, draw_factors, normal_max_sd
from optimizer.score import band
from optimizer.score.context import with_own_cells
from optimizer.score.score import ridden
from optimizer.search.exact.rows import full_figures
from optimizer.search.running.run import search
from optimizer.search.space.setup import load_space


@pytest.fixture(scope="module")
def found():
    space = load_space(builtin_catalogs() / "briefs" / "quick-36v.toml")
    block = search(space).found.block()
    return space, block.take(np.linspace(0, len(block) - 1, 3).astype(int))


def test_the_value_is_inside_and_the_band_as_wide_as_the_models_error(found):
    space, block = found
    figures = full_figures(block, space=space)
    low, high = figures["range_km_p10"], figures["range_km_p90"]
    assert np.all(low < figures["range_km"]) and np.all(figures["range_km"] < high)
    # At 20 °C rides are held to 2 %, two standard errors; spread adds a little.
    half = (high - figures["range_km"]) / figures["range_km"]
    assert np.all(half > 1.28 * 0.01) and np.all(half < 1.28 * 0.015)


def test_situations_have_bands_of_their_own(found, tmp_path):
    """Wider in the cold, by the model's error there; of cells as old as there; the value inside."""
    _, block = found
    text = (builtin_catalogs() / "briefs" / "quick-36v.toml").read_text().replace("../", f"{builtin_catalogs()}/")
    text += "[use]\nrides_per_week = 5\n"
    text += '[[situation]]\nname = "frost"\ntemp_c = -10.0\n[[situation]]\nname = "old"\nyears = 4.0\n'
    path = tmp_path / "b.toml"
    path.write_text(text)
    here = load_space(path)
    figures = full_figures(block, space=here)
    wide = {}
    for name in ("frost", "old"):
        low, km, high = (figures[f"range_{end}_{name}"] for end in ("p10_km", "km", "p90_km"))
        assert np.all(low < km) and np.all(km < high)
        wide[name] = (high - km) / km
    assert np.all(wide["frost"] > 1.28 * 0.03) and np.all(wide["frost"] > 1.8 * wide["old"])


def test_spread_alone_is_that_of_drawn_packs(found, monkeypatch):
    """Without an error of the model, ten times the usual spread: the 10th and 90th percentile of 300 packs."""
    space, block = found
    monkeypatch.setattr(band, "MODEL_SE", (0.0,) * 4)
    context = replace(space.context, capacity_cv=0.03, dcir_cv=0.05)
    kg = full_figures(block, space=space)["pack_mass_kg"]
    fast = ridden(block, context=context, pack_mass_kg=kg).range_km
    known = {"range_km": fast, "fast_range_km": fast, "pack_mass_kg": kg}
    told = band.range_band(block, context=context, figures=known)
    drawn = draw_factors(Spread(capacity=0.03, dcir=0.05), series=block.series, parallel=block.parallel, draws=300)
    plain = replace(context, capacity_cv=0.0)
    many = replace(block, cell=np.arange(len(block)))
    km = np.array([
        ridden(many, context=with_own_cells(plain, block.cell, capacity=q, resistance=r), pack_mass_kg=kg).range_km
        for q, r in zip(drawn.capacity, drawn.resistance, strict=True)
    ])  # fmt: skip
    wide = np.percentile(km, 90.0, axis=0) - np.percentile(km, 10.0, axis=0)
    assert told["range_km_p90"] - told["range_km_p10"] == pytest.approx(wide, rel=0.2)


def test_the_spread_of_the_least_of_many():
    """Published: 1, √(1 − 1/π), √(1 + √3/(2π) − 9/(4π)), and 0.5251 for 20 (Harter; Teichroew 1956, from memory)."""
    three = np.sqrt(1.0 + np.sqrt(3.0) / (2.0 * np.pi) - 9.0 / (4.0 * np.pi))
    assert normal_max_sd([1, 2, 3]) == pytest.approx([1.0, np.sqrt(1.0 - 1.0 / np.pi), three], abs=1e-6)
    assert float(normal_max_sd(20)) == pytest.approx(0.5251, abs=5e-4)
