"""Settings of all tests."""

import signal
from pathlib import Path

import pytest
from hypothesis import settings

# A suite that a script starts in the background, or by nohup, inherits that signals are ignored; the tests send them.
for number, usual in ((signal.SIGINT, signal.default_int_handler), (signal.SIGHUP, signal.SIG_DFL)):
    if signal.getsignal(number) is signal.SIG_IGN:
        signal.signal(number, usual)

# The suite runs on shared machines: a slow example is no failure, and no example depends on the day.
settings.register_profile("house", deadline=None, derandomize=True)
settings.load_profile("house")


# Tests of defects that are known and open, one id a line with its cause behind "#".
OPEN = [line.split("#")[0].strip() for line in Path(__file__).with_name("open.txt").read_text().splitlines()]


def pytest_collection_modifyitems(config, items):
    """Tests of open defects are expected to fail; nightly tests run only when -m names them."""
    for item in items:
        if any(name and item.nodeid.startswith(name) for name in OPEN):
            item.add_marker(pytest.mark.xfail(reason="a known defect, see tests/open.txt", strict=False))
    if "nightly" in config.getoption("markexpr"):
        return
    kept = [item for item in items if item.get_closest_marker("nightly") is None]
    if len(kept) < len(items):
        left = [item for item in items if item.get_closest_marker("nightly") is not None]
        config.hook.pytest_deselected(items=left)
        items[:] = kept
