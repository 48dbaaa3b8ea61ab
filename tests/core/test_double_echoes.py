"""Long double echoes on lakes that no limit was chosen on, and ground that only looks like some."""

import numpy as np
import pytest

from lakefloor.algorithms.core.cleaning.cleaning import clean
from lakefloor.algorithms.core.cleaning.reasons import DOUBLE_ECHO
from lakefloor.algorithms.core.soundings import Soundings

DRAFT = 0.3


def basin(seed):
    """Return a bottom of 2 to 12 m with bars, holes and a shelf."""
    rng = np.random.default_rng(seed)
    waves = rng.uniform((40.0, 0.0, 0.2), (140.0, 6.3, 1.1), (6, 3))
    courses = rng.uniform(0.0, np.pi, 6)
    shelf = rng.uniform(120.0, 260.0)

    def bottom(x, y):
        depth = 5.5 + 2.0 * np.tanh((x - shelf) / 14.0)
        for (length, phase, height), course in zip(waves, courses):
            along = x * np.cos(course) + y * np.sin(course)
            depth = depth + height * np.sin(2.0 * np.pi * along / length + phase)
        return np.maximum(depth, 1.2)

    return bottom


def survey(bottom, seed, spacing=20.0, parts=4, turns=True, lengths=(100, 341)):
    """Lanes and three cross-lines, some stretches at twice the depth; the truth of each ping."""
    rng = np.random.default_rng(1000 + seed)
    x, y, lane = [], [], []
    for k, north in enumerate(np.arange(0.0, 241.0, spacing)):
        along = np.arange(0.0, 400.0, 1.0)
        x.append(along if k % 2 == 0 else along[::-1])
        y.append(np.full(len(along), north))
        lane.append(np.full(len(along), k + 1))
    for k, east in enumerate((70.0, 210.0, 330.0)):
        along = np.arange(0.0, 240.0, 1.0)
        x.append(np.full(len(along), east))
        y.append(along if k % 2 == 0 else along[::-1])
        lane.append(np.full(len(along), 100 + k))
    x, y, lane = (np.concatenate(v) for v in (x, y, lane))
    depth = bottom(x, y)
    reported = depth + rng.normal(0.0, 0.04, len(x))
    double = np.zeros(len(x), dtype=bool)
    for number in range(parts):
        which = rng.choice(np.arange(1, 13))
        rows = np.flatnonzero(lane == which)
        size = int(rng.integers(*lengths))
        # Every second one at an end of its lane.
        first = rows[0] if number % 2 else rows[0] + int(rng.integers(20, len(rows) - size - 20))
        double[first : first + size] = True
    # Sound counts from the transducer, the logged depth from the surface.
    reported[double] = 2.0 * (reported[double] - DRAFT) + DRAFT
    seconds = np.arange(len(x)) + 300 * lane
    return (
        Soundings.build(
            x + rng.normal(0.0, 0.4, len(x)),
            y + rng.normal(0.0, 0.4, len(x)),
            reported,
            time=np.datetime64("2026-06-01T08:00:00", "ms") + seconds.astype("timedelta64[s]"),
            lane=lane.astype(int) if turns else 0,
            visit="June",
        ),
        double,
    )


@pytest.mark.parametrize(("spacing", "least"), [(10.0, 0.8), (20.0, 0.9)])
def test_long_stretches_are_found_and_their_neighbors_stay(spacing, least):
    """Beside other doubled lanes 10 m away some stay in doubt."""
    found, named, lost = [], [], []
    for seed in range(8):
        soundings, double = survey(basin(seed), seed, spacing)
        status = clean(soundings).soundings.status
        found.append(np.mean(status[double] != "accepted"))
        named.append(np.mean(status[double] == DOUBLE_ECHO))
        lost.append(np.mean(status[~double] != "accepted"))
    assert np.mean(found) >= least
    assert np.mean(named) >= least
    assert np.mean(lost) <= 0.003


@pytest.mark.parametrize("seed", range(3))
def test_a_whole_lane_that_cross_lines_refute(seed):
    soundings, _ = survey(basin(seed), seed, parts=0)
    whole = soundings.lane == 6
    depth = np.where(whole, 2.0 * soundings.depth, soundings.depth)
    doubled = Soundings.build(
        soundings.x, soundings.y, depth, time=soundings.time, lane=soundings.lane, visit="June"
    )
    status = clean(doubled).soundings.status
    assert np.mean(status[whole] == DOUBLE_ECHO) > 0.95
    assert np.mean(status[~whole] != "accepted") <= 0.003


@pytest.mark.parametrize("seed", range(4))
def test_without_echoes_nothing_is_one(seed):
    soundings, _ = survey(basin(seed), seed, parts=0)
    assert not (clean(soundings).soundings.status == DOUBLE_ECHO).any()


def test_a_trench_along_a_lane_stays():
    """Twice as deep as the lanes beside it, with walls, and the cross-lines see it too."""

    def trench(x, y):
        return 4.0 + 4.2 * ((np.abs(y - 100.0) < 6.0) & (np.abs(x - 200.0) < 120.0))

    soundings, _ = survey(trench, 3, parts=0)
    status = clean(soundings).soundings.status
    inside = (np.abs(soundings.y - 100.0) < 4.0) & (np.abs(soundings.x - 200.0) < 110.0)
    assert np.mean(status[inside] == "accepted") > 0.9


def test_a_single_lane_with_two_steps_and_with_one():
    bottom = basin(1)
    x = np.arange(0.0, 400.0)
    depth = bottom(x, np.zeros(400)) + np.random.default_rng(4).normal(0.0, 0.03, 400)
    between, end = depth.copy(), depth.copy()
    between[150:260] *= 2.0
    end[300:] *= 2.0
    seconds = np.datetime64("2026-06-01T08:00:00", "ms") + np.arange(400).astype("timedelta64[s]")

    def cleaned(values):
        return clean(Soundings.build(x, np.zeros(400), values, time=seconds, visit="June"))

    assert np.mean(cleaned(between).soundings.status[150:260] == DOUBLE_ECHO) > 0.95
    # Nothing says whether it began or ended there.
    found = cleaned(end)
    assert found.soundings.accepted[300:].mean() > 0.9
    assert any("may be double echoes" in note for note in found.notes)
