"""Thinning, lane spacing, cell size and the nodes of a surface."""

import sys
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.spatial import Delaunay
from shapely.geometry import LineString, Point, Polygon

from lakefloor.algorithms.core import lane_gaps
from lakefloor.algorithms.core.blocks import block_mean
from lakefloor.algorithms.core.errors import LakefloorError
from lakefloor.algorithms.core.soundings import Soundings, concatenate
from lakefloor.algorithms.core.spacing import lane_spacing, suggest_cell
from lakefloor.algorithms.core.surface.frame import frame
from lakefloor.algorithms.core.surface.nodes import BREAKLINE, densify, shore_nodes

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "benchmarks"))
import made_lake


def test_block_mean_is_that_of_gmt():
    # gmt blockmean -R0/1/0/1 -I1 -r on these three points gives 23.6667 at .5, .2.
    x, y, z, first = block_mean([0.2, 0.4, 0.9], [0.3, 0.4, 0.1], 1.0, [10.0, 11.0, 50.0])
    assert (len(x), first[0]) == (1, 0)
    assert x[0] == pytest.approx(0.5)
    assert y[0] == pytest.approx(0.8 / 3)
    assert z[0] == pytest.approx(23.6667, abs=1e-4)


def test_block_mean_keeps_points_of_different_blocks_apart_also_at_negative_positions():
    x, y, z, _ = block_mean([-0.5, 0.5, -0.5], [0.5, 0.5, -0.5], 1.0, [1.0, 2.0, 3.0])
    assert sorted(zip(x, y, z)) == [(-0.5, -0.5, 3.0), (-0.5, 0.5, 1.0), (0.5, 0.5, 2.0)]


def test_a_parked_boat_counts_as_one_place():
    x, depth = np.full(501, 1.5), np.full(501, 10.0)
    x[0], depth[0] = 0.5, 20.0
    _, _, z, _ = block_mean(x, np.full(501, 0.5), 1.0, depth)
    assert z.tolist() == [20.0, 10.0]


@pytest.mark.parametrize("spacing", [10.0, 20.0, 40.0])
@pytest.mark.parametrize("ping", [0.5, 2.0])
def test_lane_spacing_of_a_survey_is_found_without_lane_numbers(spacing, ping):
    survey = made_lake.survey(spacing, ping=ping)
    assert lane_spacing(survey) == pytest.approx(spacing, rel=0.2)


def test_lane_spacing_with_the_same_lanes_run_twice_and_with_lanes_in_between():
    once = made_lake.survey(20.0)
    twice = concatenate([once, once.replace(x=once.x + 2.0, y=once.y + 3.0)])
    between = concatenate([once, once.replace(y=once.y + 10.0)])
    assert 14.0 < lane_spacing(twice) < 20.0
    assert lane_spacing(between) == pytest.approx(10.0, rel=0.2)


def test_lane_spacing_ignores_land_between_two_parts_of_a_survey():
    once = made_lake.survey(20.0)
    both = concatenate([once, once.replace(x=once.x + 5000.0)])
    assert lane_spacing(both) == pytest.approx(20.0, rel=0.2)


@pytest.mark.parametrize(
    ("spacing", "cell"), [(1, 0.5), (5, 0.5), (10, 1), (15, 2), (20, 2), (40, 5), (100, 10)]
)
def test_suggested_cell_is_a_round_eighth_of_the_spacing(spacing, cell):
    assert suggest_cell(spacing) == pytest.approx(cell)


def lane(y=0.0, n=200, jitter=0.5, seed=3):
    rng = np.random.default_rng(seed)
    x = np.linspace(0, 400, n)
    return Soundings.build(x, y + rng.normal(0, jitter, n), 5.0 + x / 100)


@pytest.mark.parametrize("jitter", [0.0, 0.5])
def test_a_single_lane_is_named_as_such(jitter):
    with pytest.raises(LakefloorError, match=r"single lane.*cell size and the search distance"):
        frame(lane(jitter=jitter))


@pytest.mark.parametrize(
    ("soundings", "message"),
    [
        (Soundings.build([], [], []), "None of the 0 soundings"),
        (Soundings.build([0, 1, 0], [0, 0, 1], [np.nan] * 3), "None of the 3 soundings"),
        (Soundings.build([0, np.nan, 0], [0, 0, 1], [1.0] * 3), "three or more places"),
        (Soundings.build([5.0] * 9, [5.0] * 9, [1.0] * 9), "three or more places"),
        (Soundings.build([0, 1, 0], [0, 0, 1], [-5.0, -6, -7]), "positive down"),
        (Soundings.build([0, 1, 0], [0, 0, 1], [1.0] * 3, status="spike"), "None of the 3"),
    ],
)
def test_soundings_that_carry_no_surface(soundings, message):
    with pytest.raises(LakefloorError, match=message):
        frame(soundings)


@pytest.mark.parametrize("options", [{"cell": 0.0}, {"cell": np.nan}, {"max_gap": -1.0}])
def test_sizes_must_be_above_zero(options):
    with pytest.raises(LakefloorError, match="above 0 m"):
        frame(made_lake.survey(40.0), **options)


@pytest.mark.parametrize(
    ("shoreline", "message"),
    [
        (Polygon([(0, 0), (9, 9), (9, 0), (0, 9)]), "not valid.*Self-intersection"),
        (Point(0, 0).buffer(5).exterior, "must be a polygon"),
        (Polygon(), "must be a polygon"),
        (Point(9e5, 9e5).buffer(50), "Check the CRS"),
    ],
)
def test_shorelines_that_are_no_mask(shoreline, message):
    with pytest.raises(LakefloorError, match=message):
        frame(made_lake.survey(40.0), shoreline=shoreline)


def test_densify_keeps_vertices_and_carries_depth_along():
    line = densify([(0, 0, 1.0), (10, 0, 3.0), (10, 0, 3.0), (10, 4, 3.0)], 4.0)
    assert np.hypot(*np.diff(line[:, :2], axis=0).T).max() <= 4.0
    assert line[:, 2] == pytest.approx(np.minimum(1.0 + 0.2 * line[:, 0], 3.0))
    assert {(0.0, 0.0), (10.0, 0.0), (10.0, 4.0)} <= set(map(tuple, line[:, :2]))


def test_shore_nodes_lie_on_the_rings_no_denser_than_needed():
    lake = made_lake.shoreline(step=0.5)
    nodes = shore_nodes(lake, step=10.0, depth=0.2, tolerance=0.5)
    assert max(lake.boundary.distance(Point(p)) for p in nodes.xy) <= 0.5 + 1e-9
    assert len(nodes) < 2.5 * lake.length / 10.0
    assert (nodes.depth == 0.2).all()
    ring = LineString(lake.interiors[0])
    assert sum(ring.distance(Point(p)) < 0.6 for p in nodes.xy) > 30


@settings(max_examples=30, deadline=None)
@given(st.integers(0, 10**6), st.sampled_from([0.5, 3.0]), st.booleans(), st.booleans())
def test_shore_nodes_depend_on_the_shape_alone(seed, step, back, far):
    """Not on where a ring begins, on its sense, nor on the order of the rings."""
    rng = np.random.default_rng(seed)
    lake = made_lake.shoreline(step)
    outer, island = (np.array(ring.coords)[:-1] for ring in (lake.exterior, *lake.interiors))
    islet = Point(-200.0, 50.0).buffer(rng.uniform(0.1, 5.0))
    shift = np.array([480_000.0, 5_200_000.0]) * far
    holes = [island, np.array(islet.exterior.coords)[:-1]]
    written = [np.roll(ring, rng.integers(len(ring)), axis=0) for ring in (outer, *holes)]
    written = [ring[::-1] if back else ring for ring in written]
    one, other = (
        shore_nodes(Polygon(shell + shift, [hole + shift for hole in inner]), 10.0, 0.0, 1.0)
        for shell, *inner in ([outer, *holes], [written[0], *written[:0:-1]])
    )
    np.testing.assert_array_equal(one.xy, other.xy)


def test_shore_nodes_far_from_an_edit_stay_to_the_last_bit():
    lake = made_lake.shoreline(2.0)
    place = Point(lake.exterior.coords[200])
    for edited in (lake.difference(place.buffer(25.0)), lake.union(place.buffer(25.0))):
        one, other = (shore_nodes(shore, 10.0, 0.0, 1.0).xy for shore in (lake, edited))
        # Squares of eight node distances, and what is left of the piece at their edge.
        far = [xy[np.hypot(*(xy - place.coords[0]).T) > 25.0 + 2 * 80.0] for xy in (one, other)]
        assert len(far[0]) > 300
        np.testing.assert_array_equal(*far)
        assert len(one) != len(other)


def test_shore_nodes_follow_the_ring():
    """No vertex of a ring lies farther than the tolerance from the line through the nodes."""
    for step, tolerance in ((0.5, 0.5), (2.0, 3.0)):
        lake = made_lake.shoreline(step)
        xy = shore_nodes(lake, 10.0, 0.0, tolerance).xy
        for ring in (lake.exterior, *lake.interiors):
            own = xy[[ring.distance(Point(place)) < tolerance + 1e-9 for place in xy]]
            along = np.argsort([ring.project(Point(place)) for place in own])
            line = LineString(own[[*along, along[0]]])
            assert max(line.distance(Point(place)) for place in ring.coords) < tolerance + 0.05


def crossing_lanes():
    """Lanes every 20 m west-east over a ramp that starts at the line x + y/2 = 150."""
    x, y = np.meshgrid(np.arange(0.0, 300.0, 2.0), np.arange(0.0, 201.0, 20.0))
    x[1::2] = x[1::2, ::-1]  # sailed there and back
    depth = 2.0 + y / 100.0 + 0.5 * np.maximum(x + y / 2 - 150.0, 0.0)
    return Soundings.build(x.ravel(), y.ravel(), depth.ravel())


def test_a_break_line_takes_its_depths_where_the_track_crosses_it():
    line = np.array([(150.0, 0.0), (50.0, 200.0)])
    nodes = frame(crossing_lanes(), cell=2.0, breaklines=[line]).nodes
    on_line = nodes.kind == BREAKLINE
    # On the crest depth is 2 + y/100, known at the crossings and linear between; a ping
    # off the crest by up to 2 m may add 1 m x slope 0.5 at most, halved by interpolation.
    assert nodes.depth[on_line] == pytest.approx(2.0 + nodes.y[on_line] / 100.0, abs=0.5)
    assert np.median(np.abs(nodes.depth - 2 - nodes.y / 100)[on_line]) < 0.3


def test_no_triangle_crosses_a_break_line():
    line = np.array([(150.0, 10.0), (50.0, 190.0), (38.0, 196.0)])
    nodes = frame(crossing_lanes(), cell=2.0, breaklines=[line]).nodes
    triangles = Delaunay(nodes.xy).simplices
    edges = np.unique(triangles[:, [0, 1, 1, 2, 2, 0]].reshape(-1, 2), axis=0)
    crossed = LineString(line)
    ends = nodes.kind[edges] == BREAKLINE
    for a, b in edges[~ends.any(axis=1)]:
        assert not crossed.crosses(LineString(nodes.xy[[a, b]]))


def test_given_depths_of_a_break_line_are_used():
    line = np.array([(150.0, 10.0, 1.0), (50.0, 190.0, 4.0)])
    nodes = frame(crossing_lanes(), cell=2.0, breaklines=[line]).nodes
    on_line = nodes.kind == BREAKLINE
    assert nodes.depth[on_line] == pytest.approx(1.0 + 3.0 * (nodes.y[on_line] - 10.0) / 180.0)


@pytest.mark.parametrize(
    ("line", "message"),
    [
        ([(1000.0, 0.0), (1100.0, 0.0)], "Breakline 1, near 1000.0, 0.0, has no depths"),
        ([(0.0, 0.0)], "fewer than two vertices"),
        ([(5.0, 5.0), (5.0, 5.0)], "no length"),
        ([(5.0, np.nan), (5.0, 5.0)], "without a position"),
    ],
)
def test_break_lines_that_cannot_be_used(line, message):
    with pytest.raises(LakefloorError, match=message):
        frame(crossing_lanes(), cell=2.0, breaklines=[np.array(line)])


@pytest.mark.parametrize("most", [10_000, 2_000])
def test_spacing_of_a_large_survey_from_squares_of_it(monkeypatch, most):
    """Lanes of the invented lake are 10 m apart, with a tie line every 50 m."""
    survey = made_lake.survey(10.0, ping=4.0)
    monkeypatch.setattr(lane_gaps, "MOST_SOUNDINGS", most)
    assert len(survey) > 20_000
    # However large the survey, the squares hold no more than that.
    assert len(lane_gaps.in_squares(survey.x, survey.y)[0]) < 2 * most
    assert lane_spacing(survey) == pytest.approx(10.0, rel=0.15)
