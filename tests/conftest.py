"""Settings of all tests."""

from hypothesis import settings

# The suite runs on shared machines: a slow example is no failure, and no example depends on the day.
settings.register_profile("house", deadline=None, derandomize=True)
settings.load_profile("house")
