"""Results on disk by content: arrays under the hash of everything that they depend on.

Files are NumPy archives read without pickle, so a foreign file never runs code; each begins with its own name and
the hash of its content. Writes are atomic; a file that is cut short, changed or another's counts as absent and is
written anew. The folder is CELLSTOW_CACHE when set, otherwise the user's cache folder; the oldest files go when it
holds more than CAP_BYTES. "off" as the folder turns the cache off.
"""

from __future__ import annotations

import contextlib
import hashlib
import io
import os
import sys
import tempfile
import time
import zipfile
from collections.abc import Callable, Mapping
from dataclasses import fields, is_dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from optimizer.base.sources import fingerprint

Arrays = dict[str, NDArray[Any]]
CAP_BYTES = 256 * 1024 * 1024
MAGIC = b"cellstow cache 1 "

# Counting the folder takes a look at every file: it is done when this part of the cap has been written, and
# what is over the cap then goes with as much again.
COUNT_SHARE = 1 / 16

# A file that is older and still bears its temporary name was left by a process that was killed [s].
PART_S = 3600.0


def folder() -> Path | None:
    """Where cached results lie; None when the cache is turned off."""
    named = os.environ.get("CELLSTOW_CACHE", "")
    if named == "off":
        return None
    if named:
        return Path(named)
    if sys.platform == "win32":
        base = Path(os.environ.get("LOCALAPPDATA") or Path.home() / "AppData" / "Local")
    elif sys.platform == "darwin":
        base = Path.home() / "Library" / "Caches"
    else:
        base = Path(os.environ.get("XDG_CACHE_HOME") or Path.home() / ".cache")
    return base / "cellstow"


def key(kind: str, parts: object, *, module: str) -> str:
    """Hash of a kind of result, of all it depends on, and of the code that computes it.

    Parameters
    ----------
    kind : str
        Room that asks, such as "place".
    parts : object
        Numbers, strings, arrays, dataclasses, mappings and sequences of these, to any depth. Floats count
        to the last bit.
    module : str
        Module that computes: its source and all that it imports are part of the key, see sources.fingerprint,
        so that an improved program computes anew.

    Returns
    -------
    str
        64 hexadecimal digits.

    Raises
    ------
    ValueError
        For a part of another type: what cannot be told apart cannot be cached.
    """
    digest = hashlib.sha256(f"cellstow 2 {kind}\n{fingerprint(module)}\n".encode())
    _feed(digest, parts)
    return digest.hexdigest()


def _feed(digest: Any, part: object) -> None:
    """Add one part to a hash so that different parts never read the same."""
    if isinstance(part, np.ndarray):
        digest.update(f"array {part.dtype.str} {part.shape}\n".encode())
        digest.update(np.ascontiguousarray(part).tobytes())
    elif part is None or isinstance(part, (bool, int, str, np.integer)):
        text = str(int(part)) if isinstance(part, np.integer) else repr(part)
        digest.update(f"plain {len(text)} {text}\n".encode())
    elif isinstance(part, (float, np.floating)):
        digest.update(f"float {float(part).hex()}\n".encode())
    elif isinstance(part, bytes):
        digest.update(f"bytes {len(part)}\n".encode() + part)
    elif is_dataclass(part) and not isinstance(part, type):
        digest.update(f"record {type(part).__name__}\n".encode())
        _feed(digest, {field.name: getattr(part, field.name) for field in fields(part)})
    elif isinstance(part, Mapping):
        digest.update(f"mapping {len(part)}\n".encode())
        for name in sorted(part):
            _feed(digest, name)
            _feed(digest, part[name])
    elif isinstance(part, (list, tuple)):
        digest.update(f"sequence {len(part)}\n".encode())
        for item in part:
            _feed(digest, item)
    else:
        raise ValueError(f"cannot make a cache key from {type(part).__name__}")


def cached(
    kind: str, parts: object, compute: Callable[[], Arrays], *, enough: Callable[[Arrays], bool] | None = None
) -> Arrays:
    """Arrays that `compute` returns, from disk when they were computed before; kind and parts are those of `key`.

    It takes nothing and returns a dictionary of arrays (numbers, strings, no objects). The code that it may run is part
    of the key: the module in which it is written, and all that this imports. What is on disk is computed anew where
    `enough` does not hold of it.
    """
    base = folder()
    if base is None:
        return compute()
    name = key(kind, parts, module=compute.__module__)
    path = base / kind / f"{name}.npz"
    known = _read(path, name)
    if known is not None and (enough is None or enough(known)):
        return known
    fresh = compute()
    with contextlib.suppress(OSError):  # a cache that cannot be written costs time, never the result
        _note(base, _write(path, name, fresh))
    return fresh


def _head(name: str, content: bytes) -> bytes:
    return MAGIC + name.encode() + b" " + hashlib.sha256(content).hexdigest().encode()


def _read(path: Path, name: str) -> Arrays | None:
    """Arrays of a cache file, or None when there is none or it is not what was written under this name."""
    try:
        head, _, content = path.read_bytes().partition(b"\n")
    except OSError:
        return None
    if head != _head(name, content):
        return None
    try:
        with np.load(io.BytesIO(content), allow_pickle=False) as archive:
            return {name: archive[name] for name in archive.files}
    except (ValueError, KeyError, zipfile.BadZipFile):  # signed by somebody else
        return None


def _write(path: Path, name: str, arrays: Arrays) -> int:
    """Write under another name and move into place, so that a reader sees all or nothing; bytes written."""
    sink = io.BytesIO()
    np.savez(sink, **arrays)  # type: ignore[arg-type]
    content = sink.getvalue()
    content = _head(name, content) + b"\n" + content
    path.parent.mkdir(parents=True, exist_ok=True)
    handle, temporary = tempfile.mkstemp(dir=path.parent, suffix=".part")
    try:
        with os.fdopen(handle, "wb") as stream:
            stream.write(content)
        os.replace(temporary, path)
    except BaseException:
        with contextlib.suppress(OSError):
            os.unlink(temporary)
        raise
    return len(content)


# Bytes that each folder held when it was last counted, and those written since.
_held: dict[Path, list[float]] = {}


def _note(base: Path, size: int) -> None:
    """Take note of what was written, and make room when it is time."""
    held = _held.setdefault(base, [float("inf"), 0.0])
    held[1] += size
    if sum(held) > CAP_BYTES or held[1] > CAP_BYTES * COUNT_SHARE:
        held[:] = [_trim(base), 0.0]


def _trim(base: Path) -> int:
    """Remove the oldest files of a folder that is over its cap, and what killed processes left; bytes held then."""
    entries = []
    for path in base.glob("*/*"):
        with contextlib.suppress(OSError):
            entries.append((path, path.stat()))
    for path, stat in entries:
        if path.suffix == ".part" and time.time() - stat.st_mtime > PART_S:
            with contextlib.suppress(OSError):
                path.unlink()
    entries = [(path, stat) for path, stat in entries if path.suffix == ".npz"]
    total = sum(stat.st_size for _, stat in entries)
    if total <= CAP_BYTES:
        return total
    for path, stat in sorted(entries, key=lambda entry: entry[1].st_mtime):
        if total <= CAP_BYTES * (1 - COUNT_SHARE):
            break
        with contextlib.suppress(OSError):
            path.unlink()
        total -= stat.st_size
    return total
