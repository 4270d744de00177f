"""Every example in a docstring does what it says."""

import doctest
import importlib
import pkgutil

import pytest

import optimizer

NAMES = sorted(
    info.name
    for info in pkgutil.walk_packages(optimizer.__path__, "optimizer.")
    if not info.name.endswith("__main__") and ".catalogs" not in info.name
)


@pytest.mark.parametrize("name", NAMES)
def test_examples(name):
    module = importlib.import_module(name)
    assert doctest.testmod(module).failed == 0
