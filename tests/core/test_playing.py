"""Logs played back, and the faults put into them."""

from pathlib import Path

import numpy as np
import pytest

from lakefloor.algorithms.core import crs
from lakefloor.algorithms.core.errors import LakefloorError
from lakefloor.algorithms.core.playing.faults import FAULTS, with_faults
from lakefloor.algorithms.core.playing.timeline import (
    LONGEST_BREAK_S,
    logs_of,
    on_two_devices,
    sentence,
    sentences_of,
    timeline,
)
from lakefloor.algorithms.core.reading.arrivals import arrival_record
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
    assert np.abs(one.raw_depth - other.raw_depth).max() <= 0.0051
    # A depth follows its fix within the second, in which the boat goes about 3 m.
    lon, lat = crs.transform(other.x, other.y, reading.epsg, 4326)
    assert np.hypot((one.x - lon) * 76_700.0, (one.y - lat) * 111_200.0).max() < 4.0
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


def test_all_faults_together_on_a_line_that_is_broken_already(played):
    """Each takes what the others have made of the sentences."""
    some = played.select(slice(0, 3000))
    broken = with_faults(some, {"bytes": 0.01, "cut": 0.1}, seed=1)
    all_of_them = dict.fromkeys(FAULTS, 0.3)
    once = with_faults(broken, all_of_them, seed=2)
    assert (np.diff(once.seconds) >= 0).all()
    assert once.data == with_faults(broken, all_of_them, seed=2).data


def test_the_draw_of_a_fault_does_not_depend_on_the_others(played):
    some = played.select(slice(0, 1000))
    alone = with_faults(some, {"checksum": 0.05}, seed=7)
    late = with_faults(some, {"checksum": 0.05, "buffered": 0.5}, seed=7)
    assert alone.data == late.data


def test_late_sentences_come_behind_those_sent_after_them(played):
    some = played.select(slice(0, 1000))
    late = with_faults(some, {"late": 0.05}, seed=1)
    assert sorted(late.chunks) == sorted(some.chunks)
    assert late.chunks != some.chunks
    assert (np.diff(late.seconds) >= 0).all()


def test_plugs_are_pulled_at_ends_of_minutes(played):
    pulled = with_faults(played, {"unplugged": 0.2}, seed=1).unplugged
    assert 5 <= len(pulled) <= 20  # of 59
    assert (pulled % 60 == 0).all()


def test_glued_cut_doubled_and_noise_change_the_share_they_are_given(played):
    lines = len(played.data.splitlines())
    for name, change in (("glued", -1), ("doubled", 1)):
        count = len(with_faults(played, {name: 0.1}).data.splitlines())
        assert (count - lines) * change == pytest.approx(0.1 * lines, rel=0.15)
    for name in ("cut", "noise"):
        chunks = with_faults(played, {name: 0.1}).chunks
        assert sum(a != b for a, b in zip(chunks, played.chunks)) == pytest.approx(
            0.1 * lines, rel=0.15
        )


def test_one_byte_in_a_thousand_is_another(played):
    broken = np.frombuffer(with_faults(played, {"bytes": 0.001}).data, np.uint8)
    whole = np.frombuffer(played.data, np.uint8)
    assert (broken != whole).mean() == pytest.approx(0.001, rel=0.15)


def test_a_text_log_can_be_played_as_it_is():
    whole = timeline(LOGS / "2025-08-09.csv", as_text=True)
    assert whole.data == (LOGS / "2025-08-09.csv").read_bytes()
    soundings = read_logs(LOGS / "2025-08-09.csv").soundings
    assert len(whole) >= len(soundings) + 1
    breaks = np.diff(soundings.time.astype(np.int64)).clip(0, 20_000).sum() / 1000.0
    assert whole.seconds[-1] == pytest.approx(breaks, abs=1.5)


def test_a_recording_is_played_as_it_arrived(tmp_path, played):
    """Two sources, whose lines come in turn; the second session begins on another clock."""
    folder = tmp_path / "2025-05-17_223608Z"
    folder.mkdir()
    (folder / "recording.json").write_text("{}")
    some = played.select(slice(0, 600))
    for number, line in enumerate(on_two_devices(some), 1):
        ends = np.cumsum([len(chunk) for chunk in line.chunks])
        times = (1e6 * line.seconds).astype(int)
        sessions = np.where(line.seconds < 50.0, 1, 2)
        records = [
            arrival_record(session, end, us + 10**9 * (session == 1), us)
            for session, end, us in zip(sessions.tolist(), ends.tolist(), times.tolist())
        ]
        (folder / f"source-{number}.nmea").write_bytes(line.data)
        (folder / f"source-{number}.arrivals").write_bytes(b"".join(records))
    for given in (tmp_path, folder, folder / "source-2.nmea"):
        assert logs_of([given]) == [folder]
    whole = timeline(logs_of([tmp_path]))
    assert sorted(whole.chunks) == sorted(some.chunks)
    first = some.seconds < 50.0
    assert whole.select(slice(0, first.sum())).seconds == pytest.approx(
        np.sort(some.seconds[first]), abs=0.3
    )
    assert np.diff(whole.seconds).max() == pytest.approx(LONGEST_BREAK_S)


def test_soundings_without_a_time_are_left_out_where_others_have_one():
    reading = read_logs(LOGS / "2026-06-20.gpx")
    lon, lat = crs.transform(reading.soundings.x, reading.soundings.y, reading.epsg, 4326)
    some = reading.soundings.replace(x=lon, y=lat).select(slice(0, 10))
    time = some.time.copy()
    time[3] = np.datetime64("NaT")
    back = parse_nmea_log(sentences_of(some.replace(time=time)).data).soundings
    assert back.raw_depth == pytest.approx(np.delete(some.raw_depth, 3)[: len(back)], abs=0.0051)
    untimed = sentences_of(some.replace(time=np.full(10, np.datetime64("NaT", "ms"))))
    assert untimed.seconds[-1] == pytest.approx(9.0, abs=0.1)


def test_what_is_no_fault_is_refused():
    whole = timeline(NMEA).select(slice(0, 10))
    with pytest.raises(LakefloorError, match="no fault 'rain'"):
        with_faults(whole, {"rain": 0.1})
    with pytest.raises(LakefloorError, match="0 to 1"):
        with_faults(whole, {"cut": 2.0})


def test_a_sentence_has_its_checksum():
    # The example of the standard's checksum that the reader's own docstring has.
    assert sentence("SDDPT,2.4,-0.3") == b"$SDDPT,2.4,-0.3*7F\r\n"
