"""What a search has found, slice by slice, in files that a later run goes on from.

Each file holds the slices that ended within a moment; it is written whole or not at all, with a hash of its content.
A manifest says which brief, which inputs and which version of the program they belong to.
"""

from __future__ import annotations

import hashlib
import io
import json
import math
import shutil
import time
import zipfile
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np

import optimizer
from optimizer.base.problems import BadInput, Problem
from optimizer.base.sources import code_hash
from optimizer.front.store import write_atomic
from optimizer.score.inputs import Inputs
from optimizer.search.exact.archive import Survivors
from optimizer.search.exact.tally import Tally

Found = tuple[Survivors, Tally]
ARRAYS = ("names", "numbers", "objectives")

FOLDER = "checkpoints"
MANIFEST = "manifest.json"
MAGIC = b"cellstow checkpoint 2 "

# Results wait so long for others before they are written [s]: a kill costs no more than that.
EVERY_S = 0.25

def run_key(inputs: Inputs) -> str:
    """Hash of all that a front depends on: the brief, every file it names, and the program."""
    parts = {"inputs": inputs.hashes(), "code": code_hash()}
    return hashlib.sha256(json.dumps(parts, sort_keys=True).encode()).hexdigest()


def encode(results: Mapping[int, Found]) -> bytes:
    """Results of slices by number, as bytes that carry their own hash."""
    sink, found = io.BytesIO(), [survivors for survivors, _ in results.values()]
    parts = {name: np.concatenate([getattr(each, name) for each in found]) for name in ARRAYS}
    tallies = json.dumps([tally.as_dict() for _, tally in results.values()])
    np.savez(sink, number=list(results), rows=list(map(len, found)), tallies=np.array(tallies), **parts)  # type: ignore[arg-type]
    content = sink.getvalue()
    return MAGIC + hashlib.sha256(content).hexdigest().encode() + b"\n" + content


def decode(data: bytes) -> dict[int, Found]:
    """What `encode` made bytes of.

    Raises
    ------
    ValueError
        If the bytes are cut short or changed.
    """
    head, _, content = data.partition(b"\n")
    if head != MAGIC + hashlib.sha256(content).hexdigest().encode():
        raise ValueError("content and hash differ")
    try:
        with np.load(io.BytesIO(content), allow_pickle=False) as parts:
            cuts = np.cumsum(parts["rows"])[:-1]
            arrays = zip(*(np.split(parts[name], cuts) for name in ARRAYS), strict=True)
            numbers, tallies = parts["number"].tolist(), json.loads(str(parts["tallies"]))
    except (KeyError, zipfile.BadZipFile) as wrong:
        raise ValueError(str(wrong)) from wrong
    return {
        number: (Survivors(*each), Tally.from_dict(tally))
        for number, each, tally in zip(numbers, arrays, tallies, strict=True)
    }


@dataclass
class Checkpoints:
    """Results of slices in a run's folder.

    Parameters
    ----------
    folder : Path
        The run's.
    key : str
        See `run_key`.
    inputs : mapping of str to str
        Hash of each input, to say which one changed.
    """

    folder: Path
    key: str
    inputs: Mapping[str, str]
    _waiting: dict[int, Found] = field(default_factory=dict, repr=False)
    _written_s: float = field(default=-math.inf, repr=False)

    @property
    def _place(self) -> Path:
        return self.folder / FOLDER

    def begin(self) -> None:
        """Start anew: whatever results lie here are removed."""
        self.clear()
        manifest = {"key": self.key, "inputs": dict(self.inputs), "code": code_hash(), "version": optimizer.__version__}
        write_atomic(self._place / MANIFEST, (json.dumps(manifest, indent=2) + "\n").encode())

    def clear(self) -> None:
        """Remove all results; the front that stands in the folder is all that is needed then."""
        shutil.rmtree(self._place, ignore_errors=True)

    def add(self, number: int, found: Survivors, tally: Tally) -> None:
        """Keep a slice's result; it is written at once, or with others that end within a moment."""
        self._waiting[number] = found, tally
        if time.monotonic() - self._written_s >= EVERY_S:
            self.flush()

    def flush(self) -> None:
        """Write the results that wait."""
        if self._waiting:
            write_atomic(self._place / f"task-{min(self._waiting) + 1:06d}.npz", encode(self._waiting))
            self._waiting, self._written_s = {}, time.monotonic()

    def check(self) -> None:
        """Raise BadInput unless the folder holds a search of these inputs to go on with; see `load`."""
        self._check(self._manifest())

    def load(self) -> dict[int, Found]:
        """Results by number.

        Raises
        ------
        BadInput
            Code "no-run" when nothing was begun here, "other-run" when it was another brief, other inputs or
            another version, "corrupt-checkpoint" for every file that is damaged.
        """
        self.check()
        found: dict[int, Found] = {}
        problems = []
        for path in sorted(self._place.glob("task-*.npz")):
            try:
                found |= decode(path.read_bytes())
            except (OSError, ValueError) as wrong:
                expected = "cannot be read; delete this file, and --resume searches this part again"
                problems.append(Problem("corrupt-checkpoint", str(path), expected=expected, found=str(wrong)))
        if problems:
            raise BadInput(problems)
        return found

    def _manifest(self) -> dict[str, Any]:
        path = self._place / MANIFEST
        if not path.exists():
            expected = "holds no unfinished search; leave out --resume to begin one"
            raise BadInput([Problem("no-run", str(self.folder), expected=expected)])
        try:
            manifest: dict[str, Any] = json.loads(path.read_text(encoding="utf-8"))
            return {"key": manifest["key"], "inputs": dict(manifest["inputs"]), "code": manifest["code"]}
        except (OSError, ValueError, KeyError, TypeError) as wrong:
            expected = "cannot be read; begin anew with --force"
            raise BadInput([Problem("corrupt-checkpoint", str(path), expected=expected, found=str(wrong))]) from wrong

    def _check(self, manifest: dict[str, Any]) -> None:
        if manifest["key"] == self.key:
            return
        before = manifest["inputs"]
        changed = sorted(k for k in before.keys() | self.inputs.keys() if before.get(k) != self.inputs.get(k))
        if manifest["code"] != code_hash():
            changed.append("the program")
        expected = "was begun with other inputs; choose another --out, or begin anew with --force"
        found = "changed: " + ", ".join(changed)
        raise BadInput([Problem("other-run", str(self.folder), expected=expected, found=found)])
