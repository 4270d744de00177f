"""What heat crosses around a cell in its printed case, as the case is drawn: to the next cell, and outwards.

All ways are taken to run straight across, each height for itself: less conducts so than in the full field, by 5 to 10 %
(tests/pack/test_webs.py, finite elements of the section), so that estimates are on the warm side.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from optimizer.base.arrays import Floats
from optimizer.pack.case.outline import FUSED_MM, CaseRules
from optimizer.pack.thermal.convection import AIR_W_PER_M_K

#: Of printed PETG; 0.2 to 0.29 in resin data sheets (from memory) [W/(m K)].
PLASTIC_W_PER_M_K = 0.25
#: Heights across half a cell at which ways are summed, even in the angle.
WAYS = 96


@dataclass(frozen=True)
class Webs:
    """A cylindrical cell in its case.

    Cell and bore share their middle: play is all around, a contact gap that every way crosses.

    Parameters
    ----------
    diameter_mm, length_mm : float
        Of the cell; for a block, the diameter of equal girth.
    case : CaseRules
    fill_w_per_m_k, ends_w_per_m_k, cover_w_per_m_k : float
        Of what is between cell and print, over the cells' ends, and of covers: air, or what is poured in; air, or
        pads; print, or metal [W/(m K)].
    """

    diameter_mm: float
    length_mm: float
    case: CaseRules
    fill_w_per_m_k: float = AIR_W_PER_M_K
    ends_w_per_m_k: float = AIR_W_PER_M_K
    cover_w_per_m_k: float = PLASTIC_W_PER_M_K

    @property
    def _heights(self) -> tuple[Floats, Floats]:
        """Heights over the line of centres and their widths, from 0 to the radius [mm]."""
        edges = np.sin(np.linspace(0.0, np.pi / 2.0, WAYS + 1)) * self.diameter_mm / 2.0
        return (edges[1:] + edges[:-1]) / 2.0, np.diff(edges)

    def _reach(self, more_mm: float) -> Floats:
        """How far a circle so much larger than the cell reaches at each height [mm]."""
        return np.asarray(np.sqrt((self.diameter_mm / 2.0 + more_mm) ** 2 - self._heights[0] ** 2))

    def _sum(self, m2_k_per_w: Floats) -> Floats:
        """Conductance of ways side by side, heights last [W/K]."""
        return np.asarray(2.0 * self.length_mm * 1e-6 * (self._heights[1] / m2_k_per_w).sum(axis=-1))

    def _series(self, open_mm: Floats, solid_mm: Floats) -> Floats:
        """Resistance of what is filled and what is printed, one behind the other [m² K/W]."""
        return np.asarray(1e-3 * (open_mm / self.fill_w_per_m_k + solid_mm / PLASTIC_W_PER_M_K))

    def between_w_k(self, gap_mm: ArrayLike) -> Floats:
        """From a cell to its neighbour in the same case.

        G = 2 L ∫ dy / (2 (open/k_fill + printed/k_plastic)), y from 0 to the radius; open and printed up to the plane
        midway: play, ring as far as it reaches, what is left. Rings that don't meet have a tie, two ribs wide.

        Parameters
        ----------
        gap_mm : array_like, shape (m,)
            Surface to surface, at least 0 [mm].

        Returns
        -------
        ndarray, shape (m,)
            [W/K]
        """
        gap = np.asarray(gap_mm, float)[..., None]
        half = (self.diameter_mm + gap) / 2.0
        cell, bore = self._reach(0.0), np.minimum(self._reach(self.case.play_mm), half)
        solid = np.zeros(np.broadcast_shapes(half.shape, bore.shape))
        if self.case.webbed:
            solid = np.minimum(self._reach(self.case.ring_mm), half) - bore
            tied = (gap > 2.0 * self.case.ring_mm - FUSED_MM) & (self._heights[0] <= self.case.rib_mm)
            solid = np.where(tied, half - bore, solid)
        return self._sum(2.0 * self._series(half - cell - solid, solid))

    def _outwards(self) -> Floats:
        """From the cell to the outside of the wall beside it [m² K/W]; bores cut into the wall where rings are."""
        radius = self.diameter_mm / 2.0
        face, cell = radius + self.case.tie_mm + self.case.case_mm, self._reach(0.0)
        if not self.case.webbed:
            wall = np.full_like(cell, self.case.case_mm)
            # The frame's wall begins behind play and room for ties.
            return self._series(np.maximum(face - cell - wall, self.case.play_mm), wall)
        bore, ring = self._reach(self.case.play_mm), self._reach(self.case.ring_mm)
        solid = np.where(ring >= radius, face - bore, ring - bore + self.case.case_mm)
        return self._series(face - cell - solid, solid)

    def across_w_k(self, gap_mm: ArrayLike) -> Floats:
        """From a cell through two walls and the air between to one of another case, shape (m,) [W/K].

        gap_mm: wall to wall, above 0.
        """
        air = np.asarray(gap_mm, float)[..., None] * 1e-3 / AIR_W_PER_M_K
        return self._sum(2.0 * self._outwards() + air)

    def side_w_k(self, outside_w_m2_k: ArrayLike) -> Floats:
        """From a cell through the wall beside it to the compartment's, by the coefficient between them [W/K]."""
        return self._sum(self._outwards() + 1.0 / np.asarray(outside_w_m2_k, float)[..., None])

    def _end(self) -> Floats:
        """From a cell's end through what is left of its end gap and the cover [m² K/W]."""
        rim = max(self.case.rim_mm, 0.1) / self.ends_w_per_m_k
        return np.asarray(1e-3 * (rim + self.case.cover_mm / self.cover_w_per_m_k))

    def end_w_k(self, outside_w_m2_k: ArrayLike, *, area_mm2: float) -> Floats:
        """From a cell's end through its cover to the compartment's wall, by the coefficient between them [W/K]."""
        return np.asarray(area_mm2 * 1e-6 / (self._end() + 1.0 / np.asarray(outside_w_m2_k, float)))

    def stacked_w_k(self, gap_mm: ArrayLike, *, area_mm2: float) -> Floats:
        """From a cell's end through two covers and the air between, at least 0 wide, to the next one's end [W/K]."""
        air = np.asarray(gap_mm, float) * 1e-3 / AIR_W_PER_M_K
        return np.asarray(area_mm2 * 1e-6 / (2.0 * self._end() + air))
