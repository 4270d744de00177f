"""Files with every element that their schemas know, in the schemas' order: only what belongs to the ride is read.

GPX 1.1: gpx.xsd, Topografix 2004; GPX 1.0: gpx.xsd, 2002; TCX: TrainingCenterDatabasev2.xsd, 2007. Elements and their
order are those of the schemas, from memory; gpxpy reads both versions of GPX the same; values are invented.
"""

import gpxpy
import numpy as np
import pytest

from optimizer.road.reading import read_log
from optimizer.road.ride import clean

POINT = """<{tag} lat="{lat:.7f}" lon="11.0"><ele>{ele}</ele><time>2026-05-01T08:00:{k:02d}Z</time>{speed}
<magvar>2.5</magvar><geoidheight>47.1</geoidheight><name>n</name><cmt>c</cmt><desc>d</desc><src>s</src>{link}
<sym>Flag</sym><type>t</type><fix>3d</fix><sat>9</sat><hdop>1.1</hdop><vdop>1.8</vdop><pdop>2.1</pdop>
<ageofdgpsdata>4</ageofdgpsdata><dgpsid>1</dgpsid>{extensions}</{tag}>
"""
NAMED = "<name>n</name><cmt>c</cmt><desc>d</desc><src>s</src>"
BOUNDS = '<bounds minlat="48" minlon="11" maxlat="49" maxlon="12"/>'
GPX_11 = """<?xml version="1.0" encoding="UTF-8"?>
<gpx xmlns="http://www.topografix.com/GPX/1/1" version="1.1" creator="made up"><metadata><name>n</name><desc>d</desc>
<author><name>a</name><email id="a" domain="example.org"/>{link}</author>
<copyright author="a"><year>2026</year><license>https://example.org</license></copyright>{link}
<time>2020-01-01T00:00:00Z</time><keywords>k</keywords>{bounds}<extensions/></metadata>{stray}
<rte>{named}{link}<number>1</number><type>t</type><extensions/>{route}</rte>
<trk>{named}{link}<number>1</number><type>t</type><extensions/><trkseg>{track}<extensions/></trkseg></trk>
<extensions/></gpx>
"""
GPX_10 = """<?xml version="1.0"?>
<gpx xmlns="http://www.topografix.com/GPX/1/0" version="1.0" creator="made up"><name>n</name><desc>d</desc>
<author>a</author><email>a@example.org</email><url>https://example.org</url><urlname>x</urlname>
<time>2020-01-01T00:00:00Z</time><keywords>k</keywords>{bounds}<trk>{named}<trkseg>{track}</trkseg></trk></gpx>
"""
TRACKPOINT = """<Trackpoint><Time>2026-05-01T08:00:{k:02d}Z</Time><Position><LatitudeDegrees>{lat:.7f}</LatitudeDegrees>
<LongitudeDegrees>11.0</LongitudeDegrees></Position><AltitudeMeters>{ele}</AltitudeMeters>
<DistanceMeters>{way}</DistanceMeters><HeartRateBpm><Value>120</Value></HeartRateBpm><Cadence>80</Cadence>
<SensorState>Present</SensorState><Extensions><TPX xmlns="http://www.garmin.com/xmlschemas/ActivityExtension/v2">
<Speed>5.0</Speed><RunCadence>80</RunCadence><Watts>90</Watts></TPX></Extensions></Trackpoint>
"""
LAP = """<Lap StartTime="2026-05-01T08:00:00Z"><TotalTimeSeconds>20</TotalTimeSeconds>
<DistanceMeters>77777</DistanceMeters><MaximumSpeed>33</MaximumSpeed><Calories>9</Calories>
<AverageHeartRateBpm><Value>120</Value></AverageHeartRateBpm><MaximumHeartRateBpm><Value>130</Value>
</MaximumHeartRateBpm><Intensity>Active</Intensity><Cadence>80</Cadence><TriggerMethod>Manual</TriggerMethod>
<Track>{points}</Track><Notes>x</Notes></Lap>
"""
TCX = """<?xml version="1.0" encoding="UTF-8"?>
<TrainingCenterDatabase xmlns="http://www.garmin.com/xmlschemas/TrainingCenterDatabase/v2"><Folders/><Activities>
<Activity Sport="Other"><Id>2026-05-01T08:00:00Z</Id>{laps}<Notes>x</Notes><Creator><Name>made up</Name></Creator>
</Activity></Activities><Author><Name>made up</Name></Author></TrainingCenterDatabase>
"""


def place(k):
    """5 m to the north and 1 m up each second."""
    return {"k": k, "lat": 48.0 + 5.0 * k / 111_200.0, "ele": 100 + k, "way": 5.0 * k}


def version_11():
    link = '<link href="https://example.org"><text>x</text><type>text/html</type></link>'
    more = {"link": link, "speed": "", "extensions": "<extensions><speed>5.0</speed></extensions>"}
    track = "".join(POINT.format(tag="trkpt", **more, **place(k)) for k in range(40))
    stray = POINT.format(tag="wpt", **more, **place(7)).replace("<ele>107", "<ele>900").replace("2026-05", "2026-01")
    route = POINT.format(tag="rtept", **more, **place(3)).replace("<time>2026-05-01T08:00:03Z</time>", "")
    return GPX_11.format(link=link, named=NAMED, bounds=BOUNDS, stray=stray, route=route, track=track)


def version_10():
    more = {"link": "<url>https://example.org</url><urlname>x</urlname>", "extensions": ""}
    more |= {"speed": "<course>0</course><speed>5.0</speed>"}
    track = "".join(POINT.format(tag="trkpt", **more, **place(k)) for k in range(40))
    return GPX_10.format(named=NAMED, bounds=BOUNDS, track=track)


@pytest.mark.parametrize("text", [version_11(), version_10()], ids=["1.1", "1.0"])
def test_gpx_with_every_element(tmp_path, text):
    path = tmp_path / "log.gpx"
    path.write_text(text)
    log = read_log(path)
    points = [p for t in gpxpy.parse(text).tracks for s in t.segments for p in s.points]
    assert len(log) == len(points) == 40
    assert np.array_equal(log.time_s, [p.time.timestamp() for p in points])
    assert np.array_equal(log.columns["altitude_m"], [p.elevation for p in points])
    assert np.all(log.columns["speed_m_s"] == 5.0)
    assert clean(log).after.distance_km == pytest.approx(0.195, rel=0.01)


def test_tcx_with_every_element(tmp_path):
    """Totals of laps, names and devices stand beside the track points, and are none of them."""
    laps = (LAP.format(points="".join(TRACKPOINT.format(**place(k)) for k in range(a, a + 20))) for a in (0, 20))
    path = tmp_path / "log.tcx"
    path.write_text(TCX.format(laps="".join(laps)))
    log = read_log(path)
    assert len(log) == 40 and log.time_s[-1] - log.time_s[0] == 39.0
    assert log.columns["distance_m"][-1] == 195.0 and np.all(log.columns["speed_m_s"] == 5.0)
    assert clean(log).after.distance_km == pytest.approx(0.195, rel=0.01)
