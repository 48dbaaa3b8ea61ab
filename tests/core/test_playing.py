"""Logs played back, and the faults put into them."""

from pathlib import Path

import numpy as np
import pytest

from lakefloor.algorithms.core.errors import LakefloorError
from lakefloor.algorithms.core.playing.faults import FAULTS, with_faults
from lakefloor.algorithms.core.playing.timeline import on_two_devices, sentence, timeline
from lakefloor.algorithms.core.reading.logs import read_logs
from lakefloor.algorithms.core.reading.nmea_log import parse_nmea_log
from lakefloor.algorithms.core.reading.nmea_sentences import collect_sentences
from lakefloor.algorithms.core.reading.parsed_log import UnreadTally

LOGS = Path(__file__).resolve().parents[2] / "example_project" / "logs"
NMEA = LOGS / "2025-05-17_1.nmea"


@pytest.fixture(scope="module")
def played():
    return timeline(NMEA)


def _unread(data):
    tally = UnreadTally()
    log = collect_sentences(data, tally, [], lambda _: None)
    return tally.counts, log


def test_a_log_of_sentences_is_played_byte_for_byte_by_its_own_times(played):
    assert played.data == NMEA.read_bytes()
    assert (np.diff(played.seconds) >= 0).all()
    # Its fixes are one a second, 3600 of them.
    assert played.seconds[-1] == pytest.approx(3599, abs=1)


@pytest.mark.parametrize("name", ["2025-08-09.csv", "2026-06-20.gpx"])
def test_other_logs_are_played_as_sentences_that_read_back_alike(name):
    whole = timeline(LOGS / name)
    back = parse_nmea_log(whole.data).soundings
    reading = read_logs(LOGS / name)
    there = dict(zip(reading.soundings.time.astype("datetime64[s]").tolist(), range(10**6)))
    rows = [there.get(t) for t in back.time.astype("datetime64[s]").tolist()]
    kept = np.array([row is not None for row in rows])
    assert kept.mean() > 0.95
    rows = np.array([row for row in rows if row is not None])
    one, other = back.select(kept), reading.soundings.select(rows)
    # Depths are sent to the centimeter, hardness to the thousandth.
    assert np.nanmedian(np.abs(one.raw_depth - other.raw_depth)) <= 0.0051
    assert np.isfinite(one.hardness).mean() == pytest.approx(
        np.isfinite(other.hardness).mean(), abs=0.05
    )
    assert np.nanmedian(np.abs(one.hardness - other.hardness)) <= 0.0006


def test_two_devices_send_what_one_line_did(played):
    receiver, sounder = on_two_devices(played)
    assert len(receiver) + len(sounder) == len(played)
    assert {chunk[3:6] for chunk in sounder.chunks} == {b"DPT", b"DBT", b"MTW"}


def test_faults_come_again_with_their_seed_and_differ_with_another(played):
    some = played.select(slice(0, 2000))
    one = with_faults(some, {"bytes": 0.001, "cut": 0.01}, seed=4)
    assert one.data == with_faults(some, {"bytes": 0.001, "cut": 0.01}, seed=4).data
    assert one.data != with_faults(some, {"bytes": 0.001, "cut": 0.01}, seed=5).data


@pytest.mark.parametrize("name", FAULTS)
def test_a_fault_of_no_share_changes_nothing(played, name):
    some = played.select(slice(0, 500))
    same = with_faults(some, {name: 0.0})
    assert same.data == some.data
    assert (same.seconds == some.seconds).all()


def test_wrong_checksums_are_wrong(played):
    counts, _ = _unread(with_faults(played, {"checksum": 0.1}).data)
    assert counts["wrong checksum"] == pytest.approx(0.1 * len(played), rel=0.2)


def test_lost_fixes_are_told_by_their_status(played):
    counts, log = _unread(with_faults(played, {"nofix": 0.3}, seed=1).data)
    assert counts["no valid fix (status V or quality 0)"] > 500
    assert set(counts) - set(_unread(played.data)[0]) == {"no valid fix (status V or quality 0)"}
    assert len(log.fixes[0]) > 0


def test_a_second_sounder_is_another_talker(played):
    _, log = _unread(with_faults(played, {"seconddepth": 1.0}).data)
    assert len(log.depths["IIDBT"].at) == len(log.depths["SDDPT"].at)


def test_minutes_without_a_depth_keep_their_fixes(played):
    whole = with_faults(played, {"nodepth": 0.3}, seed=2)
    _, log = _unread(whole.data)
    _, before = _unread(played.data)
    assert len(log.fixes[0]) == len(before.fixes[0])
    assert len(log.depths["SDDPT"].at) < 0.95 * len(before.depths["SDDPT"].at)


def test_what_was_held_back_comes_later_and_whole(played):
    held = with_faults(played, {"buffered": 0.5}, seed=3)
    assert held.data == played.data
    assert (held.seconds >= played.seconds - 1e-9).all()
    assert (held.seconds > played.seconds + 1.0).any()


def test_an_old_date_is_mended_by_the_reader(played):
    old = with_faults(played, {"olddate": 1.0})
    assert b"170525" not in old.data
    name_date = np.datetime64("2025-05-17")
    mended = parse_nmea_log(old.data, name_date=name_date).soundings
    assert mended.time[0].astype("datetime64[D]") == name_date


def test_what_is_no_fault_is_refused():
    whole = timeline(NMEA).select(slice(0, 10))
    with pytest.raises(LakefloorError, match="no fault 'rain'"):
        with_faults(whole, {"rain": 0.1})
    with pytest.raises(LakefloorError, match="0 to 1"):
        with_faults(whole, {"cut": 2.0})


def test_a_sentence_has_its_checksum():
    # The example of the standard's checksum that the reader's own docstring has.
    assert sentence("SDDPT,2.4,-0.3") == b"$SDDPT,2.4,-0.3*7F\r\n"
