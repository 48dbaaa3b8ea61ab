"""Clean soundings on the example lake's own logs: planted faults found, the rest left alone."""

import csv
import re
import sys
from collections import Counter
from pathlib import Path

import numpy as np
import pytest

from lakefloor.algorithms.core.cleaning.cleaning import clean
from lakefloor.algorithms.core.reading.logs import read_logs
from lakefloor.algorithms.core.soundings import ACCEPTED

EXAMPLE = Path(__file__).resolve().parents[2] / "example_project"
sys.path.insert(0, str(EXAMPLE))
import generate
import truth

#: Kinds of planted.csv that put a wrong depth or position into the soundings.
GROSS = ("spike", "double_echo", "zero_depth", "position_jump", "duplicate")
#: A depth further than this from the truth is a gross error, m.
GROSS_ERROR = 1.0


def clock_of_lines(text):
    """UTC second of each line of a log: its own time, or the last one before it."""
    clocks, clock = [], None
    date = re.search(r"RMC,.*,(\d\d)(\d\d)(\d\d),,,A", text)
    day = np.datetime64("20{2}-{1}-{0}".format(*date.groups())) if date else None
    for line in text.splitlines():
        nmea = re.match(r"\$GP(?:GGA|RMC),(\d\d)(\d\d)(\d\d)", line)
        stamp = re.search(r"(\d{4}-\d\d-\d\d)[T ](\d\d:\d\d:\d\d)(-05:00)?", line)
        if nmea:
            before, clock = clock, np.datetime64(f"{day}T" + ":".join(nmea.groups()))
            if before is not None and clock < before:  # midnight
                day, clock = day + 1, clock + np.timedelta64(1, "D")
        elif stamp:
            clock = np.datetime64(f"{stamp[1]}T{stamp[2]}")
            clock += np.timedelta64(5 if stamp[3] else 0, "h")
        clocks.append(clock)
    return clocks


@pytest.fixture(scope="module")
def judged():
    """The example's soundings as cleaned, and what was planted in each ("" if nothing)."""
    soundings = clean(read_logs([EXAMPLE / "logs"], target_epsg=truth.EPSG).soundings).soundings
    with open(EXAMPLE / "planted.csv", encoding="utf-8", newline="") as file:
        rows = [row for row in csv.DictReader(file) if row["kind"] in GROSS]
    clocks = {
        name: clock_of_lines((EXAMPLE / name).read_text()) for name in {row["file"] for row in rows}
    }
    planted = {clocks[row["file"]][int(row["line"]) - 1]: row["kind"] for row in rows}
    kind = np.array([planted.get(t, "") for t in soundings.time.astype("datetime64[s]")])
    first = np.unique(soundings.time, return_index=True)[1]
    kind[np.intersect1d(first, np.flatnonzero(kind == "duplicate"))] = ""  # the first is no repeat
    return soundings, kind, len(set(planted))


def test_every_planted_second_is_in_the_soundings(judged):
    _, kind, planted = judged
    assert np.count_nonzero(kind != "") == planted


def test_planted_faults_are_found(judged):
    soundings, kind, _ = judged
    total = Counter(kind[kind != ""])
    missed = Counter(kind[(kind != "") & (soundings.status == ACCEPTED)])
    print({name: f"{total[name] - missed[name]} of {total[name]}" for name in GROSS})
    assert set(total) == set(GROSS)
    assert sum(missed.values()) <= 0.02 * sum(total.values())


def test_gross_errors_against_the_truth_are_found_and_good_soundings_stay(judged):
    soundings, kind, _ = judged
    water = truth.depth_m(soundings.x, soundings.y) + generate.level_m(soundings.time)
    error = soundings.depth - (water - generate.DRAFT)
    with np.errstate(invalid="ignore"):
        gross = ~(np.abs(error) <= GROSS_ERROR)
    good = ~gross & (kind == "")
    kept = soundings.status == ACCEPTED
    print(
        f"{np.count_nonzero(gross)} gross errors, {np.count_nonzero(gross & kept)} accepted; "
        f"{np.count_nonzero(good & ~kept)} of {np.count_nonzero(good)} good ones rejected"
    )
    assert np.count_nonzero(gross & kept) <= 0.02 * np.count_nonzero(gross)
    assert np.mean(~kept[good]) <= 0.001
