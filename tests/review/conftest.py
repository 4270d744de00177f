"""Fixtures of the review room: the hand-made design and front."""

import importlib.util
from pathlib import Path

import pytest

_spec = importlib.util.spec_from_file_location("make_design", Path(__file__).with_name("make_design.py"))
assert _spec is not None
assert _spec.loader is not None
_module = importlib.util.module_from_spec(_spec)
_spec.loader.exec_module(_module)


@pytest.fixture(scope="session")
def make():
    """The module that builds designs and fronts by hand."""
    return _module


@pytest.fixture(scope="session")
def design():
    """18S3P in a tapered deck box and a stem box."""
    return _module.make_design()


@pytest.fixture
def front():
    """Sixty invented rows."""
    return _module.make_front()
