"""What the sampled engine hands to Optuna and its storage: distributions, sampler, study, and packs as text."""

from __future__ import annotations

import base64
import io
import warnings
import zipfile
from typing import TYPE_CHECKING, Any

import numpy as np

from optimizer.base.problems import BadInput, Problem
from optimizer.brief import SearchRules
from optimizer.search.boxes.freedims import Boxes
from optimizer.search.exact import archive

if TYPE_CHECKING:
    import optuna
    from optuna.samplers import BaseSampler

# Packs of a box that the sampler is told.
TOLD = 4


def distributions(boxes: Boxes) -> dict[str, Any]:
    """Free dimensions as Optuna's distributions."""
    from optuna.distributions import FloatDistribution

    return {
        item.name: FloatDistribution(item.value(0), item.value(item.points - 1), step=item.step_mm)
        for item in boxes.free
    }


def new_sampler(rules: SearchRules, *, seed: int) -> BaseSampler:
    """The sampler that the brief asks for."""
    import optuna

    with Quiet():
        if rules.sampler == "nsga2":
            members = TOLD * max(5, min(12, rules.trials // 8))
            return optuna.samplers.NSGAIISampler(population_size=members, seed=seed)
        return optuna.samplers.TPESampler(seed=seed, multivariate=True, n_startup_trials=10)


def new_study(
    objectives: int, *, rules: SearchRules, seed: int, storage: Any = None, name: str | None = None
) -> optuna.Study:
    """A study of boxes, or the one of that name which the storage holds.

    Parameters
    ----------
    seed : int
        Processes that share a storage should not share it.
    storage : optuna storage, optional
    """
    import optuna

    optuna.logging.set_verbosity(optuna.logging.WARNING)
    return optuna.create_study(
        directions=["minimize"] * objectives,
        sampler=new_sampler(rules, seed=seed),
        storage=storage,
        study_name=name,
        load_if_exists=name is not None,
    )


class Quiet(warnings.catch_warnings):
    """Optuna warns of experimental arguments and of steps that floats can't hold exactly."""

    def __enter__(self) -> None:
        super().__enter__()
        warnings.simplefilter("ignore")


def packed(found: archive.Survivors) -> str:
    """Packs as text that a storage can keep, exact to the last bit."""
    stream = io.BytesIO()
    np.savez_compressed(stream, names=found.names, numbers=found.numbers, objectives=found.objectives)
    return base64.b64encode(stream.getvalue()).decode()


def unpacked(text: str) -> archive.Survivors:
    """Packs out of what `packed` made of them.

    Raises
    ------
    BadInput
        Code "corrupt-storage".
    """
    try:
        with np.load(io.BytesIO(base64.b64decode(text)), allow_pickle=False) as held:
            return archive.Survivors(held["names"], held["numbers"], held["objectives"])
    except (ValueError, KeyError, OSError, EOFError, zipfile.BadZipFile) as wrong:
        problem = Problem("corrupt-storage", "storage", expected="holds packs that can't be read")
        raise BadInput([problem]) from wrong


