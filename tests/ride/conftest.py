"""Fixtures of the ride room: invented cells, laps and packs."""

import importlib.util
from pathlib import Path

import pytest

_spec = importlib.util.spec_from_file_location("ride_samples", Path(__file__).with_name("ride_samples.py"))
assert _spec is not None
assert _spec.loader is not None
_module = importlib.util.module_from_spec(_spec)
_spec.loader.exec_module(_module)


@pytest.fixture(scope="session")
def samples():
    """The module that makes cells, laps and packs."""
    return _module


@pytest.fixture(scope="session")
def town_ride():
    """A lap through town, whole and compressed."""
    return _module.town_ride()
