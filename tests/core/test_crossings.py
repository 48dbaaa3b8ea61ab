"""Crossings, overlaps and their statistics."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats
from shapely.geometry import LineString

from lakefloor.algorithms.core.errors import Cancelled, LakefloorError
from lakefloor.algorithms.core.soundings import Soundings, concatenate
from lakefloor.algorithms.core.visits.crossing_report import (
    check_crossings,
    difference_statistics,
    double_echoes,
    outlying,
    standard_counts,
)
from lakefloor.algorithms.core.visits.crossings import find_crossings, join_crossings
from lakefloor.algorithms.core.visits.overlaps import find_overlaps


def line(start, stop, visit="A", step=1.0, depth=None, **known):
    """Soundings along a straight line."""
    start, stop = np.array(start, float), np.array(stop, float)
    n = max(int(np.hypot(*(stop - start)) / step), 1) + 1
    x, y = (np.linspace(a, b, n) for a, b in zip(start, stop))
    z = np.full(n, 5.0) if depth is None else depth(x, y)
    return Soundings.build(x, y, z, visit=visit, **known)


def plane(x, y):
    return 4.0 + 0.06 * x - 0.08 * y


# -- geometry -----------------------------------------------------------------


@settings(max_examples=25, deadline=None)
@given(st.integers(0, 2**32 - 1), st.integers(2, 4), st.sampled_from([1.0, 8.0, 40.0]))
def test_every_intersection_of_random_tracks_is_found(seed, visits, step):
    """Against shapely's intersection of every pair of pieces of two visits."""
    rng = np.random.default_rng(seed)
    tracks = []
    for v in range(visits):
        turn = np.cumsum(rng.normal(0, 0.5, 25)) + rng.uniform(0, 6.28)
        length = rng.uniform(0.3, 1.7, 25) * step
        start = rng.uniform(-5, 5, 2) * step
        tracks.append(
            Soundings.build(
                start[0] + np.cumsum(np.cos(turn) * length),
                start[1] + np.cumsum(np.sin(turn) * length),
                rng.uniform(2, 9, 25),
                visit=f"v{v}",
            )
        )
    soundings = concatenate(tracks)
    found = find_crossings(
        soundings, max_gap_m=1e6, min_angle_deg=0.0, merge_m=1e-9, stop_radius_m=1e-3
    )
    found = found.select(found.between)
    expected = []
    for a in range(visits):
        for b in range(a + 1, visits):
            pieces = [
                [LineString([(s.x[k], s.y[k]), (s.x[k + 1], s.y[k + 1])]) for k in range(24)]
                for s in (tracks[a], tracks[b])
            ]
            for i, one in enumerate(pieces[0]):
                for j, two in enumerate(pieces[1]):
                    if one.intersects(two):
                        p = one.intersection(two)
                        expected.append((25 * a + i, 25 * b + j, p.x, p.y))
    expected = np.array(sorted(expected)).reshape(-1, 4)
    order = np.lexsort((found.rows_b[:, 0], found.rows_a[:, 0]))
    got = np.column_stack([found.rows_a[:, 0], found.rows_b[:, 0], found.x, found.y])[order]
    assert got.shape == expected.shape
    assert got == pytest.approx(expected, abs=1e-6 * step)


def test_depths_angle_and_slope_on_a_plane():
    """On a plane both tracks agree; the gradient (0.06, -0.08) has the slope 0.10."""
    soundings = concatenate(
        [
            line(
                (0, 0.3),
                (60, 0.3),
                "A",
                depth=plane,
                uncert=0.03,
                lane=4,
                time=np.datetime64("2026-05-01T10:00:00"),
            ),
            line((10.2, -40), (50.2, 29.282), "B", depth=plane, uncert=0.04),
        ]
    )
    found = find_crossings(soundings)
    assert len(found) == 1
    # 60 degrees by construction: 69.282 / 40 = sqrt(3).
    assert found.angle[0] == pytest.approx(60.0, abs=1e-3)
    assert found.y[0] == pytest.approx(0.3)
    assert found.x[0] == pytest.approx(10.2 + 40.3 / np.sqrt(3.0), abs=1e-4)
    assert found.depth_a[0] == pytest.approx(plane(found.x[0], 0.3))
    assert found.difference[0] == pytest.approx(0.0, abs=1e-12)
    assert found.slope[0] == pytest.approx(0.10)
    assert found.uncert[0] == pytest.approx(0.05)
    assert (found.visit_a[0], found.visit_b[0]) == ("A", "B")
    assert (found.lane_a[0], found.lane_b[0]) == (4, 0)
    assert found.time_a[0] == np.datetime64("2026-05-01T10:00:00")
    assert np.isnat(found.time_b[0])


def test_interpolation_by_hand():
    """A quarter of the way from 4 m to 6 m is 4.5 m; halfway from 5 m to 5.4 m is 5.2 m."""
    soundings = Soundings.build(
        [0, 8, 2, 2],
        [0, 0, -3, 3],
        [4.0, 6.0, 5.0, 5.4],
        visit=["A", "A", "B", "B"],
        time=np.array([0, 8000, 100, 300], dtype="datetime64[ms]"),
    )
    found = find_crossings(soundings)
    assert found.difference[0] == pytest.approx(4.5 - 5.2)
    assert found.depth[0] == pytest.approx(4.85)
    assert found.time_a.astype(int).tolist() == [2000]
    assert found.time_b.astype(int).tolist() == [200]


def serpentine(visit="A", jitter=0.0, seed=0, lane=0):
    corners = [
        (0, 0),
        (200, 0),
        (200, 25),
        (0, 25),
        (0, 50),
        (200, 50),
        (200, 75),
        (100, 75),
        (100, -20),
    ]
    parts = [line(p, q, visit, lane=lane) for p, q in zip(corners[:-1], corners[1:])]
    soundings = concatenate(parts)
    rng = np.random.default_rng(seed)
    return soundings.replace(
        x=soundings.x + rng.normal(0, jitter, len(soundings)) + 0.01,
        y=soundings.y + rng.normal(0, jitter, len(soundings)),
    )


@pytest.mark.parametrize("jitter", [0.0, 0.3, 0.7])
def test_one_observation_for_each_crossing_in_spite_of_jitter(jitter):
    """A cross-line over three lanes of one visit, without lane numbers, has three crossings."""
    found = find_crossings(serpentine(jitter=jitter))
    assert len(found) == 3
    assert not found.between.any()
    assert sorted(np.round(found.y / 25.0)) == [0, 1, 2]
    assert np.abs(found.x - 100.0).max() < 4 * jitter + 0.02


def test_close_lanes_without_lane_numbers_stay_apart():
    """Lanes 4 m apart give an observation each, though they are closer than the merging length."""
    corners = [(0, 0), (60, 0), (60, 4), (0, 4), (0, 8), (60, 8)]
    lanes = concatenate([line(p, q) for p, q in zip(corners[:-1], corners[1:])])
    found = find_crossings(concatenate([lanes, line((30.3, -30), (30.3, 40), "B")]))
    assert sorted(np.round(found.y)) == [0, 4, 8]


def stop(at, n, visit, seed, sigma=0.6):
    rng = np.random.default_rng(seed)
    return Soundings.build(
        at[0] + rng.normal(0, sigma, n),
        at[1] + rng.normal(0, sigma, n),
        np.full(n, 5.0),
        visit=visit,
    )


def test_a_stopped_boat_makes_no_crossings():
    lanes = line((0, 0), (200, 0), "A")
    parked = concatenate([lanes, stop((200, 0), 1500, "A", 1), line((200, 0), (200, 90), "A")])
    assert len(find_crossings(parked)) == 0
    # Another visit through the knot and across the lane: the lane is left, the knot is not.
    other = concatenate([line((100.5, -30), (100.5, 30), "B"), line((180, -15), (215, 15), "C")])
    found = find_crossings(concatenate([parked, other]))
    assert len(found.select(found.visit_b == "B")) == 1
    assert len(found.select(found.visit_b == "C")) <= 1
    # Two boats moored at one place overnight.
    moored = concatenate([stop((0, 0), 4000, "A", 2), stop((0, 0), 4000, "B", 3)])
    assert len(find_crossings(moored)) <= 1
    assert len(find_overlaps(moored)) == 0


def test_where_positions_jitter_a_little_more_path_is_no_stop():
    """By hand: 3.3 radii of path in each radius are usual; 5 times that makes a stop, not 12."""
    advance = np.full(400, 0.5)
    advance[200:230] = 0.02
    x, y = np.cumsum(advance), np.where(np.arange(400) % 2, 1.5, 0.0)
    lane = Soundings.build(x, y, np.full(400, 5.0), visit="A")
    other = line((x[215] + 0.01, -40), (x[215] + 0.01, 40), "B")
    found = find_crossings(concatenate([lane, other]), stop_radius_m=5.0, min_angle_deg=0.0)
    assert len(found.select(found.between)) == 1


def test_gaps_rejected_soundings_and_repeated_fixes():
    soundings = concatenate([line((0, 0), (100, 0), "A"), line((50.5, -30), (50.5, 30), "B")])
    status = soundings.status.copy()
    near = (soundings.visit == "A") & (np.abs(soundings.x - 50.5) < 8)
    status[near] = "spike"
    depth = np.where(near, 99.0, soundings.depth)
    rejected = soundings.replace(status=status, depth=depth)
    found = find_crossings(rejected)
    assert len(found) == 1
    assert found.difference[0] == pytest.approx(0.0)
    assert len(find_crossings(rejected, max_gap_m=10.0)) == 0
    # Pings between fixes that are held: one vertex, with the mean of their depths.
    three = np.repeat(np.arange(len(soundings)), 3)
    repeated = soundings.select(three)
    repeated = repeated.replace(depth=repeated.depth + np.tile([-0.3, 0.0, 0.3], len(soundings)))
    found = find_crossings(repeated)
    assert len(found) == 1
    assert found.difference[0] == pytest.approx(0.0)


def test_tracks_side_by_side_are_no_crossings():
    soundings = concatenate([line((0, 0), (200, 0), "A"), line((0, -8), (200, 8), "B")])
    assert len(find_crossings(soundings)) == 0
    assert len(find_crossings(soundings, min_angle_deg=3.0)) == 1


def test_turned_and_moved_lakes_have_the_same_crossings():
    rng = np.random.default_rng(3)
    soundings = concatenate([serpentine("A", 0.4, 1), serpentine("B", 0.4, 2)])
    soundings = soundings.replace(depth=rng.uniform(3, 8, len(soundings)))
    plain = find_crossings(soundings, min_angle_deg=30)
    c, s = np.cos(0.7), np.sin(0.7)
    turned = find_crossings(
        soundings.replace(
            x=c * soundings.x - s * soundings.y + 4e5, y=s * soundings.x + c * soundings.y + 5e6
        ),
        min_angle_deg=30,
    )
    assert len(plain) > 5
    assert np.array_equal(plain.rows_a, turned.rows_a)
    assert np.array_equal(plain.rows_b, turned.rows_b)
    assert turned.difference == pytest.approx(plain.difference, abs=1e-6)
    assert turned.slope == pytest.approx(plain.slope, abs=1e-6)


def test_order_of_visits_in_the_layer_does_not_matter():
    a, b = serpentine("A", 0.3, 1), serpentine("B", 0.3, 2)
    one, two = find_crossings(concatenate([a, b])), find_crossings(concatenate([b, a]))
    assert np.array_equal(one.x, two.x)
    assert np.array_equal(one.visit_a, two.visit_a)


def test_bad_input_and_cancel():
    with pytest.raises(LakefloorError, match="at least two accepted soundings, but there are 0"):
        find_crossings(Soundings.build([], [], []))
    with pytest.raises(LakefloorError, match="at least two"):
        find_crossings(Soundings.build([0, 1], [0, 1], [3, 3], status="spike"))
    with pytest.raises(LakefloorError, match="not above 0 m"):
        find_crossings(serpentine(), max_gap_m=0.0)
    with pytest.raises(LakefloorError, match="outside 0 to 90"):
        find_crossings(serpentine(), min_angle_deg=90.0)
    assert len(find_crossings(Soundings.build([1, 1, 1], [2, 2, 2], [3, 3, 3]))) == 0
    assert len(find_crossings(Soundings.build([0, np.nan, 5], [0, 1, 5], [3.0, 3.0, 3.0]))) == 0

    def stop_now(fraction):
        raise Cancelled

    with pytest.raises(Cancelled):
        find_crossings(serpentine(), progress=stop_now)
    steps = []
    find_crossings(serpentine(), progress=steps.append)
    assert steps == sorted(steps)
    assert steps[-1] == 1.0


# -- overlaps -----------------------------------------------------------------


def test_overlap_is_corrected_for_distance_and_slope():
    """B lies 2 m north of A on a plane and reads 0.25 m less; a third lane tells the slope."""
    soundings = concatenate(
        [
            line((0, 0), (100, 0), "A", depth=plane),
            line((0, 20), (100, 20), "A", depth=plane),
            line((0.4, 2), (100.4, 2), "B", depth=lambda x, y: plane(x, y) - 0.25),
        ]
    )
    found = find_overlaps(soundings, spacing_m=25.0)
    assert len(found) == 5  # stretches of 25 m in 100 m, the last of one sounding
    assert found.distance == pytest.approx(2.0, abs=0.01)
    assert found.difference == pytest.approx(0.25, abs=1e-9)
    assert found.depth_a - found.depth_b == pytest.approx(0.25 + 0.16, abs=0.04)
    assert found.slope == pytest.approx(0.10, abs=1e-9)
    assert found.angle == pytest.approx(0.0, abs=1e-6)


def test_slope_across_two_lone_tracks_is_not_invented():
    """With nothing else near, 2 m across cannot be told from a datum: uncertainty says so."""
    soundings = concatenate(
        [
            line((0, 0), (100, 0), "A", depth=plane, uncert=0.05),
            line((0, 2), (100, 2), "B", depth=plane, uncert=0.05),
        ]
    )
    found = find_overlaps(soundings)
    assert len(found) == 5
    assert found.difference == pytest.approx(found.depth_a - found.depth_b)
    # 2 m times the slope along the track, 0.06, beside two soundings of 0.05 m.
    assert found.uncert == pytest.approx(np.sqrt(2 * 0.05**2 + (2 * 0.06) ** 2))


def test_overlaps_near_crossings_are_left_out():
    soundings = concatenate([line((0, 0), (200, 0), "A"), line((100.5, -30), (100.5, 30), "B")])
    crossings = find_crossings(soundings)
    assert len(crossings) == 1
    assert len(find_overlaps(soundings)) > 0
    assert len(find_overlaps(soundings, crossings)) == 0
    # The same place with a third visit is another pair.
    third = concatenate([soundings, line((0, 1), (200, 1), "C")])
    assert set(find_overlaps(third, find_crossings(third)).visit_b) == {"C"}
    assert len(join_crossings([crossings, crossings])) == 2


def test_overlaps_of_visits_far_apart():
    apart = concatenate([line((0, 0), (50, 0), "A"), line((0, 500), (50, 500), "B")])
    assert len(find_overlaps(apart)) == 0
    with pytest.raises(LakefloorError, match="not above 0 m"):
        find_overlaps(apart, reach_m=-1.0)


# -- directions ---------------------------------------------------------------


@pytest.mark.parametrize("names", [("A", "B"), ("B", "A")])
def test_direction_is_taken_about_the_crossing_itself(names):
    """A piece of 18 m, crossed near its end: the track beyond it counts, not that before it."""
    slant = np.array([[-22.0, -6.0], [-4.0, -4.5], [12.0, -3.0], [30.0, -1.5], [48.0, 0.15]])
    bent = np.concatenate([slant, [[48.0, 0.15 + k] for k in range(1, 31)]])
    soundings = concatenate(
        [
            line((0, 0), (100, 0), names[0]),
            Soundings.build(*bent.T, np.full(len(bent), 5.0), visit=names[1]),
        ]
    )
    found = find_crossings(soundings)
    assert len(found) == 1
    # From the start of the piece to 10 m beyond the crossing, or the last sounding before.
    assert found.angle[0] == pytest.approx(np.degrees(np.arctan2(8 + 1.65, 18.0)))


def test_direction_of_an_overlap_is_taken_about_the_closest_approach():
    """Closest 14 m along a piece of 16 m, so 8 m of the bend beyond it count."""
    bent = np.array([[-14.0, 2.0], *([2.0, 2.0 + k] for k in range(19))])
    soundings = concatenate(
        [line((0, 0), (1, 0), "A"), Soundings.build(*bent.T, np.full(len(bent), 5.0), visit="B")]
    )
    found = find_overlaps(soundings)
    assert found.distance == pytest.approx([2.0])
    assert found.angle == pytest.approx([np.degrees(np.arctan2(8.0, 16.0))])


def test_track_that_comes_back_within_reach_has_the_direction_of_the_piece():
    """A round of 20 m, crossed opposite its start, which is its end too."""
    soundings = concatenate(
        [
            Soundings.build([0, 5, 5, 0, 0], [100, 100, 105, 105, 100], np.full(5, 5.0), visit="A"),
            line((2.5, 104), (2.5, 124), "B"),
        ]
    )
    found = find_crossings(soundings)
    found = found.select(found.between)
    assert (found.x.tolist(), found.y.tolist()) == ([2.5], [105.0])
    assert found.angle == pytest.approx([90.0])


# -- statistics ---------------------------------------------------------------

# A worked set of ten crossings, ft.
TEN = np.array([0.2, -0.1, 0.3, 0.0, -0.2, 0.1, 0.4, 0.1, -0.1, 0.3])


def test_worked_set_of_ten():
    m = difference_statistics(TEN)
    assert m.n == 10
    assert m.mean == pytest.approx(0.100)
    assert m.sd == pytest.approx(0.200)
    assert m.rmse == pytest.approx(0.21448, abs=5e-6)
    assert m.rmse95 == pytest.approx(0.42037, abs=5e-6)
    assert m.sounding95 == pytest.approx(0.27719, abs=5e-6)
    assert m.percentile95 == pytest.approx(0.355)
    assert m.t == pytest.approx(1.5811, abs=5e-5)
    assert (m.low, m.high) == (pytest.approx(-0.0431, abs=5e-5), pytest.approx(0.2431, abs=5e-5))
    assert m.significant is False


@settings(max_examples=50, deadline=None)
@given(st.lists(st.floats(-3, 3), min_size=3, max_size=40))
def test_against_scipy(values):
    d = np.array(values)
    if d.std() < 1e-6:
        return
    m = difference_statistics(d)
    test = stats.ttest_1samp(d, 0.0)
    assert m.t == pytest.approx(test.statistic, rel=1e-6, abs=1e-9)
    half = stats.sem(d) * stats.t.ppf(0.975, d.size - 1)
    assert m.high - m.mean == pytest.approx(half)
    assert m.significant == bool(abs(d.mean()) > half)
    assert m.robust_sd == pytest.approx(1.4826 * stats.median_abs_deviation(d), rel=1e-6, abs=1e-12)


def test_few_crossings_make_no_statement_at_95_percent():
    m = difference_statistics(TEN[:9])
    assert (m.rmse95, m.sounding95, m.percentile95) == (None, None, None)
    assert m.sd == pytest.approx(TEN[:9].std(ddof=1))
    assert difference_statistics(TEN[:1]).sd is None
    assert difference_statistics([]).mean is None


def test_share_within_the_orders():
    """At 30 ft: sqrt(2) times the tolerances 0.541, 0.851, 1.686 and 3.353 ft of S-44."""
    feet = np.array([0.0, 0.7, 0.8, 1.1, 1.3, 2.3, 2.5, 4.6, 4.9])
    passed = {s.order: s.passed for s in standard_counts(feet * 0.3048, np.full(9, 30 * 0.3048))}
    assert passed["Exclusive"] == 2  # 0.765
    assert passed["Special"] == 4  # 1.203
    assert passed["1a"] == passed["1b"] == 6  # 2.384
    assert passed["2"] == 8  # 4.742
    assert passed["other general surveys"] == 7  # sqrt(2) times 2 ft is 2.828


def survey(bias=0.2, noise=0.05, bottom=plane):
    rng = np.random.default_rng(5)
    parts = [line((-10, y), (210, y), "spring", depth=bottom) for y in range(0, 100, 10)]
    parts += [
        line((x + 0.4, -10), (x + 0.4, 110), "autumn", depth=bottom) for x in range(0, 200, 20)
    ]
    soundings = concatenate(parts)
    high = np.where(soundings.visit == "spring", bias, 0.0)
    return soundings.replace(depth=soundings.depth + high + rng.normal(0, noise, len(soundings)))


def test_report_of_two_visits():
    report = check_crossings(survey(), depth_step_m=5.0)
    assert report.between.n == len(report.crossings) == 100
    assert report.within.n == 0
    # First comes the visit first in the alphabet: autumn less spring.
    assert report.between.mean == pytest.approx(-0.2, abs=0.02)
    assert report.between.significant
    # Noise of 0.05 m; interpolation between two soundings leaves a part of it.
    assert 0.04 < report.between.sd < 0.08
    assert [pair for pair, _ in report.by_visits] == [("autumn", "spring")]
    assert sum(m.n for _, m in report.by_depth) == 100
    assert all(low % 5.0 == 0.0 and high == low + 5.0 for (low, high), _ in report.by_depth)
    assert sum(m.n for _, m in report.by_slope) == 100
    assert any("'autumn' and 'spring'" in note for note in report.notes)


def test_one_visit_does_not_test_the_datum():
    one = survey().replace(visit=np.full(len(survey()), "only", dtype=object))
    report = check_crossings(one)
    assert report.between.n == 0
    assert report.within.n == 100
    assert report.tested.all()
    assert any("not test the lake datum" in note for note in report.notes)


def test_no_and_few_crossings_are_told():
    assert "No crossing" in check_crossings(line((0, 0), (50, 0))).notes[0]
    few = concatenate([line((0, 0), (50, 0), "A"), line((20.5, -20), (20.5, 20), "B")])
    assert any("1 crossing between visits is too few" in n for n in check_crossings(few).notes)


def test_position_errors_show_on_the_slope():
    """Positions 2 m off matter on a slope of 30 % and not on the flat."""

    def shelf(x, y):
        return 4.0 + np.where(x > 100, 0.3 * (x - 100), 0.0)

    soundings = survey(0.0, 0.02, shelf)
    rng = np.random.default_rng(8)
    jump = np.hypot(np.diff(soundings.x), np.diff(soundings.y)) > 5
    lane = np.concatenate([[0], np.cumsum(jump)])
    shifted = soundings.replace(x=soundings.x + rng.normal(0, 2.0, lane[-1] + 1)[lane])
    report = check_crossings(shifted)
    assert any("cause most of the difference" in note for note in report.notes)


@pytest.mark.parametrize("step", [0.0, -1.0, np.nan])
def test_steps_of_depth_must_be_above_zero(step):
    s = Soundings.build([0.0, 10.0], [0.0, 0.0], [1.0, 1.0], visit="a")
    with pytest.raises(LakefloorError, match="step of depth is "):
        check_crossings(s, depth_step_m=step)


def test_a_boat_that_swings_at_anchor_crosses_no_track():
    # Two lanes and a cross-line at 2 m/s; then three hours at anchor, swinging wider than the
    # stop radius as an Ornstein-Uhlenbeck process: 8 m and 5 minutes.
    rng = np.random.default_rng(0)
    step = np.exp(-1.0 / 300.0)
    swing = np.zeros((10_800, 2))
    for k, push in enumerate(rng.normal(0.0, 8.0 * np.sqrt(1.0 - step**2), swing.shape)):
        swing[k] = step * swing[k - 1] + push
    along = np.arange(0.0, 200.0, 2.0)
    out = np.column_stack([along, 0.0 * along])
    back = np.column_stack([along[::-1], 0.0 * along + 30.0])
    across = np.column_stack([0.0 * along + 100.0, along - 50.0])
    x, y = np.concatenate([out, back, across, swing + [-100.0, 100.0]]).T
    clock = np.datetime64("2026-07-09", "ms") + (1000 * np.arange(x.size)).astype("m8[ms]")
    timed = find_crossings(Soundings.build(x, y, np.full(x.size, 5.0), time=clock, visit="a"))
    sailed = timed.y < 60.0
    assert sailed.sum() == 2
    # Without a clock only the radius tells.
    blind = find_crossings(Soundings.build(x, y, np.full(x.size, 5.0), visit="a"))
    assert (blind.y < 60.0).sum() == 2
    assert len(timed) < 2 + 0.2 * (len(blind) - 2)


# -- overlaps at their limits -------------------------------------------------


def rough(x, y):
    return 5.0 + 0.4 * np.sin(x / 9.0) + 0.05 * y + 0.002 * x * y


def three_lanes(east=0.0, north=0.0):
    """Two lanes of A, and one of B beside the first; on an uneven bottom."""

    def bottom(x, y):
        return rough(x - east, y - north)

    return concatenate(
        [
            line((east, north), (east + 100, north), "A", depth=bottom),
            line((east, north + 20), (east + 100, north + 20), "A", depth=bottom),
            line((east + 0.4, north + 2), (east + 100.4, north + 2), "B", depth=bottom),
        ]
    )


def test_overlaps_of_a_moved_lake_are_the_same():
    here, there = find_overlaps(three_lanes()), find_overlaps(three_lanes(5250.0, 130.0))
    assert len(here) == len(there) > 0
    for name in ("distance", "angle", "slope", "difference"):
        np.testing.assert_allclose(getattr(here, name), getattr(there, name), atol=1e-6)


def test_the_slope_between_tracks_is_that_of_all_soundings_in_the_cells_around():
    """Least squares over 3 x 3 cells of 20 m, a constant for each visit, written out."""
    soundings = three_lanes()
    found = find_overlaps(soundings)
    origin = np.array([soundings.x.min(), soundings.y.min()])
    cell = np.floor((np.column_stack([soundings.x, soundings.y]) - origin) / 20.0)
    a = soundings.visit == "A"
    for k in range(len(found)):
        at = np.floor((np.array([found.x[k], found.y[k]]) - origin) / 20.0)
        near = (np.abs(cell - at) <= 1).all(axis=1)
        design = np.column_stack([soundings.x, soundings.y, a, ~a])[near].astype(float)
        gx, gy, *_ = np.linalg.lstsq(design, soundings.depth[near], rcond=None)[0]
        assert found.slope[k] == pytest.approx(np.hypot(gx, gy), rel=1e-6)


def test_a_track_of_few_far_soundings_is_met_between_them():
    """Soundings 15 m apart, the other track 4 m beside the middle of them."""
    soundings = concatenate(
        [
            line((0.0, 0.0), (90.0, 0.0), "B", step=15.0),
            line((91.0, 0.0), (94.0, 0.0), "B"),
            line((37.0, 4.0), (38.0, 4.0), "A", step=0.5),
        ]
    )
    found = find_overlaps(soundings)
    assert len(found) == 1
    assert found.distance == pytest.approx(4.0)


def test_a_visit_of_a_single_sounding_overlaps_nothing():
    soundings = concatenate(
        [
            line((0, 0), (100, 0), "A"),
            Soundings.build([50.0], [1.0], [5.0], visit="B"),
            line((0, 2), (100, 2), "C"),
        ]
    )
    assert set(find_overlaps(soundings).visit_b) == {"C"}


def test_the_direction_of_a_bent_track_is_that_of_ten_meters_each_way():
    """On a circle of 60 m the chord about a place is parallel to the tangent there."""
    turn = np.linspace(0.0, np.pi, 24)  # vertices 8 m apart
    bend = Soundings.build(60.0 * np.cos(turn), 60.0 * np.sin(turn), np.full(24, 5.0), visit="B")
    for degrees in (37.0, 61.0, 90.0, 118.0):
        east, north = np.cos(np.radians(degrees)), np.sin(np.radians(degrees))
        straight = line((30 * east, 30 * north), (90 * east, 90 * north), "A", step=7.0)
        (angle,) = find_crossings(concatenate([straight, bend])).angle
        assert angle == pytest.approx(90.0, abs=5.0)


def doubled(two_visits):
    """The soundings of one autumn track at twice their depth, as echoes that went twice."""
    double = (two_visits.visit == "autumn") & (np.abs(two_visits.x - 100.4) < 1.0)
    return two_visits.replace(depth=np.where(double, 2.0, 1.0) * two_visits.depth)


def test_a_few_double_echoes_are_named_and_do_not_move_the_median():
    """The rms is that of the false depths; median and MAD are those of the others."""
    clean = survey()
    sound = check_crossings(clean)
    spoiled = check_crossings(doubled(clean))
    few = spoiled.between
    assert few.rmse > 3.0 * sound.between.rmse
    assert few.median == pytest.approx(sound.between.median, abs=0.05)
    assert few.robust_sd == pytest.approx(sound.between.robust_sd, rel=0.5)
    named = double_echoes(spoiled.crossings)
    true = np.abs(spoiled.crossings.x - 100.4) < 2.0
    np.testing.assert_array_equal(named, true)
    assert few.outliers == named.sum()
    assert any("twice the other, as of a double echo" in note for note in spoiled.notes)
    assert not double_echoes(sound.crossings).any()
    assert not any("double echo" in note for note in sound.notes)


@given(st.lists(st.floats(-0.3, 0.3), min_size=12, max_size=60), st.floats(1.5, 50.0))
@settings(max_examples=50)
def test_one_gross_error_is_an_outlier_among_small_ones(values, gross):
    found = outlying([*values, gross])
    assert found[-1]
    assert difference_statistics([*values, gross]).outliers == found.sum()
