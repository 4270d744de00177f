"""Pieces of metal in the plane of a face, and the metal of one site."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field, replace
from functools import cached_property

import numpy as np
import shapely

from optimizer.base.arrays import Floats, Ints

# Digits behind the point of a millimetre to which moved copies are equal.
_DIGITS = 6


def rounded(values: Floats) -> Floats:
    """Positions as moved copies share them [mm]."""
    return np.asarray(np.round(values, _DIGITS) + 0.0)


class CannotLay(Exception):
    """No way of laying this strip on a site; the argument says why, in words."""


class TooShort(CannotLay):
    """No way of laying a collector here, where the row has too few cells for one."""


@dataclass(frozen=True, eq=False)
class Piece:
    """One piece of metal of a plate.

    Parameters
    ----------
    outline_mm : ndarray, shape (k, 2)
        Closed outline in the plane of the face [mm].
    width_mm, length_mm : float
        As cut; of a sheet those of the rectangle it is cut from [mm].
    welds : ndarray of int
        Rows of the site's cells that are welded through it.
    windows_mm : tuple of ndarray, shape (m, 2)
        Closed contours cut out of it [mm].
    slots_mm : tuple of ndarray, shape (m, 2)
        Those that part the two spots of a weld: the terminal joins both sides of them again [mm].
    conduct : float
        Of a square of it over one of the plate's own metal; 1 but for tabs of another [-].
    """

    outline_mm: Floats
    layers: int
    width_mm: float
    length_mm: float
    welds: Ints
    windows_mm: tuple[Floats, ...] = ()
    conduct: float = 1.0
    slots_mm: tuple[Floats, ...] = ()

    @property
    def is_tab(self) -> bool:
        """Whether it is a tab of another metal on the plate."""
        return self.conduct != 1.0

    @property
    def contours_mm(self) -> list[Floats]:
        """Its outline, then its windows and slots [mm]."""
        return [self.outline_mm, *self.holes_mm]

    @property
    def holes_mm(self) -> tuple[Floats, ...]:
        """Its windows and slots [mm]."""
        return (*self.windows_mm, *self.slots_mm)

    @property
    def shape(self) -> shapely.Polygon:
        """Its metal seen from outside."""
        return shapely.Polygon(self.outline_mm, list(self.holes_mm))


    def mapped(self, move: Callable[[Floats], Floats]) -> Piece:
        """The same piece with its points moved."""
        windows, slots = (tuple(move(hole) for hole in holes) for holes in (self.windows_mm, self.slots_mm))
        return replace(self, outline_mm=move(self.outline_mm), windows_mm=windows, slots_mm=slots)


@dataclass(frozen=True, eq=False)
class Collector:
    """A straight bar over the plate at an end, joined to it between the cells.

    Parameters
    ----------
    piece : Piece
        Of the bar, with a window over each weld; `conduct` over the plate's own metal.
    joints_mm : ndarray, shape (n, 2)
        Where it is joined to the plate, along the row [mm].
    lead : int
        The one of them at which the lead is joined to both.
    dense : float
        Current per width that one layer of the plate may carry over that of the bar [-].
    sections : tuple of ndarray, shape (2, 2)
        Cuts through the bar beside its windows [mm].
    """

    piece: Piece
    joints_mm: Floats
    lead: int
    dense: float
    sections: tuple[Floats, ...]

    def mapped(self, move: Callable[[Floats], Floats]) -> Collector:
        """The same bar with its points moved."""
        sections = tuple(move(section) for section in self.sections)
        return replace(self, piece=self.piece.mapped(move), joints_mm=move(self.joints_mm), sections=sections)


@dataclass(frozen=True, eq=False)
class Metal:
    """The metal of one site.

    Parameters
    ----------
    weld_mm : ndarray, shape (m, 2)
        Middle of the welds of each cell [mm].
    tap_mm : ndarray, shape (t, 2)
        Where leads are joined; none between groups [mm].
    sections : tuple of ndarray, shape (2, 2)
        Cuts through the metal at which its mean density is taken, from edge to edge [mm].
    like : Metal, optional
        That it is a moved copy of, where that is known.
    """

    weld_mm: Floats
    tap_mm: Floats
    pieces: tuple[Piece, ...]
    sections: tuple[Floats, ...] = field(default=())
    bar: Collector | None = None
    like: Metal | None = field(default=None, repr=False)

    @cached_property
    def home(self) -> Metal:
        """The same with its first weld at the origin, equal for all that are moved copies."""
        if self.like is not None:
            return self.like.home
        moved = self.mapped(lambda points: rounded(points - self.weld_mm[0]))
        pieces = tuple(
            replace(p, width_mm=float(rounded(np.array(p.width_mm))), length_mm=float(rounded(np.array(p.length_mm))))
            for p in moved.pieces
        )
        return replace(moved, pieces=pieces)

    @cached_property
    def key(self) -> bytes:
        """Equal for moved copies alone."""
        if self.like is not None:
            return self.like.key
        home = self.home
        parts = [home.weld_mm, home.tap_mm, *(c for p in home.drawn for c in p.contours_mm), *home.sections]
        sizes = [(p.layers, p.width_mm, p.length_mm, p.conduct, len(p.windows_mm), len(p.slots_mm)) for p in home.drawn]
        bar = () if home.bar is None else (home.bar.lead, home.bar.dense, home.bar.joints_mm.tobytes())
        return b"|".join([*(part.tobytes() for part in parts), repr((sizes, bar)).encode()])

    @property
    def drawn(self) -> tuple[Piece, ...]:
        """All its pieces, the collector last."""
        return self.pieces if self.bar is None else (*self.pieces, self.bar.piece)

    def mapped(self, move: Callable[[Floats], Floats]) -> Metal:
        """The same metal with its points moved."""
        return Metal(
            move(self.weld_mm), move(self.tap_mm), tuple(piece.mapped(move) for piece in self.pieces),
            tuple(move(section) for section in self.sections), None if self.bar is None else self.bar.mapped(move),
        )  # fmt: skip
