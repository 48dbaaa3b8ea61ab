"""A file into which another program writes: added to, cut, replaced, written anew."""

import os
import random
import sys
from pathlib import Path

import pytest

pytest.importorskip("qgis.core", reason="QGIS is not installed for this Python")

sys.path.insert(0, str(Path(__file__).parent))
from source_hands import SENTENCES, Ear, wait, wait_until

from lakefloor.plugin.water.sources import SourceSpec, growing_file, open_source, source

RANDOM = random.Random(17)


@pytest.fixture(autouse=True)
def brisk(monkeypatch):
    monkeypatch.setattr(source, "LOOK_MS", 60)
    monkeypatch.setattr(growing_file, "_PACE_MS", 20)


@pytest.fixture
def path(tmp_path):
    return tmp_path / "out" / "log.nmea"


@pytest.fixture
def opened(qgis_app, path):
    path.parent.mkdir()
    made = []

    def begin(tail=b""):
        reader = open_source(SourceSpec("file", str(path)), tail)
        ear = Ear(reader)
        made.append(reader)
        reader.open()
        return reader, ear

    yield begin
    for reader in made:
        reader.close()


def _add(path, data):
    with open(path, "ab") as file:
        file.write(data)


def test_what_was_there_before_is_earlier(path, opened):
    path.write_bytes(b"$OLD*00\r\n" * 2000)
    _, ear = opened()
    assert ear.state == "open"
    wait(0.2)
    assert ear.data == b""
    for start in range(0, len(SENTENCES), 17):
        _add(path, SENTENCES[start : start + 17])
        wait(0.03)
    wait_until(lambda: ear.data == SENTENCES)
    assert len(ear.pieces) > 3


def test_of_an_unfinished_line_the_whole_is_read(path, opened):
    path.write_bytes(b"$OLD*00\r\n" + SENTENCES[:30])
    _, ear = opened()
    _add(path, SENTENCES[30:])
    wait_until(lambda: ear.data == SENTENCES)


def test_without_a_line_end_it_begins_at_the_end(path, opened):
    path.write_bytes(b"\x00" * 10_000)
    _, ear = opened()
    _add(path, SENTENCES)
    wait_until(lambda: ear.data == SENTENCES)


def test_a_file_that_comes_later_is_read_from_its_start(path, opened):
    _, ear = opened()
    assert ear.state == "gone"
    assert "as soon as the other program writes it" in ear.text
    path.write_bytes(SENTENCES)
    wait_until(lambda: ear.data == SENTENCES)
    assert ear.state == "open"


def test_a_megabyte_at_once(path, opened):
    path.touch()
    _, ear = opened()
    data = RANDOM.randbytes(3 * 2**20)
    _add(path, data)
    wait_until(lambda: len(ear.data) >= len(data))
    assert ear.data == data


def test_truncated(path, opened):
    path.write_bytes(b"$OLD*00\r\n" * 100)
    _, ear = opened()
    _add(path, SENTENCES)
    wait_until(lambda: ear.data == SENTENCES)
    os.truncate(path, 0)
    wait(0.1)
    _add(path, SENTENCES)
    wait_until(lambda: ear.data == 2 * SENTENCES)


def test_written_anew_and_longer_than_before_at_one_look(path, opened):
    path.write_bytes(b"$OLD*00\r\n")
    _, ear = opened()
    new = SENTENCES * 50
    with open(path, "r+b") as file:
        file.truncate(0)
        file.write(new)
    wait_until(lambda: len(ear.data) >= len(new))
    assert ear.data == new


def test_rotated_with_bytes_that_came_last(path, opened):
    path.write_bytes(b"$OLD*00\r\n")
    _, ear = opened()
    with open(path, "ab", buffering=0) as writer:
        writer.write(SENTENCES)
        wait_until(lambda: ear.data == SENTENCES)
        writer.write(b"$LAST*00\r\n")
        os.rename(path, path.with_suffix(".1"))
        path.write_bytes(b"$NEW*00\r\n")
    wait_until(lambda: b"NEW" in ear.data)
    assert ear.data == SENTENCES + b"$LAST*00\r\n$NEW*00\r\n"
    assert ear.state == "open"
    _add(path, SENTENCES)
    wait_until(lambda: ear.data.endswith(b"$NEW*00\r\n" + SENTENCES))


def test_taken_away_and_back(path, opened):
    path.write_bytes(SENTENCES)
    _, ear = opened()
    path.unlink()
    wait_until(lambda: ear.state == "gone")
    assert "was taken away" in ear.text
    path.write_bytes(SENTENCES)
    wait_until(lambda: ear.data == SENTENCES)


def test_silent(path, opened, monkeypatch):
    monkeypatch.setattr(source, "SILENT_S", 0.3)
    path.touch()
    _, ear = opened()
    wait_until(lambda: ear.state == "silent")
    _add(path, SENTENCES)
    wait_until(lambda: ear.state == "open")


def test_a_resumed_recording_goes_on_where_it_stopped(path, opened):
    recorded = b"".join(b"$SDDPT,%d.%d,0.0*00\r\n" % divmod(n, 10) for n in range(400))
    missed = SENTENCES * 30
    path.write_bytes(b"$OLD*00\r\n" * 5000 + recorded + missed)
    _, ear = opened(recorded[-2000:])
    wait_until(lambda: ear.data == missed)
    _add(path, SENTENCES)
    wait_until(lambda: ear.data == missed + SENTENCES)


def test_a_tail_that_is_not_in_the_file_means_nothing(path, opened):
    path.write_bytes(b"$OLD*00\r\n" * 50)
    _, ear = opened(b"$ELSEWHERE*00\r\n")
    _add(path, SENTENCES)
    wait_until(lambda: ear.data == SENTENCES)


def test_a_tail_over_the_edge_of_two_pieces_is_found(path, opened, monkeypatch):
    monkeypatch.setattr(growing_file, "_PIECE", 1000)
    tail = bytes(RANDOM.choices(b"abcdefgh", k=300))
    for before in (690, 700, 710, 990, 1000, 1010):
        path.write_bytes(b"x" * before + tail + SENTENCES * 8)
        reader, ear = opened(tail)
        wait_until(lambda ear=ear: ear.data == SENTENCES * 8)
        reader.close()


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="POSIX")
def test_what_is_no_file(path, opened):
    """One that waits for a writer would hold the thread for ever."""
    os.mkfifo(path)
    _, ear = opened()
    assert ear.state == "gone"
    assert "it is no file" in ear.text


def test_closed_is_closed(path, opened):
    path.touch()
    reader, ear = opened()
    reader.close()
    _add(path, SENTENCES)
    wait(0.2)
    assert ear.data == b""
    assert ear.state == "gone"
