"""The front of a search over boxes: re-scored like any front, each row with the box it belongs to."""

from __future__ import annotations

import numpy as np
import pandas as pd

from optimizer.front.pareto import nondominated, signed, thin
from optimizer.search.boxes.freedims import Boxes
from optimizer.search.exact import archive, rows


def front_of(found: archive.Survivors, *, boxes: Boxes) -> pd.DataFrame:
    """All packs found, re-scored and merged into one front.

    Parameters
    ----------
    found : Survivors
        Names end with the box.

    Returns
    -------
    DataFrame
        As rows.table, with a column dim_<name> for each free dimension [mm] behind the choices.
    """
    free = boxes.free
    any_space = boxes.space(tuple(0 for _ in free))
    objectives = boxes.inputs.brief.objectives
    steps = [objectives.resolution.get(name, 0.0) for name in objectives.use]
    kept = found.by_name()
    kept = kept.take(thin(kept.objectives, resolution=steps))
    each = kept.names[:, kept.names.shape[1] - len(free) :]
    frames = []
    for key in np.unique(each, axis=0):
        here = np.flatnonzero((each == key).all(axis=1))
        # Each in its own box: how cells warm depends on its walls.
        space = boxes.space(tuple(key.tolist()))
        frame = rows.table(*rows.rescored(kept.take(here), space=space), space=space)
        at = list(frame.columns).index(rows.PLACED if rows.PLACED in frame else "fuse") + 1
        for item, k in zip(free, key, strict=True):
            frame.insert(at, item.column, item.value(int(k)))
            at += 1
        frames.append(frame)
    if not sum(map(len, frames)):
        return rows.table(*rows.rescored(kept.take(slice(0)), space=any_space), space=any_space)
    whole = pd.concat([frame for frame in frames if len(frame)], ignore_index=True)
    # All columns up to the box: what a design consists of.
    whole["design_id"] = rows.design_ids(whole.iloc[:, 1:at])
    points = signed({name: whole[name].to_numpy() for name in objectives.use}, objectives=objectives.use)
    front = nondominated(points)
    whole, points = whole.iloc[front].reset_index(drop=True), points[front]
    order = np.lexsort((whole["design_id"].to_numpy(dtype=str), *points.T[::-1]))
    return whole.iloc[order].reset_index(drop=True)
