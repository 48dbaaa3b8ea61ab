"""Silt that settles year by year is a trend; what was dug is not."""

import numpy as np
import pytest

from lakefloor.algorithms.core.soundings import Soundings
from lakefloor.algorithms.core.visits.bottom_change import ChangeTest, bottom_change
from lakefloor.algorithms.core.visits.slow_trend import slow_trend

EAST, NORTH, SHELF = 400_000.0, 5_150_000.0, 5.0
YEARS = np.arange(6, 0, -1.0)


def bottom(x, y):
    """A hard shelf 3 m to 5 m deep in the west, a basin down to 9 m in the east."""
    return np.where(x < 0.0, 4.0 + 0.004 * x, 4.0 + 0.04 * x) + 0.1 * np.sin(y / 25.0)


def in_basin(x, y):
    return 1.0 / (1.0 + np.exp(-(bottom(x, y) - 6.0) / 0.4))


def visit(seed, change, level=0.03):
    """Lanes 20 m apart over 500 m by 300 m, a level that is off, and slow errors."""
    rng = np.random.default_rng(seed)
    s, lane = np.meshgrid(np.arange(-250.0, 250.0, 2.5), np.arange(-150.0, 150.0, 20.0))
    s, lane = s.ravel(), lane.ravel() + 3.0 * np.sin(s.ravel() / 40.0 + rng.uniform(0.0, 6.0))
    depth = bottom(s, lane) + change(s, lane) + rng.normal(0.0, 0.05, s.size)
    depth += rng.normal(0.0, level) + 0.02 * np.sin(s / 30.0 + rng.uniform(0.0, 6.0))
    x, y = (v + rng.normal(0.0, 0.7, v.size) for v in (s, lane))
    return Soundings.build(EAST + x, NORTH + y, depth, uncert=0.06)


def compared(change_of_year, seed):
    """Return how the last of seven yearly visits differs from those before it."""
    newer = visit(seed, lambda x, y: change_of_year(x, y, 6.0))
    older = [
        visit(seed + 10 * k + 1, lambda x, y, k=k: change_of_year(x, y, float(k))) for k in range(6)
    ]
    return [bottom_change(one, newer) for one in older]


@pytest.mark.parametrize("seed", [1, 2, 3, 4, 5])
def test_silt_of_2_cm_a_year_beside_a_stable_shelf(seed):
    found = compared(lambda x, y, t: -0.02 * t * in_basin(x, y), seed)
    trend, judged = slow_trend(found, YEARS, ChangeTest())
    assert trend.rate == pytest.approx(-0.02, abs=max(2.0 * trend.rate_sd, 0.003))
    assert trend.rate_sd < 0.006
    # The basin deeper than 6 m reaches 200 m by 300 m.
    assert trend.area == pytest.approx(60_000.0, rel=0.25)
    assert (trend.years, trend.visits) == (6.0, 7)
    assert trend.depth < 5.0
    assert sum(f.changed.sum() for f in judged) <= 0.01 * sum(map(len, judged))


def test_fast_silt_is_no_list_of_blocks_and_a_hole_in_it_is_found():
    def change(x, y, t):
        hole = 1.2 * (np.hypot(x - 150.0, y) < 25.0) * (t == 6.0)
        return hole - 0.06 * t * in_basin(x, y)

    found = compared(change, 7)
    assert found[0].changed.sum() > 50
    trend, judged = slow_trend(found, YEARS, ChangeTest())
    assert trend.rate == pytest.approx(-0.06, abs=0.008)
    for f in judged:
        assert f.changed.sum() < 15
        rows = np.flatnonzero(f.changed & (f.moved > 0.6))
        assert len(rows) >= 1
        x, y = ((v[rows] + 0.5) * f.block_m for v in (f.col, f.row))
        assert np.all(np.hypot(x - EAST - 150.0, y - NORTH) < 45.0)
    # What is expected is told for any place: silt in the basin, the level's error on the shelf.
    basin, shelf = judged[0].expected(EAST + np.array([200.0, -200.0]), NORTH + np.zeros(2))
    assert basin - shelf == pytest.approx(-0.36, abs=0.05)


@pytest.mark.parametrize(
    "change",
    [
        lambda x, y, t: 0.0 * x,
        lambda x, y, t: -0.3 * in_basin(x, y) * (t >= 3.0),  # a slump, once
        lambda x, y, t: 0.5 * in_basin(x, y) * (t == 6.0),  # dredged before the last visit
        lambda x, y, t: -0.03 * t + 0.0 * x,  # a gauge that sinks: the shelf as well
    ],
    ids=["nothing", "slump", "dredged", "sinking gauge"],
)
@pytest.mark.parametrize("seed", [11, 12, 13])
def test_what_is_no_trend(change, seed):
    found = compared(change, seed)
    trend, judged = slow_trend(found, YEARS, ChangeTest())
    assert trend is None
    assert judged is found


def test_too_few_visits_or_years_tell_nothing():
    found = compared(lambda x, y, t: -0.06 * t * in_basin(x, y), 3)
    assert slow_trend(found[:2], YEARS[:2], ChangeTest())[0] is None
    assert slow_trend(found, YEARS / 10.0, ChangeTest())[0] is None
    assert slow_trend(found, np.full(6, np.nan), ChangeTest())[0] is None
    assert slow_trend([], np.empty(0), ChangeTest()) == (None, [])
