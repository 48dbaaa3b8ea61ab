"""A recording made elsewhere comes into the folder of a lake whole, once, and is read there."""

import json

import pytest

from lakefloor.algorithms._lake.facts import LakeFacts, write_facts
from lakefloor.algorithms._lake.folder import LakeFolder
from lakefloor.algorithms._lake.logs import copy_logs
from lakefloor.algorithms.core.reading.arrivals import arrival_record
from lakefloor.algorithms.core.reading.logs import read_logs

FIX = "$GPRMC,14000{},A,4500.00,N,09300.00,W,4.0,90.0,090726,,\r\n"
PIECES = [
    ("source-1", FIX.format(1).encode(), 1_000_000),
    ("source-2", b"$SDDBT,,f,3.0,M,,F\r\n", 1_250_000),
    ("source-1", FIX.format(2).encode(), 2_000_000),
]
FILES = [
    "events.jsonl",
    "marks.jsonl",
    "recording.json",
    "source-1.arrivals",
    "source-1.nmea",
    "source-2.arrivals",
    "source-2.nmea",
]


@pytest.fixture
def lake(tmp_path):
    path = tmp_path / "lake"
    path.mkdir()
    write_facts(path, LakeFacts("Lake Marrowby"))
    return LakeFolder(path)


@pytest.fixture
def recording(tmp_path):
    folder = tmp_path / "stick" / "2026-07-09_140000Z"
    folder.mkdir(parents=True)
    (folder / "recording.json").write_text(json.dumps({"layout": 1}))
    for name in ("events.jsonl", "marks.jsonl"):
        (folder / name).write_text('{"text": "lon,lat,depth"}\n')
    (folder / "recording.lock").write_text("")
    ends = {}
    for key, data, us in PIECES:
        ends[key] = ends.get(key, 0) + len(data)
        with open(folder / f"{key}.nmea", "ab") as raw:
            raw.write(data)
        with open(folder / f"{key}.arrivals", "ab") as beside:
            beside.write(arrival_record(1, ends[key], us, 10**15 + us))
    return folder


@pytest.mark.parametrize("given", ["folder", "folder above", "raw", "both raw"])
def test_a_recording_is_copied_whole_and_read_as_where_it_was_made(lake, recording, given):
    paths = {
        "folder": recording,
        "folder above": recording.parent,
        "raw": recording / "source-2.nmea",
        "both raw": [recording / "source-1.nmea", recording / "source-2.nmea"],
    }[given]
    (copy,) = copy_logs(lake, paths)
    assert copy == lake.logs / recording.name
    assert sorted(path.name for path in copy.iterdir()) == FILES
    here, there = read_logs(lake.logs).soundings, read_logs(recording).soundings
    assert here.time.astype(str).tolist() == ["2026-07-09T14:00:01.250"]
    assert here.time.tolist() == there.time.tolist()
    assert copy_logs(lake, paths) == []


def test_what_is_told_beside_a_recording_is_no_log(lake, recording):
    assert copy_logs(lake, [recording / "events.jsonl", recording / "source-1.arrivals"]) == []


def test_a_recording_that_lies_among_the_logs_is_not_copied(lake, recording):
    (copy,) = copy_logs(lake, recording)
    assert copy_logs(lake, copy) == []
    assert copy_logs(lake, lake.logs) == []


def test_another_recording_of_the_same_name_gets_a_number(lake, recording):
    copy_logs(lake, recording)
    with open(recording / "source-2.nmea", "ab") as raw:
        raw.write(b"$SDDBT,,f,4.0,M,,F\r\n")
    (copy,) = copy_logs(lake, recording)
    assert copy.name == f"{recording.name} (2)"
    assert read_logs(lake.logs).files[1].name == str(copy)


def test_a_log_that_lies_beside_a_recording_is_copied_with_it(lake, recording):
    (recording.parent / "plain.nmea").write_text(FIX.format(1) + PIECES[1][1].decode())
    copied = copy_logs(lake, recording.parent)
    assert sorted(path.name for path in copied) == [recording.name, "plain.nmea"]
