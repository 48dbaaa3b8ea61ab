"""Soundings of elsewhere: set aside, counted, and never a second basin with them."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from shapely.affinity import translate
from shapely.geometry import MultiPolygon, Point

from lakefloor.algorithms.core.cleaning.cleaning import clean
from lakefloor.algorithms.core.cleaning.reasons import ISOLATED
from lakefloor.algorithms.core.errors import LakefloorError
from lakefloor.algorithms.core.soundings import ACCEPTED
from lakefloor.algorithms.core.strays import (
    clusters,
    distance_text,
    isolated,
    of_this_lake,
    off_shore,
    without_strays,
)

from .made_surveys import Habit, along, as_soundings, blob, cluster, lanes


def pond(seed=4, spacing=10.0, radius=138.0):
    """A lake of about 6 ha and its survey."""
    rng = np.random.default_rng(seed)
    lake = blob(rng, radius)
    return rng, lake, lanes(rng, lake, spacing)


def set_aside(*parts):
    """Return how far each of the last part's points is said to be, and check the others."""
    points = np.concatenate(parts)
    away = isolated(*points.T)
    own = away[len(points) - len(parts[-1]) :]
    assert not away[: len(points) - len(parts[-1])].any()
    return own


@pytest.mark.parametrize(("count", "far"), [(3, 1000.0), (6, 4400.0), (10, 900.0), (6, 3000.0)])
def test_a_few_pings_far_off(count, far):
    rng, lake, survey = pond()
    assert 5e4 < lake.area < 8e4
    place = np.array([far, 0.0]) + [lake.bounds[2], 0.0]
    own = set_aside(survey, cluster(rng, count, place))
    assert own == pytest.approx(np.full(count, far), rel=0.05)
    assert len(np.unique(own)) == 1
    # One by one, all around.
    turn = rng.uniform(0.0, 6.28, count)
    ring = (far + 250.0) * np.column_stack([np.cos(turn), np.sin(turn)])
    assert (set_aside(survey, ring) > 0.0).all()


def test_a_track_on_another_water_is_set_aside_and_a_second_basin_stays():
    rng, _, survey = pond(radius=250.0)
    drive = along(rng, Habit(), 10.0, [(3000.0, 0.0), (4700.0, 300.0)])
    assert len(drive) > 800
    assert set_aside(survey, drive).min() > 2500.0
    basin = lanes(rng, translate(blob(rng, 90.0), 3000.0, 0.0), 10.0)
    assert len(basin) < 0.2 * len(survey)
    assert not set_aside(survey, basin).any()
    far_lake = lanes(rng, translate(blob(rng, 250.0), 9000.0, 500.0), 10.0)
    assert not set_aside(survey, far_lake).any()


def test_a_bay_that_was_visited_once_stays():
    """A track 400 m off a survey of 500 m belongs to the lake."""
    rng, lake, survey = pond(radius=250.0)
    east = lake.bounds[2]
    bay = along(rng, Habit(), 10.0, [(east + 400.0, 0.0), (east + 600.0, 50.0)])
    assert not set_aside(survey, bay).any()


@settings(max_examples=25, deadline=None)
@given(st.integers(0, 2**32 - 1), st.sampled_from([5.0, 15.0, 40.0]))
def test_a_survey_without_strays_is_left_alone(seed, spacing):
    rng = np.random.default_rng(seed)
    survey = lanes(rng, blob(rng, 12.0 * spacing), spacing, rng.uniform(0.0, 180.0))
    shift = rng.uniform(-1e6, 1e6, 2)
    assert not isolated(*(survey + shift).T).any()
    order = rng.permutation(len(survey))
    with_strays = np.vstack([survey, cluster(rng, 7, (200.0 * spacing, 0.0))])
    found = isolated(*with_strays.T)
    assert np.count_nonzero(found) == 7
    order = rng.permutation(len(with_strays))
    np.testing.assert_array_equal(isolated(*with_strays[order].T), found[order])


def test_a_single_lane_with_strays():
    rng = np.random.default_rng(3)
    lane = along(rng, Habit(), 10.0, [(0.0, 0.0), (500.0, 20.0)])
    assert set_aside(lane, cluster(rng, 5, (5000.0, 0.0))) == pytest.approx(4500.0, rel=0.05)


@pytest.mark.parametrize("timed", [True, False])
def test_cleaning_names_them_and_changes_nothing_else(timed):
    rng, _, survey = pond()
    # The sounder was tried on another water before the survey.
    strays = cluster(rng, 10, (1500.0, 2600.0))
    log = as_soundings(strays, survey)
    if timed:
        second = np.arange(len(log)) + np.where(np.arange(len(log)) < 10, 0, 3600)
        log = log.replace(
            time=np.datetime64("2025-05-01T08:00", "ms") + (1000 * second).astype("m8[ms]")
        )
    result = clean(log, max_speed=None, max_jump_speed=1e6)
    assert (result.soundings.status[:10] == ISOLATED).all()
    assert result.counts[ISOLATED] == 10
    (warning,) = result.warnings
    assert warning.startswith("10 soundings lie 2.")
    assert "km from all others: 'isolated'" in warning
    alone = clean(log.select(np.arange(10, len(log))), max_speed=None, max_jump_speed=1e6)
    assert (alone.soundings.status == result.soundings.status[10:]).all()
    again = clean(result.soundings, anew=True, max_speed=None, max_jump_speed=1e6)
    assert (again.soundings.status == result.soundings.status).all()


# -- shorelines -----------------------------------------------------------------------------


def test_soundings_far_from_the_shoreline():
    rng, lake, survey = pond()
    far = lanes(rng, translate(blob(rng, 60.0), 3000.0 + lake.bounds[2], 0.0), 10.0)
    near = np.array([[lake.bounds[2] + 20.0, 0.0]])
    away = off_shore(*np.vstack([survey, near, far]).T, lake)
    assert not away[: len(survey) + 1].any()
    shore = [lake.exterior.distance(Point(p)) for p in far]
    np.testing.assert_allclose(away[len(survey) + 1 :], shore, rtol=0.01)
    lake = translate(lake, 480_000.0, 5_200_000.0)
    kept, notes = of_this_lake(as_soundings(survey, near, far), lake)
    assert len(kept) == len(survey) + 1
    assert notes == [
        f"{len(far)} soundings lie {distance_text(np.median(shore))} from this lake and were left "
        "out."
    ]


def test_rejected_soundings_and_those_without_a_position_stay_where_they_are():
    rng, lake, survey = pond()
    soundings = as_soundings(cluster(rng, 5, (0.0, 4000.0)), survey)
    status, x = soundings.status.copy(), soundings.x.copy()
    status[[0, 40]], x[50] = "spike", np.nan
    soundings = soundings.replace(status=status, x=x)
    kept, notes = without_strays(soundings, translate(lake, 480_000.0, 5_200_000.0))
    assert notes[0].startswith("4 soundings lie 3.")
    np.testing.assert_array_equal(kept.x, np.delete(x, slice(1, 5)))
    assert list(kept.status).count("spike") == 2
    same, notes = without_strays(kept, translate(lake, 480_000.0, 5_200_000.0))
    assert same is kept
    assert notes == []


def test_an_island_or_a_second_part_is_no_far_off_place():
    rng, lake, survey = pond(radius=400.0)
    with_island = lake.difference(Point(0.0, 0.0).buffer(60.0))
    assert not off_shore(*survey.T, with_island).any()
    other = translate(blob(rng, 100.0), 2000.0, 0.0)
    both = np.vstack([survey, lanes(rng, other, 10.0)])
    assert not off_shore(*both.T, MultiPolygon([lake, other])).any()


@pytest.mark.parametrize("east", [300.0, 3000.0])
def test_the_shoreline_of_another_lake(east):
    _, lake, survey = pond()
    with pytest.raises(LakefloorError, match=r"lie off the shoreline.*of this lake.*CRS"):
        off_shore(*survey.T, translate(lake, east, 0.0))


def test_without_a_shoreline_what_is_isolated_is_left_out_and_counted():
    rng, _, survey = pond()
    kept, notes = of_this_lake(as_soundings(survey, cluster(rng, 6, (4600.0, 0.0))))
    assert len(kept) == len(survey)
    assert len(notes) == 1
    assert notes[0].startswith("6 soundings lie 4.")
    assert "give its shoreline" in notes[0]
    kept, notes = of_this_lake(as_soundings(survey))
    assert (len(kept), notes) == (len(survey), [])
    assert (kept.status == ACCEPTED).all()


def test_distances_are_gathered():
    assert clusters(np.array([0.0, 900.0, 1000.0, 0.0, 4000.0])) == [(2, 950.0), (1, 4000.0)]
    assert [distance_text(d) for d in (85.4, 999.4, 1000.0, 3049.0)] == [
        "85 m",
        "999 m",
        "1.0 km",
        "3.0 km",
    ]
