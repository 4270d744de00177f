"""Ways in which files go wrong: by chance, by spreadsheets, by people, and on purpose.

Every mutator takes a random.Random and content, and gives content; the same random state gives the same content.
"""

import contextlib
import json
import math
import random
import re

SPECIAL_NUMBERS = (
    "nan", "NaN", "inf", "-inf", "Infinity", "1e999", "-1e999", "1e308", "-1e308", "1e-308", "5e-324", "0",
    "-0", "-1", "0.0", "1e5", "1E+05", "1.", ".5", "1e", "0x1F", "1_000", "1,5", "1.234,5", "1,234.5", "1,234",
    "1.234", "1 234,5", "1'234.5", "12 345", "−3.5", "+4", "--3", "3-", "1/2", "03.06.2024", "2024-06-03",
    "12:30", "50 %", "50%", "3.5 V", "€3.50", "3.50 €", "$3", "1e400", "9" * 400, "0." + "0" * 300 + "1", "٣٫٥",
    "३.५", "１２", "½", "²", "true", "TRUE", "None", "null", "NA", "n/a", "-", "—", "?", "tbd", "ca. 5", "~5",
    ">5", "5..10", "5-10", "5±1",
)  # fmt: skip
EXCEL = (
    "#REF!", "#N/A", "#DIV/0!", "#VALUE!", "#NAME?", "#NUM!", "#NULL!", "#SPILL!", "#WERT!", "#NV", "Err:502",
    "#####",
)  # fmt: skip
HOSTILE = (
    "=cmd|'/c calc'!A1", "+1+1", "-2", "-cmd", "@SUM(A1)", "\tx", "\rx", '=HYPERLINK("x")', "../../x",
    "/etc/passwd", "a\x00b", "\x1b[2J\x1b[1;1H", "\x9b31m", "\u202egnp", "\u200b", "\ufeff",
    "<script>alert(1)</script>", "</script>", "{{7*7}}", "{% raw %}", "${jndi:x}", "%s%n", "'; DROP TABLE x;--",
    "\\", '"', "''", "a" * 5000, "$\\frac{", "C:\\x", "con", "nul", "__import__('os')",
    "!!python/object/apply:os.system", "\ud7ff", "\U0001f600", "e\u0301",
)  # fmt: skip
SCALES = (1000.0, 0.001, 100.0, 0.01, 10.0, 0.1, 3600.0, 1 / 3600.0, 3.6, 1 / 3.6, 1e6, 1e-6, 25.4, -1.0, 0.0)


def one_of(rng, options):
    return options[rng.randrange(len(options))]


# ---------------------------------------------------------------- bytes


def _slice(rng, data):
    start = rng.randrange(len(data) + 1)
    return start, min(len(data), start + rng.randrange(1, max(2, len(data) // 4)))


def flip_bits(rng, data):
    out = bytearray(data)
    for _ in range(rng.randrange(1, 6)):
        if out:
            out[rng.randrange(len(out))] ^= 1 << rng.randrange(8)
    return bytes(out)


def flip_bytes(rng, data):
    out = bytearray(data)
    for _ in range(rng.randrange(1, 6)):
        if out:
            out[rng.randrange(len(out))] = rng.randrange(256)
    return bytes(out)


def digits(rng, data):
    """Another sign in a number: what a slip of the keyboard does."""
    places = [k for k, sign in enumerate(data) if chr(sign) in "0123456789.-,e"]
    out = bytearray(data)
    for _ in range(rng.randrange(1, 4)):
        if places:
            out[one_of(rng, places)] = ord(one_of(rng, "0123456789.-,;e+ "))
    return bytes(out)


def cut(rng, data):
    return data[: rng.randrange(len(data) + 1)]


def drop_part(rng, data):
    a, b = _slice(rng, data)
    return data[:a] + data[b:]


def repeat_part(rng, data):
    a, b = _slice(rng, data)
    return data[:b] + data[a:b] * rng.randrange(1, 4) + data[b:]


def insert_junk(rng, data):
    at = rng.randrange(len(data) + 1)
    return data[:at] + bytes(rng.randrange(256) for _ in range(rng.randrange(1, 20))) + data[at:]


def insert_sign(rng, data):
    at = rng.randrange(len(data) + 1)
    return (
        data[:at]
        + one_of(
            rng,
            [
                b"\0",
                b'"',
                b"'",
                b"\n",
                b"\r",
                b",",
                b";",
                b"[",
                b"{",
                b"\\",
                b"\x1b[31m",
                b"\xff",
                "\u202e".encode(),
                "\u00a0".encode(),
                "\u2028".encode(),
            ],
        )
        + data[at:]
    )


def nothing(rng, data):
    return one_of(
        rng,
        [
            b"",
            b"\n",
            b" ",
            b"\xef\xbb\xbf",
            b"\xff\xfe",
            b"\0",
            b"#",
            b"PAR1",
            b"PK\x03\x04",
            b"{}",
            b"[]",
            b"null",
            b'"',
            b"\x1f\x8b\x08\x00",
        ],
    )


BYTES = (flip_bits, flip_bytes, digits, digits, digits, cut, drop_part, repeat_part, insert_junk, insert_sign, nothing)

# ---------------------------------------------------------------- how a text is saved; the same table all the time


def _text(data):
    return data.decode("utf-8")


SAVED = {
    "as it is": lambda t: t.encode(),
    "byte-order mark": lambda t: b"\xef\xbb\xbf" + t.encode(),
    "Windows line ends": lambda t: t.replace("\n", "\r\n").encode(),
    "old line ends": lambda t: t.replace("\n", "\r").encode(),
    "UTF-16": lambda t: t.encode("utf-16"),
    "UTF-16, big end first": lambda t: b"\xfe\xff" + t.encode("utf-16-be"),
    "UTF-16 without mark": lambda t: t.encode("utf-16-le"),
    "trailing spaces": lambda t: t.replace("\n", "   \n").encode(),
    "blank lines": lambda t: t.replace("\n", "\n\n").encode(),
    "no last line end": lambda t: t.rstrip("\n").encode(),
    "empty lines at the end": lambda t: (t + "\n\n\n").encode(),
}


def saved(rng, data):
    return SAVED[one_of(rng, sorted(SAVED))](_text(data))


# ---------------------------------------------------------------- tables: lists of rows, the header first


def parse(data):
    lines = [line for line in _text(data).splitlines() if line and not line.startswith("#")]
    return [line.split(",") for line in lines]


def render(rows, separator=","):
    def field(text):
        return '"' + text.replace('"', '""') + '"' if any(s in text for s in (separator, '"', "\n", "\r")) else text

    return ("\n".join(separator.join(field(text) for text in row) for row in rows) + "\n").encode(
        "utf-8", "surrogatepass"
    )


def _cell(rng, rows):
    row = rng.randrange(1, max(len(rows), 2))
    return row, rng.randrange(max(len(rows[row]), 1))


def put_number(rng, rows):
    row, column = _cell(rng, rows)
    rows[row][column] = one_of(rng, SPECIAL_NUMBERS)


def put_error(rng, rows):
    row, column = _cell(rng, rows)
    rows[row][column] = one_of(rng, EXCEL)


def put_hostile(rng, rows):
    row, column = _cell(rng, rows) if rng.random() < 0.7 else (0, rng.randrange(max(len(rows[0]), 1)))
    rows[row][column] = one_of(rng, HOSTILE)


def put_empty(rng, rows):
    row, column = _cell(rng, rows)
    rows[row][column] = one_of(rng, ["", " ", "\u00a0", "\t"])


def scale_cell(rng, rows):
    row, column = _cell(rng, rows)
    rows[row][column] = scaled(rows[row][column], one_of(rng, SCALES))


def scale_column(rng, rows):
    column, factor = rng.randrange(max(len(rows[0]), 1)), one_of(rng, SCALES)
    for row in rows[1:]:
        row[column] = scaled(row[column], factor)


def scaled(text, factor):
    try:
        return repr(float(text) * factor)
    except ValueError:
        return text


def swap_columns(rng, rows):
    a, b = rng.randrange(max(len(rows[0]), 1)), rng.randrange(max(len(rows[0]), 1))
    for row in rows:
        row[a], row[b] = row[b], row[a]


def swap_values(rng, rows):
    a, b = rng.randrange(max(len(rows[0]), 1)), rng.randrange(max(len(rows[0]), 1))
    for row in rows[1:]:
        row[a], row[b] = row[b], row[a]


def repeat_row(rng, rows):
    rows.insert(rng.randrange(1, len(rows) + 1), list(rows[rng.randrange(len(rows))]))


def drop_row(rng, rows):
    if len(rows) > 1:
        del rows[rng.randrange(len(rows))]


def shuffle_rows(rng, rows):
    body = rows[1:]
    rng.shuffle(body)
    rows[1:] = body


def repeat_column(rng, rows):
    at = rng.randrange(max(len(rows[0]), 1))
    for row in rows:
        row.insert(rng.randrange(len(row)) if rng.random() < 0.1 else at, row[at])


def drop_column(rng, rows):
    at = rng.randrange(max(len(rows[0]), 1))
    for row in rows:
        del row[at]


def rename_column(rng, rows):
    at = rng.randrange(max(len(rows[0]), 1))
    name = rows[0][at]
    rows[0][at] = one_of(
        rng,
        [
            name.upper(),
            name.title(),
            name.replace("_", " "),
            name[:-1],
            name + "s",
            name + ".1",
            "",
            " ",
            "Unnamed: 3",
            name.split("_")[0],
            one_of(rng, rows[0]),
        ],
    )


def short_row(rng, rows):
    row = rows[rng.randrange(len(rows))]
    if rng.random() < 0.5 and row:
        row.pop()
    else:
        row.append(one_of(rng, ["", "x", "1"]))


def add_column(rng, rows):
    for k, row in enumerate(rows):
        row.append(one_of(rng, ["my notes", "shelf"]) if k == 0 else one_of(rng, ["", "top", "#N/A", "1,5"]))


def comment_row(rng, rows):
    row = rows[rng.randrange(1, max(len(rows), 2))]
    row[0] = "#" + row[0]


def total_row(rng, rows):
    rows.append([one_of(rng, ["total", "sum", "Summe", ""])] + [one_of(rng, ["", "123.4", "0"]) for _ in rows[0][1:]])


TABLES = (
    put_number, put_number, put_error, put_hostile, put_empty, scale_cell, scale_cell, scale_column,
    scale_column, swap_columns, swap_values, repeat_row, drop_row, shuffle_rows, repeat_column, drop_column,
    rename_column, short_row, add_column, comment_row, total_row,
)  # fmt: skip


def as_spreadsheet(rng, rows):
    """The same rows as other spreadsheets save them; the first of the pair says whether they mean the same."""
    kind = rng.randrange(5)
    if kind == 0:
        return True, render(rows, ";")
    if kind == 1:
        return True, render(rows, "\t")
    if kind == 2:
        return True, render([rows[0], *[[comma(text) for text in row] for row in rows[1:]]], ";")
    if kind == 3:
        return True, b"sep=;\n" + render(rows, ";")
    return False, render([rows[0], *[[thousands(text) for text in row] for row in rows[1:]]])


def comma(text):
    """A number with a decimal comma; price breaks and points of fuses, too."""
    return text if any(sign.isalpha() for sign in text) else re.sub(r"(?<!\.)\.(?!\.)", ",", text)


def thousands(text):
    try:
        number = float(text)
    except ValueError:
        return text
    return f"{number:,}" if math.isfinite(number) and abs(number) >= 1000 else text


def table(rng, data):
    """A table gone wrong in one to three ways."""
    rows = parse(data)
    for _ in range(rng.randrange(1, 4)):
        # Rows that have lost a cell before can stand in a mutator's way.
        with contextlib.suppress(IndexError):
            one_of(rng, TABLES)(rng, rows)
    return as_spreadsheet(rng, rows)[1] if rng.random() < 0.25 else render(rows)


# ---------------------------------------------------------------- trees: what JSON and TOML hold

LEAVES = (
    0, -1, 1, 10**400, -(10**400), 2**63, 1e308, -1e308, 1e-308, 5e-324, float("nan"), float("inf"),
    float("-inf"), 0.0186, 5000, "", "x", "1.0", "1 mm", "\u202e", "\x1b[2J", "../../x", "<script>", "=1+1",
    "a\x00b", "a" * 3000, True, False, [], {}, [[]], [None], [1, "x"], {"a": {"b": {}}}, [[0, 0], [1, 1]], None,
    {"min": 1, "max": 2}, {"same_as": "x"}, {"min": 60.0, "max": 90.0, "step": 1.0},
)  # fmt: skip


def places(value, loc=()):
    """Every place of a tree, containers included."""
    if isinstance(value, dict):
        for key, inner in value.items():
            yield (*loc, key)
            yield from places(inner, (*loc, key))
    elif isinstance(value, list):
        for key, inner in enumerate(value):
            yield (*loc, key)
            if key < 40:
                yield from places(inner, (*loc, key))


def holder(value, loc):
    for part in loc[:-1]:
        value = value[part]
    return value


def tree(rng, value):
    """A tree (changed in place) gone wrong in one to three ways."""
    for _ in range(rng.randrange(1, 4)):
        every = list(places(value))
        if not every:
            return value
        loc = one_of(rng, every)
        inside, key = holder(value, loc), loc[-1]
        act = rng.randrange(8)
        if act == 0:
            del inside[key]
        elif act == 1 and isinstance(inside, dict):
            inside[one_of(rng, [str(key) + "x", str(key).upper(), str(key)[:-1] or "y", ""])] = inside.pop(key)
        elif act in (2, 3) and isinstance(inside[key], int | float) and not isinstance(inside[key], bool):
            with contextlib.suppress(OverflowError):  # of a number without end that was put there before
                inside[key] = inside[key] * one_of(rng, SCALES)
        elif act == 4 and isinstance(inside[key], list):
            inside[key] = one_of(rng, [inside[key] * 2, inside[key][:-1], inside[key][::-1]])
        elif act == 5:
            other = one_of(rng, every)
            try:
                inside[key] = json.loads(json.dumps(holder(value, other)[other[-1]]))
            except (KeyError, IndexError, TypeError, ValueError):
                inside[key] = 0
        else:
            leaf = one_of(rng, LEAVES)
            inside[key] = json.loads(json.dumps(leaf)) if isinstance(leaf, list | dict) else leaf
    return value


def toml_value(value):
    """TOML text of a plain value; what TOML can't say becomes something that is no TOML."""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, dict):
        return "{" + ", ".join(f"{json.dumps(str(k))} = {toml_value(v)}" for k, v in value.items()) + "}"
    if isinstance(value, list):
        return "[" + ", ".join(toml_value(item) for item in value) + "]"
    if isinstance(value, str):
        return json.dumps(value)
    return repr(value)


def toml(value):
    return "\n".join(f"{json.dumps(str(key))} = {toml_value(inner)}" for key, inner in value.items()).encode(
        "utf-8", "replace"
    )


def rng_of(name, number):
    """The random state of an input: the same for the same name and number."""
    return random.Random(f"{name} {number}")
