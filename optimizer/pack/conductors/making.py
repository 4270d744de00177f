"""Ways of making plates, and what a brief asks of conductors, as far as geometry goes."""

from __future__ import annotations

from dataclasses import dataclass

STRIP, SHEET, BUSBAR, TABBED = "strip", "sheet", "busbar", "tabbed"


@dataclass(frozen=True, order=True)
class Way:
    """A way of making plates, as far as geometry goes.

    Parameters
    ----------
    form : str
        "strip", "sheet", "busbar" (one straight bar where terminals stand in a line), or "tabbed": sheet whose tabs are
        welded.
    width_mm : float
        Of strip, or of tabs; 0 for sheet [mm].
    layers : int
        Of strip that carries the pack current; sheets are stacked without a change of shape, so 1 there.
    tab : tuple of float
        Of tabs: conductance of a square over one of the sheet, and current per width that the sheet may carry over
        that of a tab [-].
    bar : tuple of float
        Of collectors at ends: width [mm], and the same of them over one layer of the plate, or over all layers of
        sheet [-]; empty without.
    """

    form: str
    width_mm: float
    layers: int
    tab: tuple[float, ...] = ()
    bar: tuple[float, ...] = ()

    @property
    def cut(self) -> bool:
        """Whether plates are cut from sheet."""
        return self.form in (SHEET, TABBED)

    @property
    def name(self) -> str:
        """Short name of the way in metrics."""
        more = "+" + "/".join(f"{value:g}" for value in self.bar) if self.bar else ""
        if self.form == TABBED:
            return "tabs" + "/".join(f"{value:g}" for value in (self.width_mm, *self.tab)) + more
        bar = "bar" if self.form == BUSBAR else ""
        return (SHEET if self.form == SHEET else f"{bar}{self.width_mm:g}x{self.layers}") + more

    @property
    def words(self) -> str:
        """What people read."""
        kind = "bar" if self.form == BUSBAR else "strip"
        more = f" with a collector of {self.bar[0]:g} mm at ends" if self.bar else ""
        if self.form == TABBED:
            return f"cut sheet with tabs of {self.width_mm:g} mm{more}"
        return ("cut sheet" if self.form == SHEET else f"{kind} of {self.width_mm:g} mm") + more


@dataclass(frozen=True)
class LayRules:
    """What the brief asks of conductors besides their gaps.

    Parameters
    ----------
    slots : bool
        Whether cases have slots for joints between layers.
    taps : int
        Places at which each lead is joined to its end plate, at least 1; fewer where an end has fewer neighbours.
    weld_slot_mm : float
        Length of the slot in sheet between the two spots of each weld of a round cell; 0: none [mm].
    """

    slots: bool = True
    taps: int = 1
    weld_slot_mm: float = 0.0


PLAIN = LayRules()
