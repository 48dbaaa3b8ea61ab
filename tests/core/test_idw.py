"""IDW by hand-worked values and by what must hold for any data."""

import sys
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from lakefloor.algorithms.core.errors import Cancelled, LakefloorError
from lakefloor.algorithms.core.soundings import Soundings
from lakefloor.algorithms.core.surface.frame import frame
from lakefloor.algorithms.core.surface.idw import draw_idw, idw_at, idw_surface, learn_idw

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "benchmarks"))
import made_lake

CORNERS = np.array([(0.0, 0.0), (1.0, 0.0), (0.0, 1.0), (1.0, 1.0)])
VALUES = np.array([1.0, 2.0, 3.0, 10.0])


def shepard(nodes, values, point, power):
    """The formula of Shepard (1968) with all nodes, written out."""
    distance = np.hypot(*(nodes - point).T)
    return np.sum(values / distance**power) / np.sum(1.0 / distance**power)


@pytest.mark.parametrize(
    ("point", "power", "expected"),
    [
        # Worked by hand with the formula of Shepard (1968).
        ((0.25, 0.25), 2.0, 35.0 / 17.0),
        ((0.25, 0.25), 1.0, 2.948881),
        ((0.5, 0.5), 2.0, 4.0),
        ((0.5, 0.5), 5.0, 4.0),
    ],
)
def test_worked_values(point, power, expected):
    assert idw_at(CORNERS, VALUES, [point], power=power)[0] == pytest.approx(expected, rel=1e-6)


@pytest.mark.parametrize("power", [0.5, 1.0, 2.0, 3.7])
def test_one_sector_with_all_nodes_is_the_formula_itself(power):
    rng = np.random.default_rng(4)
    nodes, values = rng.uniform(0, 100, (30, 2)), rng.uniform(0, 9, 30)
    points = rng.uniform(0, 100, (50, 2))
    expected = [shepard(nodes, values, p, power) for p in points]
    np.testing.assert_allclose(idw_at(nodes, values, points, power, 30, 1), expected, rtol=1e-9)


def test_nodes_are_met_exactly_also_when_two_lie_at_one_place():
    nodes = np.vstack([CORNERS, CORNERS[:1]])
    values = np.append(VALUES, 5.0)
    found = idw_at(nodes, values, CORNERS, neighbours=8, sectors=1)
    assert found.tolist() == [3.0, 2.0, 3.0, 10.0]


@settings(max_examples=60, deadline=None)
@given(
    st.integers(0, 10**6),
    st.sampled_from([1, 4, 8]),
    st.sampled_from([0.5, 2.0, 8.0, 60.0]),
    st.sampled_from([1e-6, 1.0, 1e6]),
)
def test_within_the_range_of_the_nodes_whatever_the_power_and_the_scale(
    seed, sectors, power, scale
):
    rng = np.random.default_rng(seed)
    nodes = rng.uniform(0, scale, (int(rng.integers(1, 40)), 2))
    values = rng.uniform(-3, 20, len(nodes))
    found = idw_at(nodes, values, rng.uniform(0, scale, (20, 2)), power, 16, sectors)
    assert found.min() >= values.min()
    assert found.max() <= values.max()


def test_a_dense_lane_does_not_shut_out_the_next_lane():
    """Lanes 20 m apart, pings 2 m apart on one and 10 m on the other."""
    near = np.column_stack([np.arange(0.0, 101.0, 2.0), np.zeros(51)])
    far = np.column_stack([np.arange(0.0, 101.0, 10.0), np.full(11, 20.0)])
    nodes, values = np.vstack([near, far]), np.repeat([4.0, 8.0], [51, 11])
    point = [(50.0, 5.0)]
    assert idw_at(nodes, values, point, neighbours=12, sectors=1)[0] == 4.0
    by_sector = idw_at(nodes, values, point, neighbours=12, sectors=4)[0]
    # Three nodes from each quadrant: the two to the north hold the far lane alone.
    assert 4.2 < by_sector < 6.0


@settings(max_examples=40, deadline=None)
@given(st.integers(0, 10**6), st.sampled_from([1, 4, 6]), st.floats(0.0, 60.0))
def test_an_equal_share_of_the_nearest_from_each_sector(seed, sectors, off):
    """Against the definition written out, also where a sector is short of nodes."""
    rng = np.random.default_rng(seed)
    nodes = rng.normal(0.0, 20.0, (int(rng.integers(1, 90)), 2)) + [off, 0.0]
    values, points = rng.uniform(0, 9, len(nodes)), rng.normal(0.0, 20.0, (5, 2))
    found = idw_at(nodes, values, points, 2.0, 12, sectors)
    for point, mean in zip(points, found):
        near = np.argsort(np.hypot(*(nodes - point).T))[: 4 * 12]
        turn = (np.degrees(np.arctan2(*(nodes[near] - point).T[::-1])) + 180.0) % 360.0
        sector = turn // (360.0 / sectors)
        used = np.concatenate([near[sector == s][: 12 // sectors] for s in range(sectors)])
        assert mean == pytest.approx(shepard(nodes[used], values[used], point, 2.0), rel=1e-9)


@pytest.mark.parametrize(
    ("options", "message"),
    [
        ({"power": 0.0}, "Power must be above 0"),
        ({"power": np.nan}, "Power must be above 0"),
        ({"neighbours": 3, "sectors": 4}, "few for 4 sectors"),
        ({"sectors": 0}, "sectors"),
    ],
)
def test_parameters_that_cannot_be_used(options, message):
    with pytest.raises(LakefloorError, match=message):
        idw_at(CORNERS, VALUES, [(0.5, 0.5)], **options)
    with pytest.raises(LakefloorError, match=message):
        idw_surface(made_lake.survey(40.0), **options)


def test_a_constant_stays_exactly_constant():
    survey = made_lake.survey(40.0)
    values = idw_surface(survey.replace(depth=np.full(len(survey), 4.1))).depth.values
    assert (values[np.isfinite(values)] == 4.1).all()


def test_the_surface_has_the_error_expected_of_a_lake_and_keeps_to_its_shore():
    survey, lake = made_lake.survey(20.0), made_lake.shoreline()
    surface = idw_surface(survey, shoreline=lake)
    g = surface.depth
    x, y = np.meshgrid(g.x, g.y)
    wet = np.isfinite(g.values)
    assert np.sqrt(np.mean((g.values - made_lake.true_depth(x, y))[wet] ** 2)) < 0.25
    assert wet.sum() * g.dx * g.dy == pytest.approx(lake.area, rel=0.005)
    assert np.isnan(g.sample([made_lake.ISLAND_X], [made_lake.ISLAND_Y]))[0]
    assert g.values[wet].min() >= min(survey.depth.min(), 0.0)
    assert g.values[wet].max() <= survey.depth.max()


@pytest.mark.parametrize("cell", [20.0, 5.0, 1.25])
def test_a_shared_search_errs_as_the_search_of_each_cell_does(cell):
    survey = made_lake.survey(40.0)
    nodes = frame(survey, spacing=40.0).nodes
    g = idw_surface(survey, cell=cell, spacing=40.0).depth
    r, c = (at[::7] for at in np.nonzero(np.isfinite(g.values)))
    own = idw_at(nodes.xy, nodes.depth, np.column_stack([g.x[c], g.y[r]]))
    truth = made_lake.true_depth(g.x[c], g.y[r])
    error, own_error = (np.sqrt(np.mean((z - truth) ** 2)) for z in (g.values[r, c], own))
    assert error < 1.01 * own_error
    if cell == 20.0:
        # Larger than the blocks of soundings, 10 m: there each cell has a search of its own.
        np.testing.assert_allclose(g.values[r, c], own, atol=1e-9)


def test_nothing_is_drawn_beyond_the_maximum_gap():
    x = np.linspace(-80, 80, 81)
    lane = Soundings.build(x, np.zeros(81), 5.0 + x / 50)
    surface = idw_surface(lane, cell=2.0, max_gap=15.0)
    assert np.nanmax(surface.distance.values) <= 15.0
    assert np.isnan(surface.depth.values).sum() == np.isnan(surface.uncertainty.values).sum()


def test_the_same_input_gives_the_same_numbers():
    a, b = (idw_surface(made_lake.survey(40.0)) for _ in "ab")
    np.testing.assert_array_equal(a.depth.values, b.depth.values)
    np.testing.assert_array_equal(a.uncertainty.values, b.uncertainty.values)


def test_progress_rises_to_one_and_cancels():
    seen = []
    idw_surface(made_lake.survey(40.0), progress=seen.append)
    assert seen == sorted(seen)
    assert seen[-1] == 1.0

    def stop(fraction):
        if fraction > 0.4:
            raise Cancelled

    with pytest.raises(Cancelled):
        idw_surface(made_lake.survey(40.0), progress=stop)


# -- what is shared, and what is left open ------------------------------------


def by_definition(nodes, values, middle, point):
    """Three nodes a quadrant about ``middle`` of the 48 nearest, weighed at ``point``."""
    near = np.argsort(np.hypot(*(nodes - middle).T))[:48]
    turn = (np.degrees(np.arctan2(*(nodes[near] - middle).T[::-1])) + 180.0) % 360.0
    used = np.concatenate([near[turn // 90.0 == s][:3] for s in range(4)])
    return shepard(nodes[used], values[used], point, 2.0)


@pytest.mark.parametrize(("cell", "side"), [(1.25, 8), (1.5, 4), (1.35, 8)])
def test_a_square_of_cells_shares_the_nodes_around_its_middle(cell, side):
    """Blocks of soundings are 10 m wide: squares of 8 cells of 1.25 m or, a tenth over, 1.35 m."""
    survey = made_lake.survey(40.0)
    nodes = frame(survey, spacing=40.0).nodes
    g = idw_surface(survey, cell=cell, spacing=40.0).depth
    rng = np.random.default_rng(6)
    rows, cols = np.nonzero(np.isfinite(g.values))
    for at in rng.choice(rows.size, 60, replace=False):
        r, c = rows[at], cols[at]
        down, right = (at // side * side + side / 2 for at in (r, c))
        middle = np.array([g.west + right * g.dx, g.north - down * g.dy])
        expected = by_definition(nodes.xy, nodes.depth, middle, np.array([g.x[c], g.y[r]]))
        assert g.values[r, c] == pytest.approx(expected, rel=1e-9)


def test_learning_and_drawing_search_alike_by_default():
    f = frame(made_lake.survey(40.0), cell=10.0, spacing=40.0)
    search = {"power": 2.0, "neighbours": 12, "sectors": 4}
    learned, same = learn_idw(f), learn_idw(f, **search)
    assert learned.level  # a mean of depths knows no slope between them
    for name in vars(learned):
        np.testing.assert_array_equal(getattr(learned, name), getattr(same, name))
    drawn = draw_idw(f, learned).depth.values
    np.testing.assert_array_equal(drawn, draw_idw(f, learned, **search).depth.values)


def test_a_node_exactly_to_the_west_belongs_to_a_sector_too():
    nodes, values = np.array([(-1.0, 0.0), (2.0, 0.0)]), np.array([4.0, 9.0])
    # By hand: weights 1 and 1/4.
    assert idw_at(nodes, values, [(0.0, 0.0)])[0] == pytest.approx((4.0 + 9.0 / 4.0) / 1.25)
    assert idw_at(nodes[:1], values[:1], [(0.0, 0.0)])[0] == 4.0


def test_nodes_of_one_depth_give_it_to_the_last_digit():
    """All nodes near lie to the east, so most sectors are empty; another depth lies far off."""
    rng = np.random.default_rng(1)
    nodes = np.column_stack([rng.uniform(10.0, 20.0, 400), rng.uniform(-5.0, 5.0, 400)])
    nodes = np.concatenate([nodes, [[9e5, 0.0]]])
    depth = np.append(np.full(400, 0.1), 50.0)
    points = np.column_stack([rng.uniform(-5.0, 5.0, 500), rng.uniform(-5.0, 5.0, 500)])
    assert set(idw_at(nodes, depth, points).tolist()) == {0.1}
