"""What a search has found, task by task, in files that a later run goes on from.

One file per task, written whole or not at all, with a hash of its content; a manifest says which brief, which
inputs and which version of the program they belong to.
"""

from __future__ import annotations

import hashlib
import io
import json
import shutil
import zipfile
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np

import optimizer
from optimizer.base.problems import BadInput, Problem
from optimizer.front.store import write_atomic
from optimizer.score.inputs import Inputs
from optimizer.search.exact.archive import Survivors
from optimizer.search.exact.tally import Tally

FOLDER = "checkpoints"
MANIFEST = "manifest.json"
MAGIC = b"cellstow checkpoint 1 "

# Rooms that only show results: changing them changes no front.
SHOWING = ("review", "commands")


@cache
def code_hash() -> str:
    """SHA-256 of the program's sources, those left out that only show results."""
    root = Path(optimizer.__file__).parent
    digest = hashlib.sha256()
    for path in sorted(root.rglob("*.py")):
        place = path.relative_to(root)
        if place.parts[0] not in SHOWING:
            digest.update(place.as_posix().encode() + b"\0" + path.read_bytes())
    return digest.hexdigest()


def run_key(inputs: Inputs) -> str:
    """Hash of all that a front depends on: the brief, every file it names, and the program."""
    parts = {"inputs": inputs.hashes(), "code": code_hash()}
    return hashlib.sha256(json.dumps(parts, sort_keys=True).encode()).hexdigest()


def encode(found: Survivors, tally: Tally) -> bytes:
    """A task's result as bytes that carry their own hash."""
    sink = io.BytesIO()
    np.savez_compressed(
        sink, names=found.names, numbers=found.numbers, objectives=found.objectives,
        tally=np.array(json.dumps(tally.as_dict())),
    )  # fmt: skip
    content = sink.getvalue()
    return MAGIC + hashlib.sha256(content).hexdigest().encode() + b"\n" + content


def decode(data: bytes) -> tuple[Survivors, Tally]:
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
            found = Survivors(parts["names"], parts["numbers"], parts["objectives"])
            counts = json.loads(str(parts["tally"]))
    except (KeyError, zipfile.BadZipFile) as wrong:
        raise ValueError(str(wrong)) from wrong
    return found, Tally.from_dict(counts)


@dataclass(frozen=True)
class Checkpoints:
    """Results of tasks in a run's folder.

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

    def save(self, task: int, content: bytes) -> None:
        """Keep a task's result, as `encode` gives it."""
        write_atomic(self._place / f"task-{task:06d}.npz", content)

    def check(self) -> None:
        """Raise BadInput unless the folder holds a search of these inputs to go on with; see `load`."""
        self._check(self._manifest())

    def load(self) -> dict[int, tuple[Survivors, Tally]]:
        """Results by task.

        Raises
        ------
        BadInput
            Code "no-run" when nothing was begun here, "other-run" when it was another brief, other inputs or
            another version, "corrupt-checkpoint" for every file that is damaged.
        """
        self.check()
        found, problems = {}, []
        for path in sorted(self._place.glob("task-*.npz")):
            try:
                found[int(path.stem.removeprefix("task-"))] = decode(path.read_bytes())
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
            manifest: dict[str, Any] = json.loads(path.read_text())
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
