"""Tables mutated: each is taken as it is written, with plausible numbers, or named; nothing hangs, nothing is written.

1,000 inputs over all files here in CI; more with `pytest -m nightly tests/fuzz` (CELLSTOW_FUZZ sets how many).
"""

from functools import partial

import mutate
import pyarrow as pa
import pytest
import reading
import targets
import trial

SHARES = {"cells": 0.12, "own curve": 0.03, "bms": 0.05, "ride": 0.08}
SHARE = 0.03


def spoilt(rng, data):
    """A file gone wrong: as a table, as bytes, or only saved in another way."""
    kind = rng.random()
    if kind < 0.62:
        out = mutate.table(rng, data)
        return mutate.one_of(rng, mutate.BYTES)(rng, out) if rng.random() < 0.05 else out
    if kind < 0.92:
        return mutate.one_of(rng, mutate.BYTES)(rng, data)
    return mutate.saved(rng, data)


def prepare(target, folder):
    folder.mkdir(parents=True, exist_ok=True)
    for name, text in (target.beside or {}).items():
        (folder / name).write_text(text)
    return folder / target.file


def check_taken(target, data, found, about):
    """What was taken is finite, in a band that makes sense, and what is written."""
    unordered = found.pop("_unordered", None) is not None
    plain = {name: [v for v in values if v == v] for name, values in found.items()}
    if "stock" in plain:
        plain["stock"] = [v for v in plain["stock"] if v != float("inf")]
    assert not reading.beyond(plain), f"{about}: {reading.beyond(plain)}"
    if unordered:
        headers, rows, separator = reading.rows_of(data, comments=target.comments)
        for name in set(found) - {"current_a"}:
            written = set().union(*(reading.readings(row[headers.index(name)], separator) for row in rows if row))
            assert set(found[name]) <= written, f"{about}: {name} {set(found[name]) - written}"
    else:
        tables = {name: values for name, values in found.items() if not name.startswith("break_")}
        wrong = reading.contradictions(data, tables, comments=target.comments)
        assert not wrong, f"{about}: {wrong}"


def run(target, folder, *, nightly, first=0):
    path, tally = prepare(target, folder), trial.Tally()
    number = trial.count(SHARES.get(target.name, SHARE), nightly=nightly)
    for k in range(first, first + number):
        about = f"{target.name} {k}"
        data = spoilt(mutate.rng_of(target.name, k), target.content)
        path.write_bytes(data)
        with trial.Watched(folder):
            found = trial.attempt(partial(target.read, path), tally, file=target.file, about=about)
        if found is not None:
            check_taken(target, data, found, about)
    print(f"{target.name}: {tally}")
    assert tally.named > 0.3 * number


@pytest.mark.parametrize("target", targets.TARGETS, ids=lambda t: t.name)
def test_any_table_is_taken_as_written_or_named(target, tmp_path):
    run(target, tmp_path / "a", nightly=False)


@pytest.mark.nightly
@pytest.mark.parametrize("target", targets.TARGETS, ids=lambda t: t.name)
def test_many_tables(target, tmp_path):
    run(target, tmp_path / "a", nightly=True, first=100_000)


@pytest.mark.parametrize("target", targets.TARGETS, ids=lambda t: t.name)
def test_the_sound_file_is_taken(target, tmp_path):
    """The twin of the fuzzing: what it starts from is not refused, or it would show nothing."""
    path = prepare(target, tmp_path)
    path.write_bytes(target.content)
    check_taken(target, target.content, target.read(path), "sound")


@pytest.mark.parametrize("way", sorted(mutate.SAVED))
@pytest.mark.parametrize("target", targets.TARGETS, ids=lambda t: t.name)
def test_the_same_table_saved_in_another_way_gives_the_same(target, way, tmp_path):
    path = prepare(target, tmp_path)
    path.write_bytes(target.content)
    sound = repr(target.read(path))
    path.write_bytes(mutate.SAVED[way](target.content.decode()))
    assert repr(target.read(path)) == sound


@pytest.mark.parametrize("seed", range(4))
@pytest.mark.parametrize("target", targets.TARGETS, ids=lambda t: t.name)
def test_other_spreadsheets_give_the_same_or_are_named(target, seed, tmp_path):
    """Semicolons, tabs, decimal commas, a hint of the separator, thousands: the same numbers, or a message."""
    path, tally = prepare(target, tmp_path), trial.Tally()
    path.write_bytes(target.content)
    sound = repr(target.read(path))
    for k in range(5):
        same, data = mutate.as_spreadsheet(mutate.rng_of("spreadsheet", 10 * seed + k), mutate.parse(target.content))
        path.write_bytes(data)
        found = trial.attempt(partial(target.read, path), tally, file=target.file, about=f"{target.name} {seed} {k}")
        assert repr(found) == sound if same else found is None or repr(found) == sound


TYPES = {
    "text": pa.string(),
    "large text": pa.large_string(),
    "single": pa.float32(),
    "double": pa.float64(),
    "whole": pa.int64(),
    "decimal": pa.decimal128(20, 6),
    "dictionary": pa.dictionary(pa.int32(), pa.string()),
    "list": pa.list_(pa.float64()),
    "bytes": pa.binary(),
    "time": pa.timestamp("s"),
    "flag": pa.bool_(),
    "structure": pa.struct([("a", pa.float64())]),
    "map": pa.map_(pa.string(), pa.float64()),
}


def spoilt_parquet(rng, data):
    """Parquet with a column of another type, a value of another kind, or other bytes."""

    def change(table):
        at = rng.randrange(table.num_columns)
        column = table.column(at).to_pylist()
        kind = mutate.one_of(rng, sorted(TYPES))
        if rng.random() < 0.5:
            row = rng.randrange(len(column))
            column[row] = mutate.one_of(
                rng,
                [
                    float("nan"),
                    float("inf"),
                    -1,
                    0,
                    10**12,
                    1e-9,
                    "x",
                    "#N/A",
                    "",
                    None,
                    "a\x1b[2Jb",
                    "=1+1",
                    "a\0b",
                    True,
                    b"\xff",
                ],
            )
            kind = "text" if any(isinstance(value, str) for value in column) else kind
        try:
            if kind in ("text", "large text", "dictionary"):
                column = [None if value is None else str(value) for value in column]
            if kind in ("list", "structure", "map", "bytes"):
                column = [{"list": [1.0], "structure": {"a": 1.0}, "map": [("a", 1.0)], "bytes": b"1"}[kind]] * len(
                    column
                )
            array = (
                pa.array(column, pa.string()).dictionary_encode()
                if kind == "dictionary"
                else pa.array(column, TYPES[kind])
            )
        except (pa.ArrowException, OverflowError, TypeError, ValueError):
            return table
        return table.set_column(at, table.field(at).name, array)

    out = targets.as_parquet(data, change=change)
    return mutate.one_of(rng, mutate.BYTES[:-1])(rng, out) if rng.random() < 0.5 else out


def run_parquet(folder, *, nightly, first=0):
    tally, number = trial.Tally(), trial.count(0.08, nightly=nightly)
    chosen = [t for t in targets.TARGETS if t.name in ("cells", "bms", "ride", "ocv", "profile")]
    for k in range(first, first + number):
        rng = mutate.rng_of("parquet", k)
        target = mutate.one_of(rng, chosen)
        path = prepare(target, folder / target.name)
        path.write_bytes(spoilt_parquet(rng, target.content))
        with trial.Watched(path.parent):
            found = trial.attempt(partial(target.read, path), tally, file=target.file, about=f"parquet {k}")
        if found is not None:
            found.pop("_unordered", None)
            plain = {name: [v for v in values if v == v and name != "stock"] for name, values in found.items()}
            assert not reading.beyond(plain), f"parquet {k}: {reading.beyond(plain)}"
    print(f"parquet: {tally}")


def test_any_parquet_is_taken_or_named(tmp_path):
    run_parquet(tmp_path, nightly=False)


@pytest.mark.nightly
def test_many_parquets(tmp_path):
    run_parquet(tmp_path, nightly=True, first=100_000)


@pytest.mark.parametrize("target", [t for t in targets.TARGETS if t.name not in ("own curve",)], ids=lambda t: t.name)
def test_parquet_gives_the_same_as_csv(target, tmp_path):
    path = prepare(target, tmp_path)
    path.write_bytes(target.content)
    sound = repr(target.read(path))
    path.write_bytes(targets.as_parquet(target.content))
    assert repr(target.read(path)) == sound
