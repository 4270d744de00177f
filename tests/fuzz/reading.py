"""What a table says to a plain reader: an independent, slow reading, with bands that nobody sane would leave.

Used to hold against what the program accepted: each number it took must be the one that is written there.
"""

import csv
import io
import math
import re

# Bands by hand, from common sense about cells and parts of small vehicles (no published source): a little wider
# than the program's own, so that a value beyond them is absurd on a plain reading.
BANDS = {
    "diameter_mm": (0.4, 100),
    "length_mm": (0.4, 1200),
    "width_mm": (0.4, 1200),
    "thickness_mm": (0.02, 200),
    "height_mm": (0.5, 500),
    "tolerance_mm": (0, 6),
    "charge_temp_min_c": (-90, 50),
    "positive_diameter_mm": (0.8, 70),
    "terminal_mm": (1, 100),
    "terminal_spacing_mm": (2, 700),
    "stud_mm": (0, 80),
    "fastener_mm": (0.3, 50),
    "pressure_kpa": (0, 4000),
    "tie_plate_mm": (0.2, 50),
    "tab_mm": (0.02, 2),
    "tab_width_mm": (3, 60),
    "tab_price_per_m": (0, 2e4),
    "tab_density_a_mm2": (0.2, 200),
    "collector_mm": (0, 20),
    "collector_width_mm": (3, 60),
    "collector_price_per_m": (0, 2e4),
    "collector_density_a_mm2": (0.2, 200),
    "capacity_ah": (0.05, 600),
    "capacity_min_ah": (0.05, 600),
    "voltage_nominal_v": (0.9, 6),
    "voltage_max_v": (0.9, 2000),
    "voltage_min_v": (0.5, 6),
    "dcir_mohm": (0.02, 1000),
    "current_continuous_a": (0.05, 5000),
    "current_pulse_a": (0.05, 10000),
    "current_peak_a": (0.05, 10000),
    "current_charge_a": (0.01, 5000),
    "pulse_s": (0.05, 300),
    "peak_s": (0.0005, 600),
    "mass_g": (0.1, 60000),
    "price": (0, 2e6),
    "price_per_m": (0, 2e5),
    "price_cut_per_m": (0, 2e4),
    "stock": (0, math.inf),
    "temp_min_c": (-90, 50),
    "temp_max_c": (0, 120),
    "resistivity_ohm_m": (9e-9, 2e-6),
    "density_kg_m3": (900, 26000),
    "current_density_a_mm2": (0.2, 200),
    "area_mm2": (0.01, 500),
    "outer_mm": (0.1, 180),
    "resistance_ohm_per_km": (0.02, 3000),
    "current_a": (0.01, 5000),
    "mass_g_per_m": (0.1, 8000),
    "insulation_temp_c": (40, 350),
    "series_min": (1, 600),
    "series_max": (1, 600),
    "resistance_mohm": (0.003, 300),
    "balance_ma": (0, 50000),
    "voltage_dc_v": (4, 2000),
    "breaking_a": (10, 2e6),
    "voltage_v": (0.01, 2000),
    "efficiency": (0.2, 1),
    "soc": (0, 1),
    "ocv_v": (0.4, 7),
    "time_s": (-math.inf, math.inf),
    "speed_kmh": (0, 250),
    "grade_pct": (-60, 60),
    "voltage_before_v": (0.01, 10),
    "power_w": (-1e6, 1e6),
    "break_quantity": (1, math.inf),
    "break_price": (0, 2e6),
}
SPACES = "\u00a0\u202f\u2009\u2007"
UTF16 = {b"\xff\xfe": "utf-16", b"\xfe\xff": "utf-16"}


def text_of(data):
    """The text of a file, as an editor would show it."""
    if data[:2] in UTF16:
        return data.decode(UTF16[data[:2]])
    if data[1:2] == b"\0" and data[3:4] == b"\0":
        return data.decode("utf-16-le")
    return data.decode("utf-8-sig")


def rows_of(data, *, comments=False):
    """Header and rows of a table, its separator found by trying each; comments: rows with # are none."""
    text = text_of(data)
    lines = text.replace("\r\n", "\n").replace("\r", "\n").split("\n")
    while lines and (not lines[0].strip() or lines[0].lstrip(' "').startswith(("#", "sep="))):
        lines = lines[1:]
    if not lines:
        return [], [], ","
    separator = max(",;\t|", key=lambda sign: len(next(csv.reader([lines[0]], delimiter=sign), [])))
    records = [[cell.strip() for cell in row] for row in csv.reader(io.StringIO("\n".join(lines)), delimiter=separator)]
    rows = [row for row in records[1:] if any(row) and not (comments and row[0].startswith("#"))]
    return records[0], rows, separator


def readings(cell, separator):
    """The numbers that a cell may mean; None for one that means none."""
    for sign in SPACES:
        cell = cell.replace(sign, " ")
    cell = cell.replace("−", "-").strip()
    found = set()
    # A file with decimal commas needs another separator.
    for decimal, group in ((".", ","), *((",", "."),) * (separator != ",")):
        text = cell
        if re.fullmatch(rf"[+-]?\d{{1,3}}([{re.escape(group)} '’]\d{{3}})+({re.escape(decimal)}\d+)?", text):
            text = re.sub(rf"[{re.escape(group)} '’]", "", text)
        if group in text:
            continue
        try:
            found.add(float(text.replace(decimal, ".")))
        except ValueError:
            continue
    return found


def contradictions(data, columns, *, comments=False):
    """Where accepted numbers differ from what is written; columns maps names to arrays."""
    headers, rows, separator = rows_of(data, comments=comments)
    wrong = []
    for name, values in columns.items():
        if name not in headers:
            continue
        at = headers.index(name)
        if len(rows) != len(values):
            return [f"{len(rows)} rows are written, {len(values)} were taken"]
        for row, value in zip(rows, values, strict=True):
            cell = row[at] if at < len(row) else ""
            if not cell:
                continue
            meant = readings(cell, separator)
            if not any(value == number for number in meant):
                wrong.append(f"{name}: {cell!r} is written, {value!r} was taken")
    return wrong[:5]


def beyond(columns):
    """Accepted numbers that are not finite or absurd; columns maps names to arrays, empty cells left out."""
    wrong = []
    for name, values in columns.items():
        low, high = BANDS[name]
        for value in values:
            if not (low <= value <= high) or (math.isinf(value) and high != math.inf):
                wrong.append(f"{name} = {value!r}")
    return wrong[:5]
