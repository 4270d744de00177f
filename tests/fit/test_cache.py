"""Cache: same content same file, different content another; damage is repaired; nothing is run from it."""

import os
import time
from pathlib import Path

import numpy as np
import pytest

from optimizer.base import cache
from optimizer.fit.region.layout import CellSize


@pytest.fixture
def store(tmp_path, monkeypatch):
    monkeypatch.setenv("CELLSTOW_CACHE", str(tmp_path / "store"))
    monkeypatch.setattr(cache, "_held", {})
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


def write(kind, number, *, age_s, kilobytes=8):
    """An entry of about so many kilobytes, written so long ago."""
    cache.cached(kind, number, lambda: {"a": np.ones(125 * kilobytes)})
    path = entry(kind, number)
    os.utime(path, (time.time() - age_s,) * 2)


def entry(kind, number):
    return cache.folder() / kind / f"{cache.key(kind, number, module=__name__)}.npz"


def test_the_oldest_go_when_the_cap_is_reached(store, monkeypatch):
    monkeypatch.setattr(cache, "CAP_BYTES", 30_000)
    for k in range(5):
        write("t", k, age_s=1000 - k)
    assert [entry("t", k).exists() for k in range(5)] == [False, False, True, True, True]


def test_age_counts_and_neither_the_order_of_writing_nor_the_kind(store, monkeypatch):
    monkeypatch.setattr(cache, "CAP_BYTES", 60_000)
    for k, age_s in enumerate((10, 500, 20, 400, 30, 300)):
        write("even" if k % 2 == 0 else "odd", k, age_s=age_s)
    # Six entries of 8.3 kB are under the cap: all stay, however old.
    assert len(list(store.rglob("*.npz"))) == 6
    write("new", 6, age_s=0, kilobytes=20)
    gone = [k for k in range(6) if not entry("even" if k % 2 == 0 else "odd", k).exists()]
    assert gone == [1, 3]


def test_room_is_made_for_more_than_the_cap_asks(store, monkeypatch):
    """Down to the cap less COUNT_SHARE of it, so that not every write after that counts the folder again."""
    monkeypatch.setattr(cache, "CAP_BYTES", 10**9)
    for k in range(40):
        write("t", k, age_s=1000 - k, kilobytes=1)
    one = entry("t", 0).stat().st_size
    monkeypatch.setattr(cache, "CAP_BYTES", 40 * one)
    # What holds no more than the cap is left alone.
    assert cache._trim(cache.folder()) == 40 * one and len(list(store.rglob("*.npz"))) == 40
    monkeypatch.setattr(cache, "CAP_BYTES", int(39.5 * one))
    held = cache._trim(cache.folder())
    left = len(list(store.rglob("*.npz")))
    assert left == int(39.5 * (1 - cache.COUNT_SHARE)) and held == left * one


def test_the_folder_is_counted_when_a_share_of_the_cap_was_written(store, monkeypatch):
    """The first write counts, then one in so many: a look at every file takes time."""
    counted, trim = [], cache._trim
    monkeypatch.setattr(cache, "_trim", lambda base: counted.append(base) or trim(base))
    write("t", 0, age_s=0, kilobytes=1)
    one = entry("t", 0).stat().st_size
    monkeypatch.setattr(cache, "CAP_BYTES", int(16 * 4.5 * one))
    for k in range(1, 16):
        write("t", k, age_s=0, kilobytes=1)
    # At 5, 10 and 15 entries written since: the first multiple of the entry over 4.5 of them.
    assert len(counted) == 4


def test_what_killed_processes_left_goes_and_what_is_being_written_stays(store, monkeypatch):
    write("t", 0, age_s=0)
    old, young = store / "t" / "old.part", store / "t" / "young.part"
    for path, age_s in ((old, 1.01 * cache.PART_S), (young, 0.99 * cache.PART_S)):
        path.write_bytes(b"half")
        os.utime(path, (time.time() - age_s,) * 2)
    # Parts are no entries: they count for nothing.
    assert cache._trim(store) == entry("t", 0).stat().st_size
    assert not old.exists() and young.exists() and entry("t", 0).exists()


def test_different_parts_have_different_keys():
    size = CellSize("cylinder", length_mm=65.0, diameter_mm=18.0)
    parts = [1, 1.0, "1", True, None, (1,), ((1,),), [1, 1], ("11",), ("1", "1"), size, {"a": 1}, np.ones(1)]

    def key(kind, part, module="optimizer.base.cache"):
        return cache.key(kind, part, module=module)

    assert len({key("t", part) for part in parts}) == len(parts)
    assert key("t", (1, 2)) == key("t", [1, 2])
    assert key("t", 1) != key("u", 1)
    assert key("t", 1) != key("t", 1, module="optimizer.base.texts")
    with pytest.raises(ValueError, match="cache key"):
        key("t", object())
