"""Open-circuit voltage curves: a cell's own, its chemistry's from the user's folder, or a built-in one."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from optimizer.base.arrays import Floats
from optimizer.base.problems import BadInput, Problem, nearest
from optimizer.catalog.columns import Column, Columns, read_columns
from optimizer.catalog.tables import short

CURVE_COLUMNS = (
    Column("soc", zero=True),
    Column("ocv_v", low=0.5, high=6.0, ask="volts"),
    # dOCV/dT; ten times what published cells have is some other unit.
    Column("entropy_mv_per_k", needed=False, filled=False, signed=True, low=-5.0, high=5.0, default=0.0,
           ask="millivolts per kelvin"),
)  # fmt: skip


# Parts of the charge next to empty and to full in which a moved curve runs back to its ends [-].
EMPTY_PART, FULL_PART = 0.1, 0.05
BISECTIONS = 60


@dataclass(frozen=True, eq=False)
class OcvCurve:
    """Open-circuit voltage over state of charge.

    Parameters
    ----------
    name : str
        Chemistry, or the curve file's name.
    soc : ndarray, shape (n,)
        Rising from 0 to 1 [-].
    ocv_v : ndarray, shape (n,)
        Never falling [V].
    file, sha256 : str
        Where it came from, and the content hash.
    entropy_mv_per_k : ndarray, shape (n,), or None
        By how much the voltage rises with temperature [mV/K]; None where it is not given.
    """

    name: str
    soc: Floats
    ocv_v: Floats
    file: str
    sha256: str
    entropy_mv_per_k: Floats | None = None

    def entropy_v_per_k(self, soc: Floats) -> Floats:
        """Rise of the voltage with temperature at any state of charge, 0 where it is not given [V/K]."""
        if self.entropy_mv_per_k is None:
            return np.zeros_like(soc)
        return 1e-3 * np.interp(soc, self.soc, self.entropy_mv_per_k)

    def at(self, soc: Floats) -> Floats:
        """Voltage at any state of charge, linear between points [V]."""
        return np.interp(soc, self.soc, self.ocv_v)

    @property
    def mean_v(self) -> float:
        """Mean over the whole charge: energy per capacity without losses [V]."""
        return float(np.trapezoid(self.ocv_v, self.soc))

    def with_mean(self, mean_v: float) -> OcvCurve:
        """The curve moved so that its mean is another, such as the nominal voltage of a datasheet.

        V(z) = V₀(z) + δ · min(1, z/0.1, (1 − z)/0.05), held within the curve's ends and never falling with z; δ by
        bisection. The ends stay where they are; what lies between moves as one.

        Parameters
        ----------
        mean_v : float
            Energy over capacity [V]. Beyond what the ends allow, the nearest that they do.
        """
        soc = np.unique(np.concatenate([self.soc, [EMPTY_PART, 1.0 - FULL_PART]]))
        ocv = self.at(soc)
        part = np.minimum(np.minimum(1.0, soc / EMPTY_PART), (1.0 - soc) / FULL_PART)
        low, high = ocv[0] - ocv[-1], ocv[-1] - ocv[0]
        moved = ocv
        for _ in range(BISECTIONS):
            shift = 0.5 * (low + high)
            moved = np.maximum.accumulate(np.clip(ocv + shift * part, ocv[0], ocv[-1]))
            if float(np.trapezoid(moved, soc)) < mean_v:
                low = shift
            else:
                high = shift
        entropy = None if self.entropy_mv_per_k is None else np.interp(soc, self.soc, self.entropy_mv_per_k)
        return replace(self, soc=soc, ocv_v=moved, entropy_mv_per_k=entropy)


def builtin_catalogs() -> Path:
    """Folder of the catalogs that come with the program, installed or in a checkout."""
    package = Path(__file__).parents[1]
    installed = package / "catalogs"
    return installed if installed.is_dir() else package.parent / "catalogs"


def read_ocv(path: Path, *, name: str = "") -> OcvCurve:
    """Read one curve (CSV or Parquet with soc, ocv_v), called by the file's stem unless it is named.

    BadInput: codes of read_columns and soc-range, soc-order, ocv-falling, too-short.
    """
    parsed = read_columns(path, CURVE_COLUMNS, unique="")
    parsed.finish()
    _check_curve(parsed)
    parsed.finish()
    soc, ocv_v = parsed.numbers("soc"), parsed.numbers("ocv_v")
    given = "entropy_mv_per_k" in parsed.table.headers
    entropy = parsed.numbers("entropy_mv_per_k") if given else None
    return OcvCurve(name or path.stem, soc, ocv_v, str(path), parsed.sha256, entropy)


def _check_curve(parsed: Columns) -> None:
    soc, ocv_v = parsed.numbers("soc"), parsed.numbers("ocv_v")
    if soc.max() > 1.0:
        hint = "; is this in percent?" if soc.max() > 1.5 else ""
        parsed.complain("soc-range", int(np.argmax(soc)), "soc", soc.max(), f"must be within 0 and 1{hint}")
        return
    if len(soc) < 2:
        parsed.complain("too-short", 0, "soc", f"{len(soc)} rows", "must have at least two rows")
        return
    if soc[0] != 0.0 or soc[-1] != 1.0:
        parsed.complain("soc-range", 0, "soc", f"{soc[0]:g} to {soc[-1]:g}", "must run from 0 to 1")
    falls = np.concatenate([[False], np.diff(soc) <= 0])
    parsed.complain_where(falls, "soc-order", "soc", soc.tolist(), "must rise from row to row")
    drops = np.concatenate([[False], np.diff(ocv_v) < 0])
    parsed.complain_where(drops, "ocv-falling", "ocv_v", ocv_v.tolist(), "must not fall as soc rises")


def ocv_curve(chemistry: str, *, folder: Path | None = None) -> OcvCurve:
    """Curve of a chemistry such as "NMC": from the user's folder when it has one, else the built-in one.

    BadInput: code unknown-chemistry, or the faults of the file.
    """
    folders = [place for place in (folder, builtin_catalogs() / "ocv") if place is not None]
    found = next(_curve_files(folders, chemistry), None)
    if found is not None:
        return read_ocv(found, name=chemistry)
    known = sorted({path.stem for place in folders for path in _files(place)})
    near = next((name for name in known if name.lower() == chemistry.lower()), nearest(chemistry, known))
    hint = f'; is "{near}" meant?' if near else ""
    expected = f"has no OCV curve; known: {', '.join(known)}{hint}"
    place = str(folder or "built-in curves")
    raise BadInput([Problem("unknown-chemistry", place, "", "chemistry", short(chemistry), expected)])


def _files(folder: Path) -> list[Path]:
    if not folder.is_dir():
        return []
    return [path for path in sorted(folder.iterdir()) if path.suffix in (".csv", ".parquet")]


def _curve_files(folders: Iterable[Path], chemistry: str) -> Iterator[Path]:
    return (path for place in folders for path in _files(place) if path.stem == chemistry)
