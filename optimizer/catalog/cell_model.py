"""File of a fitted cell's model, beside its OCV curve: numbers as JSON, checked for shape and finite values.

`cellstow characterize` writes it, the catalog's column `model` names it; what the numbers mean stands at
`optimizer.cell.model.CellModel`, whose fields have the same names.
"""

from __future__ import annotations

import hashlib
import json
from pathlib import Path
from typing import Annotated, Any

from pydantic import BaseModel, ConfigDict, Field, ValidationError, model_validator

from optimizer.base.problems import BadInput, Problem
from optimizer.catalog.tables import read_bounded

MOST_BYTES = 2 << 20
POINTS = (11, 2001)
Number = Annotated[float, Field(allow_inf_nan=False)]
Positive = Annotated[float, Field(gt=0, allow_inf_nan=False)]
Table = Annotated[list[Number], Field(min_length=POINTS[0], max_length=POINTS[1])]
Positives = Annotated[list[Positive], Field(min_length=POINTS[0], max_length=POINTS[1])]
Energy = Annotated[float, Field(ge=0, le=200_000)]
Energies = Annotated[list[Energy], Field(min_length=7, max_length=7)]
Bends = Annotated[list[Annotated[float, Field(ge=-20, le=20)]], Field(min_length=7, max_length=7)]


class CellModelFile(BaseModel):
    """Fields of a fitted model; tables over even states of charge from 0 to 1."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    capacity_ah: Positive
    ocv_v: Positives
    ocv_fast_v: Table
    r_ohmic_ohm: Positive
    exchange_a: Positives
    exchange_fast_a: Positives | None = None
    r1_ohm: Table
    r2_ohm: Table
    entropic_v_k: Table | None = None
    tau1_s: Positive
    tau2_s: Positive
    diffusion_slow_s: Positive
    diffusion_fast_s: Positive
    current_limit_a: Positive
    reference_current_a: Positive
    current_fitted_a: Positive
    follow: Annotated[float, Field(ge=0, le=1)] = 0.0
    limit_slope: Annotated[float, Field(ge=-10, le=10)] = 0.0
    depletion: Annotated[float, Field(gt=0, lt=1)] = 0.9
    drying: Annotated[float, Field(gt=0, le=1)] = 1.0
    early_rate: Positive | None = None
    pore_share: Annotated[float, Field(ge=0, le=1)] = 0.0
    slow_steep: Annotated[float, Field(ge=-20, le=20)] = 0.0
    fast_steep: Annotated[float, Field(ge=-20, le=20)] = 0.0
    energy_j_mol: Energies
    bend: Bends

    @model_validator(mode="after")
    def _one_grid(self) -> CellModelFile:
        tables = [v for v in vars(self).values() if isinstance(v, list) and v not in (self.energy_j_mol, self.bend)]
        if len({len(table) for table in tables}) != 1:
            raise ValueError("all tables must have the same length")
        if any(b < a for a, b in zip(self.ocv_v, self.ocv_v[1:], strict=False)):
            raise ValueError("ocv_v must not fall with state of charge")
        if min(self.r1_ohm + self.r2_ohm) < 0:
            raise ValueError("r1_ohm and r2_ohm must not be negative")
        return self


def read_cell_model(path: Path) -> tuple[CellModelFile, str]:
    """A model file and its SHA-256; BadInput: missing-file, unreadable-file, too-large, bad-model."""
    data = read_bounded(path, most=MOST_BYTES)
    try:
        record: Any = json.loads(data.decode("utf-8"))
        return CellModelFile.model_validate(record), hashlib.sha256(data).hexdigest()
    except (UnicodeDecodeError, json.JSONDecodeError, RecursionError) as error:
        raise BadInput([Problem("bad-model", str(path), found=str(error)[:80], expected="must be JSON")]) from None
    except ValidationError as error:
        raise BadInput([
            Problem("bad-model", str(path), "", ".".join(map(str, one["loc"])), str(one["input"])[:60], one["msg"])
            for one in error.errors()[:10]
        ]) from None  # fmt: skip
