"""Places like the marks: the coefficient by hand, planted places found, and a test that is fair."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.stats import mannwhitneyu
from shapely.geometry import Point

from lakefloor.algorithms.core.errors import Cancelled, LakefloorError
from lakefloor.algorithms.core.grid import Areas, Grid, Lines
from lakefloor.algorithms.core.places.fair_test import MIN_GROUPS, fair_test, groups_of
from lakefloor.algorithms.core.places.ranking import Ranking
from lakefloor.algorithms.core.places.similar_places import find_similar_places
from lakefloor.algorithms.core.places.similarity import similarity, traits_at, traits_of
from lakefloor.algorithms.core.structure.ground import Ground, cells_of

CELL, N = 4.0, 200
HUMPS = np.array(
    [
        (100, 100),
        (300, 120),
        (520, 140),
        (690, 220),
        (130, 400),
        (340, 380),
        (560, 420),
        (690, 640),
        (150, 660),
        (380, 620),
        (560, 690),
    ],
    dtype=float,
)


def lake(stretch=lambda depth: depth):
    """A bottom that falls and rises gently, with eleven humps, all alike."""
    grid = Grid(np.zeros((N, N)), 0.0, N * CELL, CELL, CELL)
    x, y = np.meshgrid(grid.x, grid.y)
    depth = 9.0 + 2.0 * np.sin(x / 90.0) * np.cos(y / 70.0)
    for hx, hy in HUMPS:
        away = (x - hx) ** 2 + (y - hy) ** 2
        depth = depth + (4.0 - depth) * np.exp(-away / (2 * 18.0**2))
    return grid.like(stretch(depth))


# -- the coefficient ------------------------------------------------------------------


def test_coefficient_by_hand():
    """Gower's coefficient, worked by hand: columns a, b measured, c a kind."""
    kinds = np.array([False, False, True])
    marks = np.array([(0.2, 0.5, 3.0), (0.9, np.nan, 1.0)])
    places = np.array([(0.2, 0.5, 3.0), (0.4, 0.1, 3.0), (0.8, 0.3, 1.0), (np.nan, np.nan, np.nan)])
    best, mark = similarity(places, marks, kinds)
    # Second: (0.8 + 0.6 + 1) / 3; third, by the second mark, without b: (0.9 + 1) / 2.
    assert best == pytest.approx([1.0, 0.8, 0.95, 0.0])
    assert list(mark) == [0, 0, 1, 0]


@given(st.integers(0, 2**32 - 1))
def test_coefficient_is_symmetric_and_between_0_and_1(seed):
    random = np.random.default_rng(seed)
    a, b = random.random((2, 6, 4))
    kinds = np.array([False, False, False, True])
    a[:, 3], b[:, 3] = random.integers(0, 3, (2, 6))
    a[random.random(a.shape) < 0.2] = np.nan
    there = np.array([similarity(a[i : i + 1], b[i : i + 1], kinds)[0][0] for i in range(6)])
    back = np.array([similarity(b[i : i + 1], a[i : i + 1], kinds)[0][0] for i in range(6)])
    assert there == pytest.approx(back)
    assert np.all((there >= 0) & (there <= 1))
    # One more mark never makes a place less alike.
    assert np.all(similarity(a, b, kinds)[0] >= similarity(a, b[:3], kinds)[0])


def test_no_unit_and_no_stretching_of_depth_matters():
    """Ranks are the same under every increasing change of scale."""
    plain = traits_of(Ground(lake())).ranks[0].values
    feet = traits_of(Ground(lake(lambda d: d / 0.3048))).ranks[0].values
    square = traits_of(Ground(lake(lambda d: d**2))).ranks[0].values
    assert feet == pytest.approx(plain, abs=1e-3)
    assert square == pytest.approx(plain, abs=1e-3)
    # Half of the lake lies below the middle rank.
    assert plain.mean() == pytest.approx(0.5, abs=1e-3)


# -- places ------------------------------------------------------------------------------


def test_marks_on_some_humps_lead_to_the_others():
    marked, left = HUMPS[:6], HUMPS[6:]
    found = find_similar_places(
        Ground(lake()), *marked.T, [f"H{i}" for i in range(6)], Ranking(number=5, spacing_m=60.0)
    )
    away = np.hypot(found.x[:, None] - left[:, 0], found.y[:, None] - left[:, 1])
    assert away.min(axis=1).max() < 8.0
    assert sorted(away.argmin(axis=1)) == [0, 1, 2, 3, 4]
    assert np.all(np.diff(found.score) <= 0)
    assert found.likeness.min() > 0.95
    assert found.reasons[0].startswith(f"like H{found.mark[0]}: depth 13 ft (there 13 ft); slope")
    assert found.names[0] == "M01 13FT"
    # Never a place at a mark.
    near = np.hypot(found.x[:, None] - marked[:, 0], found.y[:, None] - marked[:, 1])
    assert near.min() >= 60.0
    assert found.words == ("depth", "slope", "rise")


def test_likeness_at_the_marks_is_1():
    found = find_similar_places(Ground(lake()), *HUMPS[:3].T, "abc")
    row, col = found.likeness_grid.rows_cols(*HUMPS[:3].T)
    row, col = np.floor(row + 0.5).astype(int), np.floor(col + 0.5).astype(int)
    assert found.likeness_grid.values[row, col] == pytest.approx(np.ones(3))


def test_all_layers_take_part():
    grid = lake()
    ground = Ground(
        grid,
        uncertainty=grid.like(np.full(grid.shape, 0.6096)),
        hardness=grid.like(np.clip(1.2 - grid.values / 10.0, 0, 1)),
        breaklines=Lines([np.array([(0.0, 400.0), (800.0, 400.0)])], {"kind": ["crest"]}),
        transitions=Lines([np.array([(400.0, 0.0), (400.0, 800.0)])]),
        forms=Areas([Point(*h).buffer(20) for h in HUMPS], {"form": ["hump"] * len(HUMPS)}),
    )
    found = find_similar_places(ground, *HUMPS[:6].T, "abcdef", unit="m")
    assert found.words == ("depth", "slope", "rise", "hardness", "crest", "transition", "form")
    assert "form hump (there hump)" in found.reasons[0]
    # A tolerance of one standard deviation holds 68.27 % of a normal distribution.
    assert found.score == pytest.approx(0.6827 * found.likeness, rel=1e-3)


def test_marks_off_the_lake_are_left_out_and_none_on_it_is_refused():
    found = find_similar_places(Ground(lake()), [100.0, -50.0], [100.0, 20.0], ["A", "B"])
    assert list(found.left_out) == [1]
    assert set(found.mark) == {0}
    with pytest.raises(LakefloorError, match="No mark lies on the mapped bottom"):
        find_similar_places(Ground(lake()), [-50.0], [20.0], ["B"])


def test_cancel():
    def stop(fraction):
        raise Cancelled

    with pytest.raises(Cancelled):
        find_similar_places(Ground(lake()), [100.0], [100.0], ["A"], progress=stop)


# -- the fair test ------------------------------------------------------------------------


def test_marks_of_one_sort_find_each_other():
    grid = lake()
    test = fair_test(traits_of(Ground(grid)), grid, *HUMPS.T, apart_m=60.0)
    assert test.groups == test.marks == len(HUMPS)
    assert test.auc > 0.95
    assert test.p_value == pytest.approx(1 / 200)
    assert test.random_mean == pytest.approx(0.5, abs=0.05)
    assert test.by_mark.mean() == pytest.approx(test.auc)


def test_marks_at_random_are_no_better_than_chance():
    grid = lake()
    sign = traits_of(Ground(grid))
    random = np.random.default_rng(5)
    p, off = [], []
    for _ in range(12):
        test = fair_test(sign, grid, *random.uniform(10, 790, (2, 12)), apart_m=20.0)
        p.append(test.p_value)
        off.append((test.auc - test.random_mean) / test.random_sd)
    # Of 12 uniform p-values 4 or more below 0.05 come twice in a thousand times (binomial).
    assert np.sum(np.array(p) <= 0.05) < 4
    assert abs(np.mean(off)) < 4.0 / np.sqrt(12)


def test_copies_of_a_mark_do_not_make_it_better():
    """Marks side by side are left out together, so that none predicts its neighbour."""
    grid = lake()
    sign = traits_of(Ground(grid))
    random = np.random.default_rng(8)
    x, y = random.uniform(50, 750, (2, 8))
    alone = fair_test(sign, grid, x, y, apart_m=30.0)
    twice = fair_test(sign, grid, np.append(x, x + 1.0), np.append(y, y), apart_m=30.0)
    assert (twice.groups, twice.marks) == (alone.groups, 2 * alone.marks)
    assert twice.auc == pytest.approx(alone.auc, abs=0.1)


def test_area_under_the_curve_is_that_of_mann_and_whitney():
    """With one mark left out after the other, as scipy counts it."""
    grid = lake()
    sign = traits_of(Ground(grid))
    test = fair_test(sign, grid, *HUMPS[:6].T, apart_m=60.0)
    # scipy's U over the product of the sizes is the area (Hanley and McNeil 1982).
    own = traits_at(sign, *HUMPS[:6].T)
    x, y, _ = cells_of(grid)
    away = np.hypot(x[:, None] - HUMPS[:6, 0], y[:, None] - HUMPS[:6, 1]).min(axis=1)
    background = traits_at(sign, x, y)[away >= 60.0]
    for i in range(6):
        others = np.delete(own, i, axis=0)
        mine = similarity(own[i : i + 1], others, sign.kinds)[0]
        theirs = similarity(background, others, sign.kinds)[0]
        u = mannwhitneyu(mine, theirs).statistic / len(theirs)
        # The test looks at 4000 of these places.
        assert test.by_mark[i] == pytest.approx(u, abs=0.02)


def test_too_few_marks_are_not_tested():
    grid = lake()
    few = HUMPS[: MIN_GROUPS - 1]
    test = fair_test(traits_of(Ground(grid)), grid, *few.T, apart_m=60.0)
    assert np.isnan(test.auc)
    assert test.groups == MIN_GROUPS - 1


def test_marks_all_over_the_lake_leave_nothing_to_test_against():
    pond = Grid(lake().values[:50, :50], 0.0, 200.0, CELL, CELL)
    x, y = np.array([(20, 20), (180, 20), (100, 100), (20, 180), (180, 180)], dtype=float).T
    with pytest.raises(LakefloorError, match="Nearly the whole lake"):
        fair_test(traits_of(Ground(pond)), pond, x, y, apart_m=100.0)


def test_same_input_gives_the_same_numbers():
    grid = lake()
    one, two = (fair_test(traits_of(Ground(grid)), grid, *HUMPS.T, apart_m=60.0) for _ in "ab")
    assert (one.auc, one.p_value, one.random_sd) == (two.auc, two.p_value, two.random_sd)


@settings(max_examples=30, deadline=None)
@given(st.lists(st.tuples(st.integers(0, 60), st.integers(0, 60)), min_size=1, max_size=12))
def test_groups_are_chains_of_neighbours(places):
    x, y = np.array(places, dtype=float).T
    group = groups_of(x, y, 10.0)
    near = np.hypot(x[:, None] - x, y[:, None] - y) <= 10.0
    # Reachable in any number of steps: a power of the matrix.
    reach = np.linalg.matrix_power(near.astype(float), len(x)) > 0
    assert np.array_equal(group[:, None] == group, reach)
