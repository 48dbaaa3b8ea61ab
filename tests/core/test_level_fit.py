"""Today's level from depths where tracks meet: planted levels, positions that are off, steep bottoms."""

import sys
from functools import cache
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from shapely.geometry import LineString, box

from lakefloor.algorithms.core.growing.level_fit import LevelFit
from lakefloor.algorithms.core.plan.lane_layout import parallel_lanes
from lakefloor.algorithms.core.soundings import Soundings, concatenate

sys.path.insert(0, str(Path(__file__).resolve().parents[2] / "example_project"))
import truth

from . import hard_lakes

LAKES = {
    "the example": (truth.shoreline_polygon(), truth.depth_m),
    "another": (box(20, 20, hard_lakes.WIDTH - 20, hard_lakes.HEIGHT - 20), hard_lakes.depth_m),
}
DAY = np.datetime64("2026-06-01T12:00", "ms")


def visit(lake, random, spacing, heading, off_m, name):
    """Soundings of a visit, a ping each 2.2 m; its positions are off by one shift and by noise."""
    area, depth_m = LAKES[lake]
    parts, lane = [], []
    lines, _ = parallel_lanes(area, heading, spacing)
    for number, line in enumerate(map(LineString, lines)):
        at = np.arange(0.0, line.length, 2.2)
        parts.append(np.array([line.interpolate(m).coords[0] for m in at]))
        lane.append(np.full(len(at), number + 1))
    places = np.concatenate(parts)
    depth = depth_m(*places.T)
    wet = np.isfinite(depth)
    logged = places + random.normal(0.0, off_m, 2) + random.normal(0.0, 0.5, places.shape)
    count = int(wet.sum())
    return Soundings.build(
        *logged[wet].T,
        depth[wet] + random.normal(0.0, 0.05, count),
        time=DAY + 1000 * np.arange(count).astype("timedelta64[ms]"),
        visit=name,
        lane=np.concatenate(lane)[wet],
    )


@cache
def two_visits(lake, seed, off_m):
    random = np.random.default_rng(seed)
    heading = random.uniform(0.0, 180.0)
    earlier = visit(lake, random, random.uniform(20.0, 50.0), heading, off_m, "earlier")
    turned = heading + random.choice([0.0, 45.0, 90.0])
    today = visit(lake, random, random.uniform(30.0, 60.0), turned, off_m, "today")
    level = random.uniform(-1.0, 1.0)
    return earlier, today.replace(depth=today.depth + level), level


def fitted(earlier, today, piece=25):
    fit = LevelFit(earlier)
    for at in range(0, len(today), piece):
        fit.add(today.select(slice(at, at + piece)))
    return fit.fitted()


@pytest.mark.parametrize("lake", LAKES)
@pytest.mark.parametrize("off_m", [0.0, 1.0, 3.0])
def test_planted_levels_lie_within_the_uncertainty(lake, off_m):
    ratios, sigmas = [], []
    for seed in range(24):
        earlier, today, level = two_visits(lake, seed, off_m)
        # After a part of the outing.
        part = np.random.default_rng(seed).integers(300, len(today))
        found = fitted(earlier, today.select(slice(0, int(part))))
        if found is not None:
            shift, sigma, places = found
            assert places >= 5
            ratios.append((shift + level) / sigma)
            sigmas.append(sigma)
    assert len(ratios) >= 20
    # Of a normal error 95% lie within two standard deviations; of 24, fewer than 20 once in 100.
    assert np.mean(np.abs(ratios) < 2.0) > 0.8
    assert np.median(sigmas) < 0.12


@settings(max_examples=15)
@given(level=st.floats(-3.0, 3.0), piece=st.integers(1, 400), seed=st.integers(0, 50))
def test_a_level_moves_the_shift_by_as_much_and_pieces_change_nothing(level, piece, seed):
    earlier, today, _ = two_visits("another", seed, 0.0)
    today = today.select(slice(0, 900))
    plain = fitted(earlier, today)
    moved = fitted(earlier, today.replace(depth=today.depth + level), piece)
    if plain is None:
        assert moved is None
    else:
        assert moved[0] == pytest.approx(plain[0] - level, abs=1e-3)
        assert moved[1:] == (pytest.approx(plain[1], abs=1e-3), plain[2])


def test_what_is_rejected_or_has_no_place_says_nothing():
    earlier, today, _ = two_visits("the example", 3, 0.0)
    plain = fitted(earlier, today)
    wrong = today.replace(
        depth=today.depth + 5.0, status=np.full(len(today), "spike", dtype=object)
    )
    nowhere = today.replace(x=np.full(len(today), np.nan), depth=today.depth + 5.0)
    fit = LevelFit(earlier)
    for part in (wrong, nowhere, today, wrong):
        fit.add(part)
    assert fit.fitted() == plain


def test_a_boat_that_stands_tells_nothing_more():
    earlier, today, _ = two_visits("the example", 5, 0.0)
    fit = LevelFit(earlier)
    fit.add(today.select(slice(0, 400)))
    before = fit.fitted()
    draw = np.random.default_rng(1)
    here = earlier.select(np.full(20_000, 100))
    fit.add(
        here.replace(
            x=here.x + draw.normal(0.0, 0.4, len(here)),
            y=here.y + draw.normal(0.0, 0.4, len(here)),
            depth=here.depth + 2.0,
        )
    )
    after = fit.fitted()
    assert after[2] <= before[2] + 2
    assert after[0] == pytest.approx(before[0], abs=2.0 * before[1])


def test_an_outing_that_never_ends_holds_no_more():
    earlier, today, level = two_visits("the example", 7, 0.0)
    fit = LevelFit(earlier)
    for _ in range(12):
        fit.add(today)
        fit.fitted()
    assert sum(len(part) for part in fit._kept) <= 2000
    shift, sigma, _ = fit.fitted()
    assert shift == pytest.approx(-level, abs=3.0 * sigma)


def test_nothing_near_and_nothing_before():
    earlier, today, _ = two_visits("the example", 9, 0.0)
    far = today.replace(x=today.x + 50_000.0)
    assert fitted(earlier, far) is None
    assert fitted(None, today) is None
    assert fitted(concatenate([today]).select(slice(0, 0)), today) is None
    assert LevelFit(earlier).count == len(earlier)
