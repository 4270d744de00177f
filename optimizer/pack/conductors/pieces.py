"""Pieces of metal in the plane of a face, and the metal of one site."""

from __future__ import annotations

from dataclasses import dataclass, field

import shapely

from optimizer.base.arrays import Floats, Ints


class CannotLay(Exception):
    """No way of laying this strip on a site; the argument says why, in words."""


@dataclass(frozen=True, eq=False)
class Piece:
    """One piece of metal of a plate.

    Parameters
    ----------
    outline_mm : ndarray, shape (k, 2)
        Closed outline in the plane of the face [mm].
    layers : int
    width_mm, length_mm : float
        As cut; of a sheet those of the rectangle it is cut from [mm].
    welds : ndarray of int
        Rows of the site's cells that are welded through it.
    windows_mm : tuple of ndarray, shape (m, 2)
        Closed contours cut out of it [mm].
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

    @property
    def is_tab(self) -> bool:
        """Whether it is a tab of another metal on the plate."""
        return self.conduct != 1.0

    @property
    def contours_mm(self) -> list[Floats]:
        """Its outline, then its windows [mm]."""
        return [self.outline_mm, *self.windows_mm]

    @property
    def shape(self) -> shapely.Polygon:
        """Its metal seen from outside."""
        return shapely.Polygon(self.outline_mm, list(self.windows_mm))


@dataclass(frozen=True, eq=False)
class Metal:
    """The metal of one site.

    Parameters
    ----------
    weld_mm : ndarray, shape (m, 2)
        Middle of the welds of each cell [mm].
    tap_mm : ndarray, shape (t, 2)
        Where leads are joined; none between groups [mm].
    pieces : tuple of Piece
    sections : tuple of ndarray, shape (2, 2)
        Cuts through the metal at which its mean density is taken, from edge to edge [mm].
    """

    weld_mm: Floats
    tap_mm: Floats
    pieces: tuple[Piece, ...]
    sections: tuple[Floats, ...] = field(default=())
