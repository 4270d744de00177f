"""Time stamps of any form as seconds: numbers, clocks, dates with a zone or without."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
import pandas as pd

from optimizer.base.arrays import Floats

CLOCK = re.compile(r"-?\d{1,3}:\d{2}(:\d{2})?([.,]\d+)?\s*([AaPp]\.?[Mm]\.?)?")
# Of two fields, that count from 0, go past 23 or have a fraction behind them: minutes and seconds.
FROM_ZERO, MINUTES = re.compile(r"0?0:0\d"), re.compile(r"(2[4-9]|[3-9]\d|\d{3}):\d{2}|\d+:\d{2}[.,]\d+")
ZONE = r"(Z|UTC|GMT|[+-]\d{2}:?\d{2})\s*$"
# Numbers from here on count from 1970, in seconds, milliseconds, microseconds; 9e8 s is the year 1998.
EPOCH_S = 9e8


@dataclass
class Stamps:
    """Reads stamps chunk by chunk in the form that its first chunk has.

    Parameters
    ----------
    unit_s : float or None
        Seconds of one unit when the name tells it.
    decimal : str
        Decimal sign of numbers.
    """

    unit_s: float | None = None
    decimal: str = "."
    form: str = ""
    day_first: bool = False
    minutes: bool = False
    zones: set[str] = field(default_factory=set)

    @property
    def zoned(self) -> bool:
        """Whether the stamps count from one clock whatever the place: plain seconds, or dated with a zone."""
        return self.form == "number" or bool(self.zones - {""})

    def read(self, texts: pd.Series) -> Floats:
        """Seconds of stamps; NaN for what is none.

        Returns
        -------
        ndarray, shape (n,)
            Since 1970 where dated, since midnight for clocks, as they count for numbers [s].
        """
        texts = texts.fillna("").str.strip()
        if not self.form:
            self._learn([text for text in texts if text][:2000])
        if self.form == "number":
            return numbers(texts, decimal=self.decimal) * (self.unit_s or 1.0)
        if self.form == "clock":
            return _clocks(texts, minutes=self.minutes)
        return self._dates(texts)

    def _learn(self, sample: Sequence[str]) -> None:
        plain = numbers(pd.Series(sample, dtype=str), decimal=self.decimal) if len(sample) else np.zeros(0)
        if np.isfinite(plain).mean() > 0.5 if len(plain) else True:
            self.form = "number"
            self.unit_s = _unit_of_numbers(plain[np.isfinite(plain)], self.unit_s)
            return
        clocks = sum(CLOCK.fullmatch(text) is not None for text in sample)
        self.form = "clock" if clocks > 0.5 * len(sample) else "date"
        short = [text for text in sample if text.count(":") == 1]
        self.minutes = bool(short and FROM_ZERO.fullmatch(short[0])) or any(map(MINUTES.fullmatch, short))
        first = [int(hit[1]) for text in sample if (hit := re.match(r"(\d{1,2})[./-]\d{1,2}[./-]\d{2,4}", text))]
        dotted = any(re.match(r"\d{1,2}\.\d{1,2}\.\d{4}", text) for text in sample)
        self.day_first = dotted or bool(first and max(first) > 12)

    def _dates(self, texts: pd.Series) -> Floats:
        zones = texts.str.extract(ZONE)[0].fillna("").str.replace(":", "", regex=False)
        self.zones |= set(zones[texts != ""].unique().tolist())
        try:
            moments = pd.to_datetime(texts.where(texts != ""), format="ISO8601", utc=True)
        except (ValueError, TypeError):
            moments = pd.to_datetime(
                texts.where(texts != ""), format="mixed", utc=True, errors="coerce", dayfirst=self.day_first
            )
        return seconds_of(moments)


def seconds_of(moments: pd.Series) -> Floats:
    """Seconds since 1970 of moments with a zone; NaN for none."""
    whole = moments.dt.tz_convert(None).astype("datetime64[ns]").astype("int64").to_numpy()
    return np.where(moments.isna().to_numpy(), np.nan, whole / 1e9)


def numbers(texts: pd.Series, *, decimal: str = ".") -> Floats:
    """Numbers of a column of texts; NaN for what is none or not finite."""
    if decimal == ",":
        # With both signs in one number the point stands for thousands; alone it is some writer's decimal sign.
        both = texts.str.contains(",", regex=False) & texts.str.contains(".", regex=False)
        texts = texts.where(~both, texts.str.replace(".", "", regex=False)).str.replace(",", ".", regex=False)
    values = pd.to_numeric(texts, errors="coerce").to_numpy(dtype=np.float64, na_value=np.nan)
    return np.where(np.isfinite(values), values, np.nan)


def _unit_of_numbers(sample: Floats, named_s: float | None) -> float:
    """Seconds of one unit: as named, else by size (dates count from 1970) and by the step between rows."""
    if len(sample) < 2:
        return named_s or 1.0
    middle = float(np.median(sample))
    for unit in (1.0, 1e-3, 1e-6, 1e-9):
        if EPOCH_S < middle * unit < 5e9 and (named_s is None or unit != 1.0):
            return unit
    if named_s is not None:
        return named_s
    steps = np.diff(sample)
    steps = steps[steps > 0]
    # No log has a row each minute, and none runs ten thousand times a second.
    return 1e-3 if len(steps) and float(np.median(steps)) >= 50.0 else 1.0


def _clocks(texts: pd.Series, *, minutes: bool) -> Floats:
    """Seconds of 12:34:56.7, 1:02:03, 7:05 PM, 12:34; with minutes, 12:34 is 754 s."""
    parts = texts.str.extract(r"^(-?\d{1,3}):(\d{2})(?::(\d{2}))?([.,]\d+)?\s*([AaPp])?")
    first, second = (pd.to_numeric(parts[k], errors="coerce").to_numpy(dtype=float) for k in (0, 1))
    third = pd.to_numeric(parts[2], errors="coerce").to_numpy(dtype=float)
    rest = pd.to_numeric(parts[3].fillna("0").str.replace(",", ".", regex=False), errors="coerce").to_numpy(float)
    half = parts[4].str.lower().to_numpy()
    first = np.where(half == "p", first % 12 + 12, np.where(half == "a", first % 12, first))
    short = 60.0 * first + second if minutes else 3600.0 * first + 60.0 * second
    return np.asarray(np.where(np.isnan(third), short, 3600.0 * first + 60.0 * second + third) + rest, dtype=np.float64)
