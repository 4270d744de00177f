"""Rides of which everything is known, and the logs that a receiver would make of them."""

import struct
from datetime import UTC, datetime, timedelta

import numpy as np

LAT0, LON0 = 48.0, 11.0
START = datetime(2026, 5, 1, 8, 0, tzinfo=UTC)


class Truth:
    """A ride of so many seconds over hills of two wavelengths, with stops."""

    def __init__(self, seed=0, seconds=1500, top_m_s=9.0):
        rng = np.random.default_rng(seed)
        speed, now, target, until = np.zeros(seconds), 0.0, 7.0, 40
        for k in range(1, seconds):
            if k >= until:
                target = 0.0 if rng.random() < 0.3 and target > 0 else rng.uniform(4.0, top_m_s)
                until = k + (rng.integers(20, 40) if target == 0.0 else rng.integers(40, 120))
            now = max(0.0, now + np.clip(target - now, -1.2, 0.9))
            speed[k] = now
        end = np.linspace(speed[-15], 0.0, 12)
        speed[-15:-3] = np.minimum(end, speed[-15:-3])
        speed[-3:] = 0.0
        self.time_s = np.arange(seconds, dtype=float)
        self.speed_m_s = speed
        self.way_m = np.concatenate([[0.0], np.cumsum(0.5 * (speed[1:] + speed[:-1]))])
        self.height_m = self.height_at(self.way_m)
        heading = np.cumsum(0.006 * np.sin(self.way_m / 300.0) * np.gradient(self.way_m))
        self.east_m, self.north_m = np.cumsum(speed * np.cos(heading)), np.cumsum(speed * np.sin(heading))

    @staticmethod
    def height_at(way_m):
        return 100.0 + 12.0 * np.sin(way_m / 240.0) + 5.0 * np.sin(way_m / 95.0 + 1.0)

    @property
    def climb_m(self):
        return float(np.diff(self.height_m).clip(0.0).sum())

    @property
    def stops(self):
        still = np.concatenate([[0], (self.speed_m_s <= 0.0).astype(int), [0]])
        edges = np.flatnonzero(np.diff(still)).reshape(-1, 2)
        return sum(1 for a, b in edges if a > 0 and b < len(self.speed_m_s) and b - a >= 3)

    def degrees(self, noise_m=None):
        """Latitude and longitude on the ellipsoid near LAT0 (radii of WGS 84 at 48°: 6 371 000 ± 20 km)."""
        phi = np.radians(LAT0)
        flat = 1.0 - 6.69437999e-3 * np.sin(phi) ** 2
        meridian, parallel = 6378137.0 * (1.0 - 6.69437999e-3) / flat**1.5, 6378137.0 / np.sqrt(flat) * np.cos(phi)
        away = np.zeros((2, len(self.time_s))) if noise_m is None else noise_m
        north, east = self.north_m + away[0], self.east_m + away[1]
        return LAT0 + np.degrees(north / meridian), LON0 + np.degrees(east / parallel)


def drift(rng, count, *, sd, seconds):
    """Noise with a memory: a first-order Gauss-Markov series."""
    keep = np.exp(-1.0 / seconds)
    steps = rng.normal(size=count) * sd * np.sqrt(1.0 - keep**2)
    out, now = np.zeros(count), rng.normal() * sd
    for k in range(count):
        now = keep * now + steps[k]
        out[k] = now
    return out


def gpx(lat, lon, height, time_s, *, start=START):
    """A GPX 1.1 file."""
    points = "".join(
        f'<trkpt lat="{a:.7f}" lon="{o:.7f}"><ele>{h:.1f}</ele>'
        f"<time>{(start + timedelta(seconds=float(t))).isoformat().replace('+00:00', 'Z')}</time></trkpt>\n"
        for a, o, h, t in zip(lat, lon, height, time_s, strict=True)
    )
    return (
        '<?xml version="1.0" encoding="UTF-8"?>\n<gpx xmlns="http://www.topografix.com/GPX/1/1" version="1.1" '
        f'creator="tests"><trk><name>a ride</name><trkseg>\n{points}</trkseg></trk></gpx>\n'
    )


def _crc16(data):
    """Checksum of the FIT protocol: CRC-16 of polynomial 0xA001."""
    crc = 0
    for byte in data:
        crc ^= byte
        for _ in range(8):
            crc = (crc >> 1) ^ 0xA001 if crc & 1 else crc >> 1
    return crc


def fit(lat, lon, height, speed_m_s, time_s):
    """A FIT activity of record messages: timestamp, position, altitude (5·(m + 500)), speed (mm/s)."""
    fields = [(253, 4, 0x86), (0, 4, 0x85), (1, 4, 0x85), (2, 2, 0x84), (6, 2, 0x84)]
    body = struct.pack("<BBBHB", 0x40, 0, 0, 20, len(fields)) + b"".join(struct.pack("BBB", *f) for f in fields)
    zero = datetime(1989, 12, 31, tzinfo=UTC)
    for a, o, h, v, t in zip(lat, lon, height, speed_m_s, time_s, strict=True):
        stamp = int((START - zero).total_seconds() + t)
        body += struct.pack(
            "<BIiiHH", 0, stamp, int(a * 2**31 / 180), int(o * 2**31 / 180), int(5 * (h + 500)), int(v * 1000)
        )
    head = struct.pack("<BBHI4s", 14, 0x20, 2132, len(body), b".FIT")
    head += struct.pack("<H", _crc16(head))
    return head + body + struct.pack("<H", _crc16(head + body))
