"""cellstow: searches battery packs that fit given compartments and writes their Pareto front."""

__version__ = "0.14.0"
