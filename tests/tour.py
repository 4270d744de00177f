"""The library in cells, to be run from top to bottom, in an editor that knows `# %%` or by `python tests/tour.py`."""

# %% A brief as plain data: what TOML would hold. Tables are those of the demo, invented.
import tomllib

from optimizer import api
from optimizer.catalog import builtin_catalogs

folder = builtin_catalogs() / "briefs"
brief = tomllib.loads((folder / "quick-36v.toml").read_text(encoding="utf-8"))
brief["vary"] = {"cells": ["amber-21700-*"], "parallel": [2, 2]}
assert api.check(brief, folder=folder) == []

# %% How many cells fit, proven.
places = api.fit(brief, folder=folder)
print(places[["compartment", "cells", "layout", "least_gap_mm"]])

# %% The whole space, exactly, and its front as a frame.
space = api.load(brief, folder=folder)
found = api.search(space)
front = api.front(space, found)
print(front[["design_id", "cell_id", "range_km", "pack_mass_kg", "cost"]])

# %% A few that are good and differ.
picked = api.shortlist(space, front, count=2, weights={"range_km": 2, "cost": 1})
print(picked[["rank", "design_id", "range_km"]])

# %% One design as a whole pack, and why another one is not there.
design = api.unfold(space, dict(picked.iloc[0]))
print(design.bill[["item", "quantity", "cost"]])
answer = api.why(space, front, cell="amber-21700-e50", series=14)
print([reason.text for reason in answer.reasons])
