"""Which column of a log is what, and in which unit: by its name, by what the user says, or not at all."""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

# Unit as it stands in a name → (quantity's unit of ours, factor, offset): value · factor + offset.
UNITS: dict[str, dict[str, tuple[float, float]]] = {
    "speed_m_s": {
        "kmh": (1 / 3.6, 0.0), "mph": (0.44704, 0.0), "ms": (1.0, 0.0), "knots": (1852 / 3600, 0.0),
        "fts": (0.3048, 0.0), "cms": (0.01, 0.0),
    },
    "distance_m": {"m": (1.0, 0.0), "km": (1000.0, 0.0), "mi": (1609.344, 0.0), "ft": (0.3048, 0.0)},
    "altitude_m": {"m": (1.0, 0.0), "ft": (0.3048, 0.0), "km": (1000.0, 0.0)},
    "latitude_deg": {"deg": (1.0, 0.0)},
    "longitude_deg": {"deg": (1.0, 0.0)},
    "voltage_v": {"v": (1.0, 0.0), "mv": (0.001, 0.0)},
    "current_a": {"a": (1.0, 0.0), "ma": (0.001, 0.0)},
    "power_w": {"w": (1.0, 0.0), "kw": (1000.0, 0.0)},
    "temp_c": {"c": (1.0, 0.0), "f": (5 / 9, -160 / 9), "k": (1.0, -273.15)},
    "cell_temp_c": {"c": (1.0, 0.0), "f": (5 / 9, -160 / 9), "k": (1.0, -273.15)},
    "time_s": {"s": (1.0, 0.0), "ms": (0.001, 0.0), "us": (1e-6, 0.0), "min": (60.0, 0.0), "h": (3600.0, 0.0)},
    "clock": {"s": (1.0, 0.0), "ms": (0.001, 0.0), "us": (1e-6, 0.0), "min": (60.0, 0.0), "h": (3600.0, 0.0)},
    "date": {},
}  # fmt: skip

# Spellings of units, with every sign but letters and digits taken out.
SPELLINGS = {
    "kmh": "kmh", "kph": "kmh", "kmph": "kmh", "kmperh": "kmh", "kmperhour": "kmh", "kmhr": "kmh",
    "kilometersperhour": "kmh", "kilometresperhour": "kmh", "mph": "mph", "milesperhour": "mph", "mih": "mph",
    "mileshour": "mph", "ms": "ms", "mps": "ms", "mpers": "ms", "meterspersec": "ms", "metersperseconds": "ms",
    "meterspersecond": "ms", "metrespersecond": "ms", "meterssecond": "ms", "metressecond": "ms", "mpersec": "ms",
    "kn": "knots", "kt": "knots", "kts": "knots", "knot": "knots", "knots": "knots", "fts": "fts", "fps": "fts",
    "cms": "cms", "m": "m", "meter": "m", "meters": "m", "metre": "m", "metres": "m", "km": "km",
    "kilometer": "km", "kilometers": "km", "kilometre": "km", "kilometres": "km", "mi": "mi", "mile": "mi",
    "miles": "mi", "ft": "ft", "foot": "ft", "feet": "ft", "deg": "deg", "degree": "deg", "degrees": "deg", "v": "v",
    "volt": "v", "volts": "v", "mv": "mv", "millivolt": "mv", "millivolts": "mv", "a": "a", "amp": "a", "amps": "a",
    "ampere": "a", "amperes": "a", "ma": "ma", "milliamp": "ma", "milliamps": "ma", "w": "w", "watt": "w",
    "watts": "w", "kw": "kw", "kilowatt": "kw", "kilowatts": "kw", "c": "c", "degc": "c", "celsius": "c",
    "centigrade": "c", "f": "f", "degf": "f", "fahrenheit": "f", "k": "k", "kelvin": "k", "s": "s", "sec": "s",
    "secs": "s", "second": "s", "seconds": "s", "msec": "ms", "millis": "ms", "millisecond": "ms",
    "milliseconds": "ms", "us": "us", "usec": "us", "microseconds": "us", "min": "min", "mins": "min",
    "minute": "min", "minutes": "min", "h": "h", "hr": "h", "hrs": "h", "hour": "h", "hours": "h",
}  # fmt: skip

# Words that name a quantity, the more telling first; those after the bar speak against it.
WORDS: dict[str, tuple[tuple[str, ...], tuple[str, ...]]] = {
    "latitude_deg": (("latitude", "lat", "breite", "breitengrad"), ("latency",)),
    "longitude_deg": (("longitude", "lon", "lng", "long", "laenge", "laengengrad"), ()),
    "altitude_m": (
        ("altitude", "elevation", "elev", "ele", "alt", "height", "hoehe", "baro", "altitud", "altitudine", "quota",
         "hoogte"),
        ("gain", "loss", "total", "sum", "accuracy", "error")),
    "voltage_v": (
        ("voltage", "volt", "volts", "spannung", "vbat", "vin", "ubat", "battery", "tension", "tensione", "spanning"),
        ("cell", "phase", "motor", "min", "max", "aux", "level", "soc", "percent", "charge", "temp", "temperature",
         "current", "power", "energy", "throttle", "logic")),
    "current_a": (
        ("current", "amps", "amp", "amperage", "strom", "ibat", "battery", "courant", "corriente", "corrente",
         "stroom"),
        ("motor", "phase", "id", "iq", "max", "min", "limit", "peak", "voltage", "volt", "level", "soc", "percent",
         "temp", "temperature", "power", "energy", "charge", "time", "speed", "distance", "altitude", "hours", "used")),
    "power_w": (
        ("power", "watts", "watt", "leistung", "puissance", "potencia", "potenza"),
        ("motor", "phase", "max", "mechanical", "rider", "human", "crank", "voltage", "current", "temp", "level", "soc",
         "energy", "percent", "factor", "hours", "used")),
    "cell_temp_c": (
        ("cell", "battery", "bat", "batt", "pack", "akku", "bms"),
        ("voltage", "current", "power", "soc", "level", "percent")),
    "temp_c": (("ambient", "air", "outside", "outdoor", "aussen", "weather"), ("pressure", "speed")),
    "distance_m": (("distance", "odometer", "odo", "dist", "trip", "strecke", "mileage"), ("remaining", "accuracy")),
    "speed_m_s": (
        ("speed", "velocity", "geschwindigkeit", "spd", "vel", "tempo", "vitesse", "velocidad", "velocita", "snelheid"),
        ("max", "avg", "average", "mean", "vertical", "motor", "rotor", "wind", "accuracy", "limit", "fan")),
    "date": (("date", "datum"), ()),
    "clock": (
        ("timestamp", "time", "datetime", "uhrzeit", "zeit", "utc", "clock", "temps", "hora", "tiempo", "tijd", "tempo",
         "epoch", "unix", "unixtime"),
        ("moving", "lap", "total", "remaining", "charge")),
}  # fmt: skip
TEMPERATURE = {"temp", "temperature", "temperatur", "tmp"}
PREFERRED = {"battery", "bat", "batt", "pack", "input", "dc", "bms", "in", "gps", "total", "wheel", "vehicle",
             "filtered"}  # fmt: skip


@dataclass(frozen=True)
class LogColumn:
    """A recognised column.

    Parameters
    ----------
    place : int
        From 0.
    header : str
        As it stands.
    quantity : str
        "time_s", "clock", "date", or one of QUANTITIES.
    unit : str
        Key of UNITS[quantity]; "" when the name does not say.
    """

    place: int
    header: str
    quantity: str
    unit: str

    def scaled(self) -> tuple[float, float]:
        """Factor and offset to the quantity's own unit."""
        return UNITS[self.quantity].get(self.unit, (1.0, 0.0))


def words_of(header: str) -> list[str]:
    """Words of a header, small, without accents: "InpVoltage[V]" gives inp, voltage, v.

    >>> words_of("Geschwindigkeit (km/h)"), words_of("batteryCurrent_A"), words_of("Höhe")
    (['geschwindigkeit', 'km', 'h'], ['battery', 'current', 'a'], ['hoehe'])
    """
    for umlaut, plain in (("ä", "ae"), ("ö", "oe"), ("ü", "ue"), ("Ä", "Ae"), ("Ö", "Oe"), ("Ü", "Ue"), ("ß", "ss")):
        header = header.replace(umlaut, plain)
    plain = unicodedata.normalize("NFKD", header.replace("µ", "u").replace("°", " deg"))
    plain = plain.encode("ascii", "ignore").decode()
    apart = re.sub(r"(?<=[a-z])(?=[A-Z])|(?<=[A-Za-z])(?=\d)", " ", plain)
    return re.findall(r"[a-z]+|\d+", apart.lower())


def unit_of(header: str) -> str:
    """Unit that a header names, in brackets or as its last words; "" when it names none.

    >>> [unit_of(h) for h in ("Speed (mph)", "speed_km_h", "speed_m_s", "alt ft", "Speed", "speed_meters_per_sec")]
    ['mph', 'kmh', 'ms', 'ft', '', 'ms']
    """
    bracket = re.search(r"[\[({]([^\])}]*)[\])}]", header)
    if bracket:
        bare = "".join(words_of(bracket[1].replace("/", " per ").replace("^-1", "")))
        for text in (bare, bare.replace("per", "")):
            if text in SPELLINGS:
                return SPELLINGS[text]
    words = words_of(header)
    for count in range(min(4, len(words) - 1), 0, -1):
        text = "".join(words[-count:])
        for spelling in (text, text.replace("per", "")):
            if spelling in SPELLINGS:
                return SPELLINGS[spelling]
    return ""


def _score(words: Sequence[str], quantity: str) -> float:
    """How well words name a quantity; 0 when they don't."""
    telling, against = WORDS[quantity]
    hits = [k for k, word in enumerate(telling) if word in words]
    if not hits:
        return 0.0
    score = 10.0 - 0.1 * hits[0] + 2.0 * any(word in PREFERRED for word in words)
    return score - 6.0 * sum(word in against for word in words)


def _candidates(header: str) -> list[tuple[float, str, str]]:
    """What a header may be: score, quantity, unit."""
    words, unit = words_of(header), unit_of(header)
    found = []
    for quantity in WORDS:
        score = _score(words, quantity)
        if quantity in ("temp_c", "cell_temp_c"):
            score = score if TEMPERATURE & set(words) else 0.0
        if score <= 0.0:
            continue
        known = UNITS[quantity]
        if known:
            if unit in known:
                score += 3.0
            elif unit:
                score -= 6.0
        found.append((score, quantity, unit if unit in known else ""))
    if header.strip().lower() in ("v", "u") or (words[:1] == ["v"] and unit == "kmh"):
        found.append((5.0, "speed_m_s" if unit in UNITS["speed_m_s"] else "voltage_v", unit))
    whole = SPELLINGS.get("".join(words), "")
    if not found and whole in ("kmh", "mph", "knots"):
        found.append((6.0, "speed_m_s", whole))
    plain = {"v": "voltage_v", "a": "current_a", "w": "power_w", "kmh": "speed_m_s", "mph": "speed_m_s"}
    if not found and unit in plain and not set(words) & set(WORDS[plain[unit]][1]):
        found.append((5.0 + 2.0 * any(word in PREFERRED for word in words), plain[unit], unit))
    if (
        words[:1] == ["ms"]
        or words in (["t"], ["i"], ["s"], ["elapsed"], ["seconds"], ["sec"], ["millis"], ["ms"])
        or (words[:1] in (["elapsed"], ["t"], ["seconds"], ["sec"]) and unit in UNITS["time_s"])
    ):
        quantity = "current_a" if words == ["i"] else "time_s"
        found.append((9.0, quantity, unit or SPELLINGS.get(words[0], "")))
    return found


def recognise(headers: Sequence[str], *, named: Mapping[str, str] | None = None) -> list[LogColumn]:
    """Columns of a log by their names.

    Parameters
    ----------
    named : mapping of quantity with unit to header, optional
        What the user says, such as {"speed_kmh": "Spd"}; see `quantity_of`. It goes before what names tell.

    Returns
    -------
    list of LogColumn
        At most one for each quantity, the best named; "clock" stands for time in any form.
    """
    found: dict[str, LogColumn] = {}
    taken = set()
    for key, header in (named or {}).items():
        quantity, unit = quantity_of(key)
        place = [name.strip() for name in headers].index(header.strip())
        found[quantity] = LogColumn(place, header, quantity, unit)
        taken.add(place)
    rated = [
        (score, -place, quantity, unit)
        for place, header in enumerate(headers)
        if place not in taken
        for score, quantity, unit in _candidates(header)
        if score > 4.0
    ]
    timed = "time_s" in found or "clock" in found
    for _, minus, quantity, unit in sorted(rated, reverse=True):
        place = -minus
        if place in taken or quantity in found or (timed and quantity in ("time_s", "clock")):
            continue
        found[quantity] = LogColumn(place, headers[place].strip(), quantity, unit)
        taken.add(place)
        timed = timed or quantity in ("time_s", "clock")
    return list(found.values())


def quantity_of(key: str) -> tuple[str, str]:
    """Quantity and unit of a key such as "speed_mph", "altitude_ft", "time_ms", "time"; KeyError for others.

    >>> quantity_of("speed_kmh"), quantity_of("altitude_ft"), quantity_of("time"), quantity_of("time_ms")
    (('speed_m_s', 'kmh'), ('altitude_m', 'ft'), ('clock', ''), ('time_s', 'ms'))
    """
    if key in ("time", "clock", "date"):
        return ("clock" if key == "time" else key), ""
    first, _, unit = key.partition("_")
    stems = {"speed": "speed_m_s", "latitude": "latitude_deg", "lat": "latitude_deg", "longitude": "longitude_deg",
             "lon": "longitude_deg", "altitude": "altitude_m", "distance": "distance_m", "voltage": "voltage_v",
             "current": "current_a", "power": "power_w", "temp": "temp_c", "time": "time_s"}  # fmt: skip
    if key.startswith("cell_temp"):
        first, unit = "cell_temp", key.removeprefix("cell_temp").strip("_")
        stems["cell_temp"] = "cell_temp_c"
    quantity = stems[first]
    unit = SPELLINGS.get(unit.replace("_", ""), unit)
    if quantity.endswith("_deg"):
        unit = "deg"
    if unit not in UNITS[quantity]:
        raise KeyError(key)
    return quantity, unit
