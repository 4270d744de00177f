"""What a space is worked on in, tasks, and what its compartments offer to them."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, ClassVar

from optimizer.search.space.fills import Fill

if TYPE_CHECKING:
    from optimizer.search.space.space import Space


@dataclass(frozen=True)
class Task:
    """All packs of one cell size with P cells in parallel, whose parts lie as one of the space's stands has them."""

    size: int
    parallel: int
    stand: int = 0


class Offering:
    """What compartments offer to a space: all that fits. A space of another kind has another offer."""

    # Whether boxes that hold the same layout share its chain, see FillRules.
    shared_chains: ClassVar[bool] = False

    def fills(self, space: Space, room: int, task: Task) -> list[Fill]:
        """Fills of one compartment for a task."""
        return space.found_fills(room, task)

    def most_cells(self, space: Space, size: int, stand: int) -> list[int]:
        """Most cells of a size that each compartment holds."""
        return space.held_cells(size, stand)

    def worth(self, task: Task) -> bool:
        """Whether anything of a task is laid out."""
        return True
