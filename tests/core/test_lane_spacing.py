"""The lane spacing of surveys of every kind, and what is said where sizes do not suit them."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from shapely.geometry import MultiPolygon, Polygon, box

from lakefloor.algorithms.core import lane_gaps
from lakefloor.algorithms.core import spacing as module
from lakefloor.algorithms.core.errors import LakefloorError
from lakefloor.algorithms.core.grid import Grid
from lakefloor.algorithms.core.spacing import (
    doubts,
    lane_spacing,
    spacing_around,
    spacing_of_distances,
    suggest_cell,
    surface_spacing,
)
from lakefloor.algorithms.core.surface.frame import frame

from .made_surveys import (
    Habit,
    _arm_parts,
    along,
    arms,
    as_soundings,
    blob,
    cases,
    cluster,
    lanes,
    winding,
)


def thirty_lanes(length=600.0):
    x, y = np.meshgrid(np.arange(0.0, length, 2.0), np.arange(0.0, 300.0, 10.0))
    return np.column_stack([x.ravel(), y.ravel()])


@pytest.mark.parametrize("seed", [1001, 1002, 1003])
def test_within_a_quarter_of_the_truth(seed):
    for name, points, true in cases(seed):
        assert lane_spacing(as_soundings(points)) == pytest.approx(true, rel=0.25), name


@pytest.mark.parametrize("length", [300.0, 600.0, 1000.0])
def test_three_fixes_a_kilometre_away_change_nothing(length):
    survey = thirty_lanes(length)
    away = cluster(np.random.default_rng(1), 3, (length + 1000.0, 0.0))
    apart = np.array([[length + 1000.0, 0.0], [-1000.0, 300.0], [length / 2.0, 1300.0]])
    assert lane_spacing(as_soundings(survey)) == pytest.approx(10.0, rel=0.05)
    for strays in (away, apart):
        assert lane_spacing(as_soundings(survey, strays)) == pytest.approx(10.0, rel=0.05)


@pytest.mark.parametrize("heading", [0.0, 90.0])
def test_a_lake_of_three_arms(heading):
    """4 km by 300 m each, lanes every 50 m along or across."""
    rng = np.random.default_rng(8)
    parts = [
        lanes(rng, arm, 50.0, np.degrees(0.3 + k * 2.0 * np.pi / 3.0) + heading)
        for k, arm in enumerate(_arm_parts(arms(4000.0, 300.0), 300.0))
    ]
    assert lane_spacing(as_soundings(*parts)) == pytest.approx(50.0, rel=0.1)


def test_a_reservoir_of_many_arms():
    rng = np.random.default_rng(9)
    survey = lanes(rng, arms(9000.0, 400.0, 5), 50.0, 20.0, Habit(ping=6.4))
    assert 50_000 < len(survey) < 60_000
    assert lane_spacing(as_soundings(survey)) == pytest.approx(50.0, rel=0.1)
    river = lanes(rng, winding(9000.0, 400.0, 1200.0), 50.0, 90.0, Habit(ping=3.0))
    assert lane_spacing(as_soundings(river)) == pytest.approx(50.0, rel=0.1)


@settings(max_examples=8, deadline=None)
@given(st.integers(0, 2**32 - 1), st.sampled_from([0, 1, 4, 9, 13, 18]))
def test_neither_the_order_of_rows_nor_numbers_of_lanes_matter(seed, case):
    rng = np.random.default_rng(seed)
    _, points, _ = list(cases(3))[case]
    survey = as_soundings(points)
    shuffled = survey.select(rng.permutation(len(survey)))
    numbered = shuffled.replace(lane=rng.integers(0, 9, len(survey)).astype(np.int32))
    assert lane_spacing(numbered) == lane_spacing(survey)


@settings(max_examples=10, deadline=None)
@given(st.integers(0, 2**32 - 1), st.floats(0.0, 360.0))
def test_a_survey_turned_or_magnified(seed, degrees):
    rng = np.random.default_rng(seed)
    points = lanes(rng, blob(rng, 250.0), 20.0, 0.0)
    a = np.radians(degrees)
    turned = points @ np.array([[np.cos(a), -np.sin(a)], [np.sin(a), np.cos(a)]])
    once = lane_spacing(as_soundings(points))
    assert once == pytest.approx(20.0, rel=0.1)
    assert lane_spacing(as_soundings(turned)) == pytest.approx(once, rel=0.05)
    assert lane_spacing(as_soundings(7.0 * points)) == pytest.approx(7.0 * once, rel=0.05)


@pytest.mark.parametrize("headings", [(0.0, 50.0, 110.0), (10.0, 40.0, 70.0)])
def test_visits_that_each_ran_another_way(headings):
    """Places lie nearer to a track than by one visit alone, but not as near as by three times."""
    rng = np.random.default_rng(12)
    lake = blob(rng, 300.0)
    visits = [lanes(rng, lake, 15.0, heading) for heading in headings]
    assert 0.55 * 15.0 < lane_spacing(as_soundings(*visits)) < 1.1 * 15.0


def test_few_lanes_and_a_moored_boat():
    rng = np.random.default_rng(5)
    survey = lanes(rng, blob(rng, 200.0), 10.0)
    moored = cluster(rng, 20_000, (0.0, 0.0), 1.5)
    assert lane_spacing(as_soundings(survey, moored)) == pytest.approx(10.0, rel=0.1)
    for count in (2, 3):
        some = survey[(survey[:, 1] > 0.0) & (survey[:, 1] < 10.0 * count)]
        assert lane_spacing(as_soundings(some)) == pytest.approx(10.0, rel=0.15)


def test_once_round_the_lake_is_a_single_lane():
    t = np.linspace(0.0, 2.0 * np.pi, 1500)
    ring = np.column_stack([200.0 * np.cos(t), 150.0 * np.sin(t)])
    with pytest.raises(LakefloorError, match="single lane"):
        lane_spacing(as_soundings(ring))


@pytest.mark.parametrize("most", [20_000, 5_000])
def test_a_large_survey_is_sampled_by_area_not_by_soundings(monkeypatch, most):
    """A quarter of the lake has lanes 10 m apart, and more soundings than the rest."""
    monkeypatch.setattr(lane_gaps, "MOST_SOUNDINGS", most)
    mixed = [case for case in cases(1005) if "10 m in" in case[0]]
    assert len(mixed) == 2
    for name, points, true in mixed:
        assert len(points) > most
        assert lane_spacing(as_soundings(points)) == pytest.approx(true, rel=0.25), name


# -- the spacing of a surface ----------------------------------------------------------------


def distances_of(survey):
    """Return the distances that a surface of a survey carries."""
    f = frame(survey)
    return f.grid.like(f.distance)


@pytest.mark.parametrize("seed", [2001])
def test_distances_of_a_surface_tell_about_the_spacing_of_its_soundings(seed):
    for name, points, _ in cases(seed):
        if "strays" in name or "two lakes" in name:
            continue
        survey = as_soundings(points)
        found = spacing_of_distances(distances_of(survey))
        assert found == pytest.approx(lane_spacing(survey), rel=0.25), name


def test_lines_across_and_a_rim_without_lanes_change_little():
    x, y = np.meshgrid(np.arange(0.5, 400.0), np.arange(0.5, 400.0))
    to_lanes = np.abs((x + 10.0) % 20.0 - 10.0)
    grid = Grid(to_lanes, 0.0, 400.0, 1.0, 1.0)
    assert spacing_of_distances(grid) == pytest.approx(20.0, rel=0.06)
    across = np.minimum(to_lanes, np.abs((y + 40.0) % 80.0 - 40.0))
    assert spacing_of_distances(grid.like(across)) == pytest.approx(20.0, rel=0.06)
    rim = np.where(x < 300.0, across, np.where(x < 350.0, x - 300.0, np.nan))
    assert spacing_of_distances(grid.like(rim)) == pytest.approx(20.0, rel=0.06)


def test_of_a_large_surface_parts_are_looked_at(monkeypatch):
    survey = survey_of(10.0)
    grid = distances_of(survey)
    whole = spacing_of_distances(grid)
    monkeypatch.setattr(module, "_MOST_CELLS", 40_000)
    monkeypatch.setattr(module, "_PART", 100)
    assert grid.values.size > 40_000
    assert spacing_of_distances(grid) == pytest.approx(whole, rel=0.1)


def test_a_surface_that_says_its_spacing_is_believed():
    grid = distances_of(survey_of(10.0))
    assert surface_spacing(17.0, grid) == 17.0
    assert surface_spacing(None, grid) == spacing_of_distances(grid)
    assert surface_spacing(None, None) == 0.0
    nothing = grid.like(np.full(grid.shape, np.nan))
    assert surface_spacing(None, nothing) == 0.0
    # No place between lanes: four times the median.
    assert surface_spacing(None, grid.like(np.full(grid.shape, 5.0))) == 20.0
    assert surface_spacing(None, Grid(np.full((1, 9), 5.0), 0.0, 1.0, 1.0, 1.0)) == 20.0


# -- sizes that do not suit ------------------------------------------------------------------


def survey_of(spacing=10.0):
    rng = np.random.default_rng(21)
    return as_soundings(lanes(rng, blob(rng, 20.0 * spacing), spacing))


def test_sizes_that_suit_are_not_doubted():
    for spacing in (5.0, 10.0, 40.0):
        survey = survey_of(spacing)
        found = lane_spacing(survey)
        assert doubts(survey, found, suggest_cell(found), 2.5 * found) == []
        assert spacing_around(survey, 2.5 * found) == pytest.approx(spacing, rel=0.25)
    for name, points, _ in cases(1006):
        survey = as_soundings(points)
        found = lane_spacing(survey)
        assert doubts(survey, found, suggest_cell(found), 2.5 * found) == [], name


@pytest.mark.parametrize(("spacing", "words"), [(100.0, "lanes 10"), (2.0, "does not fit")])
def test_a_spacing_that_the_distances_contradict(spacing, words):
    survey = survey_of()
    (doubt,) = doubts(survey, spacing, 1.0, 25.0)
    assert words in doubt
    assert "give the lane spacing" in doubt


def test_cells_wider_than_the_lanes():
    (doubt,) = doubts(survey_of(), 10.0, 15.0, 25.0)
    assert "each averages over several lanes. Choose a cell size of about 1 m." in doubt


def test_a_grid_of_a_few_cells():
    with pytest.raises(LakefloorError, match=r"room for \d cells of 200 m.*such as 1 m"):
        doubts(survey_of(), 10.0, 200.0, 500.0)
    assert any("room for only" in doubt for doubt in doubts(survey_of(), 10.0, 50.0, 125.0))


def test_parts_of_the_lake_smaller_than_a_cell():
    survey = survey_of()
    west, south = survey.x.min() - 50.0, survey.y.min() - 50.0
    lake = box(west, south, west + 500.0, south + 500.0)
    pond = box(west + 600.0, south, west + 610.0, south + 10.0)
    assert doubts(survey, 10.0, 5.0, 25.0, lake) == []
    (doubt,) = doubts(survey, 10.0, 8.0, 25.0, MultiPolygon([lake, pond]))
    assert "1 of the 2 parts of the lake are smaller than four cells of 8 m" in doubt
    comb = Polygon(
        [
            (0, 0),
            *[
                p
                for k in range(40)
                for p in ((25 * k, 5), (25 * k, 500), (25 * k + 8, 500), (25 * k + 8, 5))
            ],
            (1000, 0),
        ]
    )
    found = doubts(survey, 10.0, 9.0, 25.0, comb)
    assert any("narrower than two cells" in doubt for doubt in found)


def test_a_zigzag_however_it_is_logged():
    rng = np.random.default_rng(2)
    legs = [
        [(40.0 * i, 150.0 * (i % 2)), (40.0 * (i + 1), 150.0 * ((i + 1) % 2))] for i in range(30)
    ]
    found = [
        lane_spacing(as_soundings(*(along(rng, Habit(ping=ping), 20.0, leg) for leg in legs)))
        for ping in (0.5, 2.0, 5.0)
    ]
    # Neighboring legs are 0 to 80 m apart, 40 m in the mean over their length.
    assert all(40.0 < spacing < 80.0 for spacing in found)
