"""The pinned pack: one that exists or is fancied, scored beside the front."""

from __future__ import annotations

import numpy as np
import pandas as pd

from optimizer.front import balanced
from optimizer.rescoring import scored
from optimizer.restricted import Asked, restricted_space
from optimizer.search.run import search
from optimizer.search.space import Space


def asked_of_pin(space: Space) -> Asked | None:
    """What the brief's [pin] chooses; None without one."""
    pin = space.brief.pin
    return None if pin is None else Asked(**pin.model_dump())


def pinned_space(space: Space) -> Space | None:
    """The space of what the pin leaves open, in which its row can be unfolded; None without a [pin].

    The whole space may know better layouts than the pinned one and not offer it.
    """
    asked = asked_of_pin(space)
    return None if asked is None else restricted_space(space.inputs, asked, constraints=False)


def pinned_row(space: Space) -> pd.DataFrame | None:
    """The brief's pinned pack as a row of the front, whether it meets the constraints or not.

    What the pin leaves open is searched exactly: of the packs that meet every constraint (of all, where none
    does) the one whose largest normalised loss against the best of each objective is least.

    Parameters
    ----------
    space : Space
        Of the whole brief.

    Returns
    -------
    DataFrame or None
        One row with the columns of the front; None without a [pin], or where no pack of it can be built
        (`optimizer.why` tells the reason).

    Raises
    ------
    BadInput
        When the pin names what no catalog or compartment knows.
    """
    asked = asked_of_pin(space)
    return None if asked is None else best_row(space, asked)


def best_row(space: Space, asked: Asked) -> pd.DataFrame | None:
    """The balanced pack among those that leave open only what is not asked for, see `pinned_row`."""
    for constraints in (True, False):
        part = restricted_space(space.inputs, asked, constraints=constraints)
        found = search(part, workers=1).found
        if len(found):
            row = found.take(np.array([balanced(found.objectives)]))
            return scored(row, space=part, constraints=dict(space.brief.constraints))
    return None
