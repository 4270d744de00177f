"""Logs as people have them: found columns, units, stamps; files that are cut off, damaged or no logs at all."""

import gpxpy
import numpy as np
import pytest
from rides import Truth, fit, gpx

from optimizer.base.problems import BadInput
from optimizer.road.columns import recognise
from optimizer.road.reading import read_log

TRUTH = Truth(seed=1, seconds=300)

# The example of a Trackpoint as the schema's documentation prints it (TrainingCenterDatabase v2; from memory).
TCX = """<?xml version="1.0" encoding="UTF-8"?>
<TrainingCenterDatabase xmlns="http://www.garmin.com/xmlschemas/TrainingCenterDatabase/v2"><Activities>
<Activity Sport="Biking"><Id>2026-05-01T08:00:00Z</Id><Lap StartTime="2026-05-01T08:00:00Z"><Track>
{points}</Track></Lap></Activity></Activities></TrainingCenterDatabase>"""


def codes(error):
    return {problem.code for problem in error.value.problems}


def write(tmp_path, text, name="log.csv", encoding="utf-8"):
    path = tmp_path / name
    path.write_bytes(text if isinstance(text, bytes) else text.encode(encoding))
    return path


@pytest.mark.parametrize(
    ("headers", "expected"),
    [
        ("time_s,speed_kmh,voltage_v,current_a,altitude_m", {"clock": "s", "speed_m_s": "kmh", "voltage_v": "v",
         "current_a": "a", "altitude_m": "m"}),
        ("Time [ms],V [V],I [A],v [km/h]", {"clock": "ms", "voltage_v": "v", "current_a": "a", "speed_m_s": "kmh"}),
        ("Datum,Uhrzeit,Geschwindigkeit [km/h],Spannung [V],Strom [A],Höhe [m],Temp Akku", {"date": "", "clock": "",
         "speed_m_s": "kmh", "voltage_v": "v", "current_a": "a", "altitude_m": "m", "cell_temp_c": ""}),
        ("timestamp,lat,lng,elevation [ft],Speed(mph),Distance (mi)", {"clock": "", "latitude_deg": "",
         "longitude_deg": "", "altitude_m": "ft", "speed_m_s": "mph", "distance_m": "mi"}),
        ("Tempo (s),Velocità (km/h),Quota (m),Tensione (V),Corrente (A)", {"clock": "s", "speed_m_s": "kmh",
         "altitude_m": "m", "voltage_v": "v", "current_a": "a"}),
        ("gnss_posTime,gnss_alt,input_voltage,current_in,current_motor,amp_hours_used,watt_hours_used,gnss_gVel", {
         "clock": "", "altitude_m": "", "voltage_v": "", "current_a": "", "speed_m_s": ""}),
        ("Timestamp,Bat. V,Bat. A,Motor A,Phase A,Controller Temp C,Vel. km/h", {"clock": "", "voltage_v": "v",
         "current_a": "a", "speed_m_s": "kmh"}),
    ],
)  # fmt: skip
def test_columns_are_known_by_name_and_unit(headers, expected):
    assert {c.quantity: c.unit for c in recognise(headers.split(","))} == expected


def test_gpx_reads_as_gpxpy_reads_it(tmp_path):
    """gpxpy as a second reader of the same file."""
    lat, lon = TRUTH.degrees()
    path = write(tmp_path, gpx(lat, lon, TRUTH.height_m, TRUTH.time_s), "log.gpx")
    log = read_log(path)
    points = [p for t in gpxpy.parse(path.read_text()).tracks for s in t.segments for p in s.points]
    assert np.array_equal(log.columns["latitude_deg"], [p.latitude for p in points])
    assert np.array_equal(log.columns["altitude_m"], [p.elevation for p in points])
    assert np.array_equal(log.time_s, [p.time.timestamp() for p in points])


def test_tcx_reads_positions_distance_and_speed(tmp_path):
    points = "".join(
        f"<Trackpoint><Time>2026-05-01T08:00:{k:02d}.000+02:00</Time><Position><LatitudeDegrees>48.{k:03d}"
        f"</LatitudeDegrees><LongitudeDegrees>11.0</LongitudeDegrees></Position><AltitudeMeters>{100 + k}"
        f"</AltitudeMeters><DistanceMeters>{5 * k}</DistanceMeters><Extensions><TPX xmlns='http://www.garmin.com/"
        f"xmlschemas/ActivityExtension/v2'><Speed>5.0</Speed></TPX></Extensions></Trackpoint>"
        for k in range(30)
    )
    log = read_log(write(tmp_path, TCX.format(points=points), "log.tcx"))
    assert log.time_s[0] == 1777615200.0  # 06:00 UTC
    assert log.columns["distance_m"][-1] == 145.0 and log.columns["speed_m_s"][3] == 5.0
    assert log.columns["latitude_deg"][2] == 48.002 and log.columns["altitude_m"][29] == 129.0


def test_fit_reads_and_a_bad_checksum_is_said(tmp_path):
    lat, lon = TRUTH.degrees()
    data = fit(lat, lon, TRUTH.height_m, TRUTH.speed_m_s, TRUTH.time_s)
    log = read_log(write(tmp_path, data, "log.fit"))
    assert len(log) == 300 and not log.notes
    assert np.allclose(log.columns["speed_m_s"], TRUTH.speed_m_s, atol=0.001)
    assert np.allclose(log.columns["altitude_m"], TRUTH.height_m, atol=0.2)
    assert np.allclose(log.columns["latitude_deg"], lat, atol=1e-6)
    wrong = data[:-2] + bytes([data[-2] ^ 0xFF, data[-1]])
    log = read_log(write(tmp_path, wrong, "wrong.fit"))
    assert len(log) == 300 and any("checksum" in note for note in log.notes)
    log = read_log(write(tmp_path, data[: len(data) // 2], "cut.fit"))
    assert 100 < len(log) < 200 and any("cut off" in note for note in log.notes)


def test_a_gpx_that_is_cut_off_gives_what_came_before(tmp_path):
    lat, lon = TRUTH.degrees()
    text = gpx(lat, lon, TRUTH.height_m, TRUTH.time_s)
    log = read_log(write(tmp_path, text[: len(text) // 2], "cut.gpx"))
    assert 140 < len(log) < 155
    assert any("cut off" in note for note in log.notes)


@pytest.mark.parametrize(
    ("content", "code"),
    [
        (b"", "empty-log"), (b"\n\n\n", "empty-log"), (b"time_s,speed_kmh\n", "empty-log"),
        (b"<?xml version='1.0'?><!DOCTYPE gpx [<!ENTITY a 'b'>]><gpx>&a;</gpx>", "bad-xml"),
        (b"<gpx><trk><trkseg></trkseg></trk></gpx>", "empty-log"),
        (b"<gpx><trk><trkseg><trkpt lat='1' lon='1'/></trkseg></trk></gpx>", "no-time"),
        (b"PK\x03\x04xxxx", "not-a-log"), (b"1,2,3\n4,5,6\n", "no-header"), (b"speed_kmh,x\n1,2\n", "no-time"),
        (b"\x0e\x20\x00\x00\xff\xff\xff\xff.FIT\x00\x00", "bad-fit"),
        (b"time,speed_kmh\n2026-05-01T08:00:00Z,5\n2026-05-01T08:00:01,5\n", "zones"),
    ],
)  # fmt: skip
def test_what_is_no_log_is_refused_in_one_message(tmp_path, content, code):
    with pytest.raises(BadInput) as error:
        read_log(write(tmp_path, content, "log.any"))
    assert codes(error) == {code}


def test_spreadsheet_habits(tmp_path):
    """A page before the header, semicolons, decimal commas, Latin-1, a row of units, date and clock apart."""
    rows = "".join(f"12.05.2026;09:00:{k:02d};{36 + k},5;{100 + k},25\n" for k in range(20))
    text = f"Logger 3\nserial;1234\n\nDatum;Uhrzeit;Geschwindigkeit;Höhe\n;;km/h;m\n{rows}"
    log = read_log(write(tmp_path, text, encoding="cp1252"))
    assert np.allclose(log.columns["speed_m_s"][:2], [36.5 / 3.6, 37.5 / 3.6])
    assert log.columns["altitude_m"][1] == 101.25
    assert log.time_s[0] == 1778576400.0 and np.all(np.diff(log.time_s) == 1.0)  # 2026-05-12 09:00


def test_miles_feet_and_milliseconds(tmp_path):
    text = "ms_today,speed_mph,alt_ft\n" + "".join(f"{100 * k},{10},{1000}\n" for k in range(50))
    log = read_log(write(tmp_path, text))
    assert np.allclose(log.columns["speed_m_s"], 4.4704) and np.allclose(log.columns["altitude_m"], 304.8)
    assert np.isclose(log.time_s[-1], 4.9)


def test_named_columns_go_before_what_names_tell(tmp_path):
    text = "time_s,speed_kmh,Spd\n" + "".join(f"{k},10,20\n" for k in range(50))
    log = read_log(write(tmp_path, text), named={"speed_mph": "Spd"})
    assert np.allclose(log.columns["speed_m_s"], 20 * 0.44704)
    with pytest.raises(BadInput) as error:
        read_log(write(tmp_path, text), named={"speed_mph": "Spt"})
    assert codes(error) == {"unknown-column"} and "nearest: Spd" in str(error.value)


def test_a_speed_without_a_unit_is_told_by_the_way_or_refused(tmp_path):
    lat, lon = TRUTH.degrees(np.random.default_rng(0).normal(0, 2, (2, 300)))
    rows = zip(TRUTH.time_s, 3.6 * TRUTH.speed_m_s, lat, lon, strict=True)
    text = "time,Speed,lat,lon\n" + "".join(f"{t},{v:.2f},{a:.7f},{o:.7f}\n" for t, v, a, o in rows)
    log = read_log(write(tmp_path, text))
    assert np.allclose(log.columns["speed_m_s"], TRUTH.speed_m_s, atol=0.01)
    with pytest.raises(BadInput) as error:
        read_log(write(tmp_path, "time,Speed\n" + "".join(f"{k},20\n" for k in range(50))))
    assert codes(error) == {"unknown-unit"}
    assert recognise(["Clock", "mph"])[1].unit == "mph"
