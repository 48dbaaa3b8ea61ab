"""Candidate spots lie where the arithmetic of an invented bottom puts them."""

import sys
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.stats import norm
from shapely.geometry import LineString, Point

from lakefloor.algorithms.core.errors import Cancelled, LakefloorError
from lakefloor.algorithms.core.grid import Areas, Grid, Lines, empty_grid
from lakefloor.algorithms.core.places.candidate_spots import candidate_spots
from lakefloor.algorithms.core.places.criteria import missing_layers, read_criteria, window_fit
from lakefloor.algorithms.core.places.ranking import Ranking, trust
from lakefloor.algorithms.core.structure.ground import Ground

sys.path.insert(0, str(Path(__file__).resolve().parents[2] / "example_project"))
import truth


def plane(cell=2.0, rows=100, cols=150, slope=0.05):
    grid = Grid(np.zeros((rows, cols)), 1000.0, 5000.0, cell, cell)
    return grid.like(1.0 + slope * (np.meshgrid(grid.x, grid.y)[0] - grid.west))


CREST = Lines(
    [np.array([(1000.0, 4900.0), (1300.0, 4900.0)])], {"kind": ["crest"], "height_m": [8 * 0.3048]}
)


# -- the table ------------------------------------------------------------------------


def test_table_is_read_with_its_units():
    depth, crest, hump, slope = read_criteria(
        [
            ("Depth", "8", "16", "2"),
            ("crest within (m)", "", 10, ""),
            ("humps", None, None, 1.5),
            ("", "", "", ""),
            ("slope", 5, "", 1),
        ]
    )
    # The international foot is 0.3048 m (NIST SP 811).
    assert (depth.low, depth.high) == pytest.approx((8 * 0.3048, 16 * 0.3048))
    assert (crest.word, crest.low, crest.high, crest.weight) == ("crest", 0.0, 10.0, 1.0)
    assert (hump.word, hump.high, hump.layer) == ("hump", 10.0, "bottom forms")
    assert (slope.low, slope.high) == (5.0, np.inf)
    (metres,) = read_criteria([("depth", 2, 5, 1)], "m")
    assert (metres.low, metres.high) == (2.0, 5.0)


@pytest.mark.parametrize("unit", ["ft", "m"])
def test_a_stated_unit_holds_whatever_the_unit_of_depth(unit):
    depth, crest = read_criteria([("depth", "8 ft", "16ft", 1), ("crest", "", "50 ft", 1)], unit)
    assert (depth.low, depth.high) == pytest.approx((8 * 0.3048, 16 * 0.3048))
    assert crest.high == pytest.approx(50 * 0.3048)
    (metres,) = read_criteria([("depth", "2.5 m", "5 m", 1)], unit)
    assert (metres.low, metres.high) == (2.5, 5.0)


@pytest.mark.parametrize(
    ("row", "message"),
    [
        (("walleye", 0, 1, 1), "Row 1: 'walleye' is not a thing that can count"),
        (("crest", 0, "", 1), "enter in 'to' the distance"),
        (("depth", "", "", 1), "Enter 'from', 'to' or both"),
        (("depth", 9, 9, 1), "must be below"),
        (("depth", "8 fathoms", 9, 1), "'8 fathoms' in column 'from' is not a number"),
        (("depth", "ft", 9, 1), "'ft' in column 'from' is not a number"),
        (("slope", "8 m", 9, 1), "'8 m' in column 'from' is not a number.*without a unit"),
        (("depth", "4 m", "9 ft", 1), r"'from' \(4 m\) must be below 'to' \(9 ft\)"),
        (("depth", 8, 9, 0), "weight must be above 0"),
        (("depth", 8, 9, "nan"), "not a number"),
    ],
)
def test_what_cannot_be_understood_is_named(row, message):
    with pytest.raises(LakefloorError, match=message):
        read_criteria([row])


def test_empty_and_doubled_tables_are_refused():
    with pytest.raises(LakefloorError, match="Nothing counts"):
        read_criteria([("", 1, 2, 3)])
    with pytest.raises(LakefloorError, match="Row 2: 'hard bottom' is in the table twice"):
        read_criteria([("hard", 0, 5, 1), ("hard bottom", 0, 9, 1)])


# -- memberships ------------------------------------------------------------------------


def test_membership_of_a_window():
    # Half a cosine wave: 1 at the end, 1/2 half-way down the shoulder, 0 at its foot.
    value = np.array([4.0, 5.0, 6.0, 8.0, 10.0, 11.0, 12.0, np.nan, np.inf])
    assert window_fit(value, 6.0, 10.0) == pytest.approx([0, 0.5, 1, 1, 1, 0.5, 0, 0, 0])
    assert window_fit(np.array([5.0, 7.5, 10.0, 99.0]), 10.0, np.inf) == pytest.approx(
        [0, 0.5, 1, 1]
    )
    assert window_fit(np.array([0.0, 0.1]), -np.inf, 0.0) == pytest.approx([1, 0])


@given(st.floats(-50, 50), st.floats(0.1, 50), st.lists(st.floats(-200, 200), min_size=2))
def test_membership_is_smooth_and_symmetric(low, width, values):
    value = np.sort(values)
    high = low + width
    fit = window_fit(value, low, high)
    assert np.all((fit >= 0) & (fit <= 1))
    assert fit == pytest.approx(window_fit(low + high - value, low, high), abs=1e-9)
    # The steepest of a half cosine wave over a shoulder of half the width is pi / width.
    assert np.all(np.abs(np.diff(fit)) <= np.pi / width * np.diff(value) + 1e-9)


def test_trust_is_the_probability_of_a_normal_error():
    u = np.array([0.1, 0.3, 1.0, 3.0])
    assert trust(u, 0.6) == pytest.approx(norm.cdf(0.6 / u) - norm.cdf(-0.6 / u))
    assert list(trust(np.array([0.0, np.nan]), 0.6)) == [1.0, 0.0]


# -- where the spots are ------------------------------------------------------------------


def test_spot_is_where_the_depth_and_the_crest_meet():
    grid = plane()
    ground = Ground(grid, breaklines=CREST)
    found = candidate_spots(
        ground,
        read_criteria([("depth", 5, 6, 1), ("crest", 0, 8, 1)], "m"),
        Ranking(number=5),
        unit="ft",
    )
    # Depth 5.5 m lies 90 m from the western edge; the crest at northing 4900.
    assert (found.x[0], found.y[0]) == pytest.approx((1090.0, 4900.0), abs=3.0)
    assert found.score[0] == found.fit[0] == pytest.approx(1.0)
    assert np.all(np.diff(found.score) <= 0)
    assert found.reasons[0].startswith("18 ft deep; on the crest of an 8 ft drop-off; slope 5%")
    assert found.names[0] == "S01 18FT"
    assert found.values["crest"][0] <= 1.0
    assert found.fits["depth"][0] == 1.0
    assert "no uncertainty" in found.notes[0]
    away = np.hypot(found.x[1:] - found.x[0], found.y[1:] - found.y[0])
    assert away.min() >= 40.0


def test_score_is_the_weighted_mean():
    found = candidate_spots(
        Ground(plane(), breaklines=CREST),
        read_criteria([("depth", 5, 6, 3), ("crest", 30, 40, 1), ("slope", 20, "", 2)], "m"),
        min_score=0.0,
    )
    weighed = (3 * found.fits["depth"] + found.fits["crest"] + 2 * found.fits["slope"]) / 6.0
    assert found.score == pytest.approx(weighed)
    # No slope of 5 % fits one of 20 % and more, whose shoulder ends at 10 %.
    assert found.score.max() == pytest.approx(4.0 / 6.0)
    assert "'slope' is in its range nowhere on this lake. Widen the range." in found.notes
    assert "Does not fit: slope 5%" in found.reasons[0]


def test_doubtful_depth_lowers_the_score_and_is_said():
    grid = plane()
    east = np.meshgrid(grid.x, grid.y)[0]
    ground = Ground(grid, uncertainty=grid.like(np.full(grid.shape, 1.0)))
    criteria = read_criteria([("depth", 5, 6, 1)], "m")
    found = candidate_spots(ground, criteria, Ranking(tolerance_m=1.0), unit="m")
    # Within one standard deviation lie 68.27 % (table of the normal distribution).
    assert found.score[0] == pytest.approx(0.6827, abs=1e-4)
    assert found.fit[0] == pytest.approx(1.0)
    assert (
        "Score is 32% lower, because the standard uncertainty of depth is 1.00 m"
        in found.reasons[0]
    )
    sure = Ground(grid, uncertainty=grid.like(np.where(east > 1090.0, 0.05, 1.0)))
    found = candidate_spots(sure, criteria, Ranking(tolerance_m=1.0))
    assert found.x[0] > 1090.0
    assert "lower" not in found.reasons[0]


def test_bottom_and_forms_and_deep_water():
    grid = plane()
    north = np.meshgrid(grid.x, grid.y)[1]
    classes = grid.like(np.where(north > 4900.0, 3.0, 1.0))
    ground = Ground(
        grid,
        bottom_class=classes,
        hardness=grid.like(np.where(north > 4900.0, 0.8, 0.2)),
        forms=Areas([Point(1150, 4880).buffer(20)], {"form": ["point"], "relief_m": [1.0]}),
        deep_m=10.0,
    )
    found = candidate_spots(
        ground,
        read_criteria(
            [
                ("hard bottom", 0, 10, 1),
                ("point", 0, 5, 1),
                ("deep water", 0, 40, 1),
                ("hardness", "", 0.4, 1),
            ]
        ),
        Ranking(number=1),
        unit="m",
    )
    assert found.fits["hard_bottom"][0] == found.fits["point"][0] == 1.0
    assert found.score[0] == pytest.approx(1.0)
    assert Point(1150, 4880).distance(Point(found.x[0], found.y[0])) <= 25.0
    assert 4890.0 <= found.y[0] <= 4900.0
    # Depth 10 m is reached 180 m from the western edge.
    assert found.values["deep_water"][0] == pytest.approx(1181.0 - found.x[0], abs=0.1)
    assert "hard bottom" in found.reasons[0]
    assert "to the north (0°)" in found.reasons[0]
    assert "point of 1.0 m relief" in found.reasons[0]
    assert "deep water (10.0 m and more)" in found.reasons[0]


@settings(max_examples=20, deadline=None)
@given(st.integers(0, 3), st.booleans())
def test_turned_and_mirrored_lakes_have_turned_and_mirrored_spots(turns, mirror):
    random = np.random.default_rng(11)
    n = 60
    grid = Grid(np.zeros((n, n)), 0.0, 120.0, 2.0, 2.0)
    middle = 60.0
    x, y = np.meshgrid(grid.x, grid.y)
    depth = 5.0 + sum(
        a * np.exp(-((x - cx) ** 2 + (y - cy) ** 2) / 400.0)
        for a, cx, cy in random.uniform((-2, 0, 0), (2, 120, 120), (6, 3))
    )
    line = random.uniform(10, 110, (4, 2))

    def turn(xy):
        u, v = (xy - middle).T
        u = -u if mirror else u
        for _ in range(turns):
            u, v = -v, u
        return np.column_stack((u, v)) + middle

    turned = np.rot90(depth[:, ::-1] if mirror else depth, turns)
    criteria = read_criteria([("depth", 5, 6, 1), ("crest", 0, 15, 1)], "m")

    def spots(values, coords):
        return candidate_spots(
            Ground(grid.like(values), breaklines=Lines([coords], {"kind": ["crest"]})),
            criteria,
            Ranking(number=1),
            min_score=0.0,
        )

    here, there = spots(depth, line), spots(turned, turn(line))
    assert there.score[0] == pytest.approx(here.score[0], abs=2e-3)
    assert turn(np.column_stack((here.x, here.y)))[0] == pytest.approx(
        [there.x[0], there.y[0]], abs=6.0
    )


def test_example_lake_spots_are_on_its_true_structure():
    """Planted truth: transitions, crest and depth of the invented lake, by closed formula."""
    grid = empty_grid(truth.shoreline_polygon().bounds, 2.0)
    grid = grid.like(truth.depth_m(*np.meshgrid(grid.x, grid.y)))
    crest = truth.crest_line()
    ground = Ground(
        grid,
        breaklines=Lines([crest], {"kind": ["crest"]}),
        transitions=Lines(truth.transition_lines()),
        crs=truth.EPSG,
    )
    found = candidate_spots(
        ground,
        read_criteria([("crest", 0, 10, 3), ("transition", 0, 25, 2), ("depth", 6, 14, 1)]),
        Ranking(number=8),
    )
    assert len(found) == 8
    assert found.score[:4] == pytest.approx(np.ones(4))
    for x, y in zip(found.x[:4], found.y[:4]):
        assert LineString(crest).distance(Point(x, y)) <= 10.0
        away = min(LineString(line).distance(Point(x, y)) for line in truth.transition_lines())
        assert away <= 25.0
        assert 6 * 0.3048 <= truth.depth_m(x, y) <= 14 * 0.3048


# -- what goes wrong ------------------------------------------------------------------


def test_missing_layers_are_named_before_anything_is_done():
    criteria = read_criteria([("crest", 0, 9, 1), ("toe", 0, 9, 1), ("hump", "", "", 1)])
    with pytest.raises(LakefloorError, match="'crest' and 'toe' need the layer of breaklines"):
        candidate_spots(Ground(plane()), criteria)
    assert missing_layers(criteria, lambda layer: True) == []
    with pytest.raises(LakefloorError, match="band 3"):
        candidate_spots(
            Ground(plane(), hardness=plane()), read_criteria([("hard bottom", 0, 9, 1)])
        )


@pytest.mark.parametrize("limits", [
    {"number": 0}, {"spacing_m": 0.0}, {"spacing_m": -1.0}, {"spacing_m": np.inf},
    {"tolerance_m": np.nan}, {"tolerance_m": 0.0},
])  # fmt: skip
def test_limits_of_ranking_without_sense_are_refused(limits):
    with pytest.raises(LakefloorError, match="Enter a value that is in range"):
        Ranking(**limits)


@pytest.mark.parametrize("min_score", [1.5, -0.1, np.nan])
def test_minimum_score_without_sense_is_refused(min_score):
    with pytest.raises(LakefloorError, match="minimum score is .* Enter a value that is in range"):
        candidate_spots(Ground(plane()), read_criteria([("depth", 2, 3, 1)]), min_score=min_score)


def test_nothing_good_enough_gives_no_spot():
    found = candidate_spots(Ground(plane()), read_criteria([("depth", 200, 300, 1)]))
    assert len(found) == 0
    assert found.reasons == []
    assert found.notes[0].startswith("'depth' is in its range nowhere")


def test_cancel():
    def stop(fraction):
        raise Cancelled

    with pytest.raises(Cancelled):
        candidate_spots(Ground(plane()), read_criteria([("depth", 2, 3, 1)]), progress=stop)
