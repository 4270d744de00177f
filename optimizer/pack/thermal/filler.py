"""What is poured or laid between cells and box so that heat leaves them more easily."""

from __future__ import annotations

from dataclasses import dataclass

#: Of plates of an aluminium alloy such as 5754 (data sheets give 125 to 150; from memory) [W/(m K)].
PLATE_W_PER_M_K = 130.0
#: Part of the surfaces that a compound wets and pads touch (common practice, no published source).
TOUCHED = 0.9
#: Along a cell, so that its middle is warmer than its cooled ends (20 to 30 in the literature; from memory) [W/(m K)].
ALONG_W_PER_M_K = 20.0
POTTING, PADS, PLATE = "potting", "pads", "plate"


@dataclass(frozen=True)
class Filler:
    """One of [[thermal.filler]].

    Parameters
    ----------
    name : str
    kind : str
        POTTING fills all that is open around the cells in their case. PADS fill the room over the ends of the cells and
        the gap from the covers to the wall. PLATE does so, too, with covers of aluminium in the place of printed ones.
    conductivity_w_m_k : float
        Of what is poured in, or of the pads [W/(m K)].
    reach_mm : float
        Widest gap to a wall that a pad bridges [mm].
    """

    name: str
    kind: str
    conductivity_w_m_k: float
    reach_mm: float

    @property
    def around_w_m_k(self) -> float | None:
        """Of what is between cells and print; None where that is air [W/(m K)]."""
        return TOUCHED * self.conductivity_w_m_k if self.kind == POTTING else None

    @property
    def ends_w_m_k(self) -> float | None:
        """Of what lies over the cells' ends, and before the wall; None where that is air [W/(m K)]."""
        return None if self.kind == POTTING else TOUCHED * self.conductivity_w_m_k
