"""Time zones by Qt's database, where Python has none."""

import pickle
import sys
import zoneinfo
from datetime import datetime, timedelta, timezone

import numpy as np
import pytest
from qgis.core import QgsVectorLayer

from lakefloor.algorithms._io.time_zones import QtZone, zone
from lakefloor.algorithms.core.errors import LakefloorError
from lakefloor.algorithms.core.times import to_utc

ZONES = (
    "America/Chicago",
    "Europe/Berlin",
    "Australia/Lord_Howe",
    "Pacific/Auckland",
    "Asia/Kathmandu",
    "America/St_Johns",
    "Africa/Casablanca",
)


@pytest.mark.parametrize("name", ZONES)
def test_agrees_with_pythons_database(name):
    ours, theirs = QtZone(name), zoneinfo.ZoneInfo(name)
    assert ours.known
    rng = np.random.default_rng(0)
    seconds = list(rng.integers(0, 1_900_000_000, 300))
    for year in range(2022, 2027):  # every quarter of an hour around each change of the clock
        for k in range(365 * 24):
            utc = datetime(year, 1, 1, tzinfo=timezone.utc) + timedelta(hours=k)
            after = utc + timedelta(hours=1)
            if utc.astimezone(theirs).utcoffset() != after.astimezone(theirs).utcoffset():
                start = int(utc.timestamp())
                seconds += list(range(start - 14 * 900, start + 14 * 900, 900))
    for second in seconds:
        utc = datetime.fromtimestamp(int(second), timezone.utc)
        there = utc.astimezone(theirs)
        assert utc.astimezone(ours).replace(tzinfo=None) == there.replace(tzinfo=None)
        assert utc.astimezone(ours).fold == there.fold
        for fold in (0, 1):
            wall = there.replace(tzinfo=None, fold=fold)
            assert wall.replace(tzinfo=ours).utcoffset() == wall.replace(tzinfo=theirs).utcoffset()


def test_a_zone_that_nobody_knows():
    assert not QtZone("Lake/Nowhere").known
    with pytest.raises(LakefloorError, match="Lake/Nowhere"):
        zone("Lake/Nowhere")
    assert str(pickle.loads(pickle.dumps(QtZone("Europe/Berlin")))) == "Europe/Berlin"


@pytest.fixture
def no_database(monkeypatch):
    """Python without a zone database, as on Windows without the package tzdata."""
    monkeypatch.setitem(sys.modules, "tzdata", None)
    zoneinfo.reset_tzpath(to=[])
    zoneinfo.ZoneInfo.clear_cache()
    yield
    zoneinfo.reset_tzpath()
    zoneinfo.ZoneInfo.clear_cache()


def test_logs_are_read_without_pythons_database(run, no_database, tmp_path):
    assert isinstance(zone("America/Chicago"), QtZone)
    path = tmp_path / "log.csv"
    path.write_text(
        "time,lat,lon,depth_m\n"
        + "".join(f"2025-11-01 23:{i:02d}:40,45.{i:04d},-93.1,3.{i}\n" for i in range(30))
    )
    result = run(
        "readlogs",
        {
            "INPUT": [str(path)],
            "TIME_ZONE": "America/Chicago",
            "OUTPUT": str(tmp_path / "out.gpkg"),
        },
    )
    layer = QgsVectorLayer(result["OUTPUT"], "soundings", "ogr")
    rows = list(layer.getFeatures())
    assert {f["visit"] for f in rows} == {"2025-11-01"}
    assert {f["corrections"] for f in rows} == {"from=unknown;utc_offset_h=-5"}
    assert min(f["time"].toUTC().toString("yyyy-MM-dd HH:mm") for f in rows) == "2025-11-02 04:00"


def test_the_hour_that_autumn_repeats_is_resolved_as_with_python(no_database):
    local = np.datetime64("2025-11-02T00:45", "ms") + np.timedelta64(900, "s") * np.r_[0:5, 1:9]
    utc, notes = to_utc(local, QtZone("America/Chicago"))
    assert (np.diff(utc) == np.timedelta64(900, "s")).all()
    assert "repeats in America/Chicago" in notes[0]
