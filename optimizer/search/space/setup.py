"""From a brief on disk to a space that can be searched."""

from __future__ import annotations

from pathlib import Path

from optimizer.cell.default import cell_models
from optimizer.score.context import build_context
from optimizer.score.inputs import Inputs, load_inputs
from optimizer.search.space.space import Space


def load_space(path: Path | str) -> Space:
    """Read a brief with everything it names and get its space ready.

    Raises
    ------
    BadInput
        With every problem found.
    """
    return make_space(load_inputs(path))


def make_space(inputs: Inputs) -> Space:
    """The space of inputs already read."""
    models = cell_models(inputs.cells, inputs.cell_rows, ageing=inputs.brief.ageing)
    context = build_context(
        inputs.brief,
        cells=inputs.cells,
        rows=inputs.cell_rows,
        models=models,
        trace=inputs.ride,
        chargers=inputs.chargers,
        traces=inputs.rides,
    )
    return Space(inputs, context)
