"""Cache: same content same file, different content another; damage is repaired; nothing is run from it."""

import os
from pathlib import Path

import numpy as np
import pytest

from optimizer.base import cache
from optimizer.fit.region.layout import CellSize


@pytest.fixture
def store(tmp_path, monkeypatch):
    monkeypatch.setenv("CELLSTOW_CACHE", str(tmp_path / "store"))
    return tmp_path / "store"


def files(store: Path) -> list[Path]:
    return sorted(store.rglob("*"), key=str)


def test_the_second_call_reads_what_the_first_wrote(store):
    calls = []

    def compute():
        calls.append(1)
        return {"a": np.arange(3.0), "name": np.array("rows")}

    first = cache.cached("t", ("x", 1.5), compute)
    second = cache.cached("t", ("x", 1.5), compute)
    assert len(calls) == 1
    assert np.array_equal(first["a"], second["a"])
    assert str(second["name"]) == "rows"
    cache.cached("t", ("x", np.nextafter(1.5, 2)), compute)
    assert len(calls) == 2


@pytest.mark.parametrize("damage", [b"", b"nonsense", b"PK\x03\x04 half a file"])
def test_a_damaged_entry_is_written_anew(store, damage):
    cache.cached("t", 1, lambda: {"a": np.ones(2)})
    (path,) = store.rglob("*.npz")
    path.write_bytes(damage)
    assert np.array_equal(cache.cached("t", 1, lambda: {"a": np.ones(2)})["a"], np.ones(2))
    assert cache._read(path, path.stem)["a"].sum() == 2


def test_a_pickle_in_the_cache_is_never_loaded(store):
    cache.cached("t", 1, lambda: {"a": np.ones(2)})
    (path,) = store.rglob("*.npz")
    with path.open("wb") as stream:
        np.savez(stream, a=np.array([{"run": "me"}], dtype=object))
    assert np.array_equal(cache.cached("t", 1, lambda: {"a": np.zeros(1)})["a"], np.zeros(1))


def test_writes_leave_no_parts_behind_and_survive_a_folder_that_cannot_be(store, monkeypatch):
    cache.cached("t", 1, lambda: {"a": np.ones(2)})
    assert [p for p in files(store) if p.suffix == ".part"] == []
    blocked = store / "file"
    blocked.write_text("in the way")
    monkeypatch.setenv("CELLSTOW_CACHE", str(blocked))
    assert cache.cached("t", 1, lambda: {"a": np.ones(2)})["a"].sum() == 2


def test_off_keeps_nothing(store, monkeypatch):
    monkeypatch.setenv("CELLSTOW_CACHE", "off")
    cache.cached("t", 1, lambda: {"a": np.ones(2)})
    assert not store.exists()


def test_the_oldest_go_when_the_cap_is_reached(store, monkeypatch):
    monkeypatch.setattr(cache, "CAP_BYTES", 30_000)
    for k in range(5):
        cache.cached("t", k, lambda: {"a": np.ones(1000)})
        path = store / "t" / f"{cache.key('t', k)}.npz"
        os.utime(path, (k, k))
    assert len(list(store.rglob("*.npz"))) == 3
    assert (store / "t" / f"{cache.key('t', 4)}.npz").exists()


def test_different_parts_have_different_keys():
    size = CellSize("cylinder", length_mm=65.0, diameter_mm=18.0)
    parts = [1, 1.0, "1", True, None, (1,), ((1,),), [1, 1], ("11",), ("1", "1"), size, {"a": 1}, np.ones(1)]
    keys = [cache.key("t", part) for part in parts]
    assert len(set(keys)) == len(parts)
    assert cache.key("t", (1, 2)) == cache.key("t", [1, 2])
    assert cache.key("t", 1) != cache.key("u", 1)
    assert cache.key("t", 1) != cache.key("t", 1, code=("optimizer.base.cache",))
    with pytest.raises(ValueError, match="cache key"):
        cache.key("t", object())
