"""Settings of all tests."""

import signal

from hypothesis import settings

# A suite that a script starts in the background, or by nohup, inherits that signals are ignored; the tests send them.
for number, usual in ((signal.SIGINT, signal.default_int_handler), (signal.SIGHUP, signal.SIG_DFL)):
    if signal.getsignal(number) is signal.SIG_IGN:
        signal.signal(number, usual)

# The suite runs on shared machines: a slow example is no failure, and no example depends on the day.
settings.register_profile("house", deadline=None, derandomize=True)
settings.load_profile("house")


def pytest_collection_modifyitems(config, items):
    """Nightly tests run only when -m names them."""
    if "nightly" in config.getoption("markexpr"):
        return
    kept = [item for item in items if item.get_closest_marker("nightly") is None]
    if len(kept) < len(items):
        left = [item for item in items if item.get_closest_marker("nightly") is not None]
        config.hook.pytest_deselected(items=left)
        items[:] = kept
