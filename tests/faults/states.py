"""What a disturbed run left in its folder."""

import json

import pandas as pd

FRONT = ("front.parquet", "front.csv", "run.json")


def state_of(out):
    """What a killed run left: "nothing", "begun" (to be resumed), or "complete"; never anything else.

    Every file that bears its own name must be whole.
    """
    if (out / "front.parquet").exists():
        pd.read_parquet(out / "front.parquet")
    if (out / "front.csv").exists():
        assert (out / "front.csv").read_bytes().endswith(b"\n")
        pd.read_csv(out / "front.csv")
    record = json.loads((out / "run.json").read_text()) if (out / "run.json").exists() else None
    if (out / "checkpoints" / "manifest.json").exists():
        return "begun"
    if record is not None and record["space"]["complete"]:
        return "complete"
    assert record is None and not any((out / name).exists() for name in FRONT)
    return "nothing"


def tasks_of(night):
    return json.loads((night.whole / "run.json").read_text())["tasks"]["all"]
