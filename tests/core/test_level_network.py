"""Levelling of visits and lanes."""

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from lakefloor.algorithms.core.correcting.corrections import correct_depths
from lakefloor.algorithms.core.correcting.datums import datum_of
from lakefloor.algorithms.core.correcting.lake_level import reduce_to_datum
from lakefloor.algorithms.core.errors import Cancelled, LakefloorError
from lakefloor.algorithms.core.soundings import Soundings, concatenate, parse_corrections
from lakefloor.algorithms.core.visits.crossings import find_crossings, join_crossings
from lakefloor.algorithms.core.visits.level_network import apply_offsets, level_survey, level_visits
from lakefloor.algorithms.core.visits.offset_network import solve_network
from lakefloor.algorithms.core.visits.overlaps import find_overlaps
from lakefloor.algorithms.core.visits.unknown_level import water_of_the_day

# A worked network of three visits A, B, C, solved by hand from its normal equations
# N = [[5,-4,-1],[-4,13,-9],[-1,-9,10]], u = [1.06,-5.70,4.64] (constant shift a visit, as in
# Wessel 1989, 2010): d_AB = +0.30 (4 crossings), d_BC = -0.50 (9), d_AC = -0.14 (1).
FIRST, SECOND = [0, 1, 0], [1, 2, 2]
DIFFERENCE, COUNT = [0.30, -0.50, -0.14], [4, 9, 1]


def test_worked_network_with_a_held():
    net = solve_network(FIRST, SECOND, DIFFERENCE, COUNT, units=3, held=[True, False, False])
    assert net.offset == pytest.approx([0.0, -0.311020, 0.184082], abs=5e-7)
    assert net.residual == pytest.approx([0.011020, 0.004898, -0.044082], abs=5e-7)
    assert net.variance == pytest.approx(0.00264490, abs=5e-9)
    assert net.cofactor == pytest.approx([0.0, 0.204082, 0.265306], abs=5e-7)
    assert net.std_error == pytest.approx(np.sqrt(0.00264490 * net.cofactor), abs=1e-7)
    assert net.redundancy == 1


def test_worked_network_with_sum_zero_and_with_equal_weights():
    net = solve_network(FIRST, SECOND, DIFFERENCE, COUNT, units=3)
    assert net.offset == pytest.approx([0.042313, -0.268707, 0.226395], abs=5e-7)
    equal = solve_network(FIRST, SECOND, DIFFERENCE, units=3, held=[True, False, False])
    assert equal.offset == pytest.approx([0.0, -0.32, 0.16], abs=1e-9)
    # The loop misclosure 0.30 - 0.50 + 0.14 = -0.06 is what the residuals take up.
    for solved in (net, equal):
        ab, bc, ac = solved.residual
        assert ab + bc - ac == pytest.approx(0.06)


def test_two_separate_pairs_are_not_solved_silently():
    """Rank 2 of 4 unknowns: two groups."""
    net = solve_network([0, 2], [1, 3], [0.1, 0.2], units=4)
    assert net.group.tolist() == [0, 0, 1, 1]
    assert np.isnan(net.offset).all()
    assert np.isnan(net.residual).all()
    half = solve_network([0, 2], [1, 3], [0.1, 0.2], units=4, held=[True, False, False, False])
    assert half.offset[:2] == pytest.approx([0.0, -0.1])
    assert np.isnan(half.offset[2:]).all()
    both = solve_network([0, 2], [1, 3], [0.1, 0.2], units=4, held=[True, False, False, True])
    assert both.offset == pytest.approx([0.0, -0.1, 0.2, 0.0])


@settings(max_examples=60, deadline=None)
@given(st.integers(0, 2**32 - 1), st.integers(2, 12), st.integers(0, 60), st.booleans())
def test_against_dense_least_squares(seed, units, more, hold):
    """numpy.linalg.lstsq (minimum norm: sum zero) and its pseudo-inverse for the cofactors."""
    rng = np.random.default_rng(seed)
    # A chain keeps the network in one piece.
    first = np.concatenate([np.arange(units - 1), rng.integers(0, units, more)])
    second = np.concatenate([np.arange(1, units), rng.integers(0, units, more)])
    own = first == second
    first, second = first[~own], second[~own]
    d = rng.normal(0, 1, first.size)
    w = rng.uniform(0.2, 5.0, first.size)
    held = np.zeros(units, bool)
    if hold:
        held[rng.integers(0, units)] = True
    net = solve_network(first, second, d, w, units=units, held=held)
    design = np.zeros((first.size, units))
    design[np.arange(first.size), first] = 1.0
    design[np.arange(first.size), second] -= 1.0
    root = np.sqrt(w)
    free = ~held
    b = np.zeros(units)
    b[free] = np.linalg.lstsq(design[:, free] * root[:, None], d * root, rcond=None)[0]
    assert net.offset == pytest.approx(b, abs=1e-9)
    q = np.zeros(units)
    q[free] = np.diag(np.linalg.pinv((design.T * w @ design)[np.ix_(free, free)]))
    assert net.cofactor == pytest.approx(q, abs=1e-9)
    r = design @ b - d
    assert net.residual == pytest.approx(r, abs=1e-9)
    redundancy = first.size - (units - 1)
    assert net.redundancy == redundancy
    if redundancy:
        assert net.variance == pytest.approx((w * r**2).sum() / redundancy, abs=1e-12)


def test_mean_of_the_held_units_is_held():
    rng = np.random.default_rng(2)
    first, second = rng.integers(0, 6, 80), rng.integers(0, 6, 80)
    first, second = first[first != second], second[first != second]
    d = rng.normal(0, 1, first.size)
    held = np.array([True, True, False, True, False, False])
    net = solve_network(first, second, d, units=6, held=held, mean_held=True)
    assert net.offset[held].mean() == pytest.approx(0.0, abs=1e-12)
    free = solve_network(first, second, d, units=6)
    # Another datum moves all offsets alike.
    assert np.ptp(net.offset - free.offset) == pytest.approx(0.0, abs=1e-12)
    # Cofactors of c = P b with the pseudo-inverse of the normal equations.
    design = np.zeros((first.size, 6))
    design[np.arange(first.size), first] = 1.0
    design[np.arange(first.size), second] = -1.0
    to_mean = np.eye(6) - np.outer(np.ones(6), held / held.sum())
    q = to_mean @ np.linalg.pinv(design.T @ design) @ to_mean.T
    assert net.cofactor == pytest.approx(np.diag(q), abs=1e-9)


def test_blunders_hardly_move_the_offsets():
    rng = np.random.default_rng(4)
    truth = np.array([0.0, 0.3, -0.2, 0.15, -0.4])
    first, second = rng.integers(0, 5, 600), rng.integers(0, 5, 600)
    first, second = first[first != second], second[first != second]
    d = truth[first] - truth[second] + rng.normal(0, 0.05, first.size)
    blunder = rng.random(first.size) < 0.1
    d = np.where(blunder, d + rng.uniform(2, 20, first.size), d)
    held = [True, False, False, False, False]
    plain = solve_network(first, second, d, units=5, held=held)
    robust = solve_network(first, second, d, units=5, held=held, robust=True)
    assert np.abs(robust.offset - truth).max() < 0.02
    assert np.abs(plain.offset - truth).max() > 0.1
    # Within the limits of normal errors, the stated standard errors are of the right size.
    assert 0.005 < robust.std_error[1:].max() < 0.012
    assert np.abs(robust.offset - truth)[1:].max() < 3.5 * robust.std_error[1:].max()
    assert (robust.weight[blunder] < 0.1).all()


def test_a_change_of_the_bottom_in_a_quarter_of_the_places_does_not_move_a_visit():
    """All to one side, as over a dredged hole: the spread of 200 networks against the stated error."""
    rng = np.random.default_rng(5)
    z = []
    for _ in range(200):
        d = rng.normal(0.0, 0.08, 80)
        dug = np.arange(80) < 20
        d[dug] -= rng.uniform(0.2, 1.8, 20)
        net = solve_network(
            np.ones(80, int), np.zeros(80, int), d, units=2, held=[True, False], robust=True
        )
        z.append(net.offset[1] / net.std_error[1])
        assert net.blunder.sum() <= 22
    # Changes of the size of the noise stay, so a little is left.
    assert abs(np.mean(z)) < 1.0
    assert np.std(z) < 1.3


def test_units_that_only_blunders_tie_are_still_solved():
    first, second = [0] * 8 + [0, 0], [1] * 8 + [2, 2]
    d = [0.0, 0.01, -0.01, 0.0, 0.02, -0.02, 0.01, 0.0, 1.0, 3.0]
    net = solve_network(first, second, d, units=3, held=[True, False, False], robust=True)
    assert net.offset[2] == pytest.approx(-2.0, abs=0.01)
    assert net.blunder.tolist() == [False] * 8 + [True] * 2


def test_standard_errors_are_those_of_repeated_surveys():
    """The spread of 150 repetitions with normal errors, against the mean stated error."""
    rng = np.random.default_rng(11)
    first, second = rng.integers(0, 6, 120), rng.integers(0, 6, 120)
    first, second = first[first != second], second[first != second]
    held = [True, *5 * [False]]
    for robust in (False, True):
        runs = [
            solve_network(
                first, second, rng.normal(0, 0.1, first.size), units=6, held=held, robust=robust
            )
            for _ in range(150)
        ]
        spread = np.std([run.offset[1:] for run in runs], axis=0)
        stated = np.mean([run.std_error[1:] for run in runs], axis=0)
        # The spread of 150 is itself known to 6 %.
        assert spread == pytest.approx(stated, rel=0.2)


def lattice(rng, lanes=12, run_sd=0.05, sd=0.02):
    """Each lane of one visit crosses each of another; a lane's crossings share its error."""
    one, two = (v.ravel() for v in np.meshgrid(np.arange(lanes), lanes + np.arange(lanes)))
    wrong = rng.normal(0.0, run_sd, 2 * lanes)
    d = -0.8 + wrong[one] - wrong[two] + rng.normal(0.0, sd, one.size)
    ends = np.ones(one.size, int), np.zeros(one.size, int)
    return ends, d, (one, two)


def test_standard_errors_where_runs_share_an_error():
    rng = np.random.default_rng(7)
    z, alone = [], []
    for _ in range(300):
        ends, d, runs = lattice(rng)
        net = solve_network(*ends, d, units=2, held=[True, False], robust=True, runs=runs)
        z.append((net.offset[1] + 0.8) / net.std_error[1])
        free = solve_network(*ends, d, units=2, held=[True, False], robust=True)
        alone.append((free.offset[1] + 0.8) / free.std_error[1])
        assert net.offset[1] == free.offset[1]
        assert net.std_error[1] >= free.std_error[1]
    assert np.std(z) == pytest.approx(1.0, abs=0.2)
    assert np.std(alone) > 2.0


def test_error_by_runs_is_that_of_the_published_sum():
    """Aronow et al. (2015): the sum over all pairs of observations that share a run."""
    ends, d, (one, two) = lattice(np.random.default_rng(3), lanes=4)
    net = solve_network(*ends, d, units=2, held=[True, False], runs=(one, two))
    r = d - d.mean()
    shared = (one[:, None] == one) | (two[:, None] == two)
    expected = np.sqrt((shared * np.outer(r, r)).sum()) / d.size
    assert net.std_error[1] == pytest.approx(max(expected, net.variance**0.5 / d.size**0.5))
    assert expected > net.variance**0.5 / d.size**0.5


def test_a_thousand_lanes():
    """500 lanes each crossed by 8 of 500 others, with known offsets."""
    rng = np.random.default_rng(6)
    n = 1000
    truth = rng.normal(0, 0.1, n)
    truth -= truth.mean()
    first = np.repeat(np.arange(500), 8)
    second = 500 + np.array([rng.permutation(500) for _ in range(8)]).T.ravel()
    d = truth[first] - truth[second] + rng.normal(0, 0.01, first.size)
    net = solve_network(first, second, d, units=n)
    assert net.solved.all()
    # Under a sum of zero the errors of 1000 lanes are almost independent of each other.
    assert np.std((net.offset - truth) / net.std_error) == pytest.approx(1.0, abs=0.1)
    assert np.sqrt(net.variance) == pytest.approx(0.01, rel=0.05)


# -- soundings ----------------------------------------------------------------


def bottom(x, y):
    return 8.0 + 2.0 * np.sin(x / 40.0) + 1.5 * np.cos(y / 50.0)


def run(start, stop, visit, lane, rng, noise=0.03):
    start, stop = np.array(start, float), np.array(stop, float)
    n = int(np.hypot(*(stop - start))) + 1
    x, y = (np.linspace(a, b, n) for a, b in zip(start, stop))
    return Soundings.build(
        x, y, bottom(x, y) + rng.normal(0, noise, n), visit=visit, lane=lane, uncert=0.05
    )


def survey(seed=1, high=(("spring", 0.40), ("summer", 0.0), ("autumn", -0.25))):
    """Three visits over one bottom; ``high`` is the water above datum on each."""
    rng = np.random.default_rng(seed)
    parts = [run((-5, y), (205, y), "spring", i + 1, rng) for i, y in enumerate(range(0, 100, 20))]
    parts += [
        run((x + 0.3, -8), (x + 0.3, 105), "summer", i + 1, rng)
        for i, x in enumerate(range(10, 200, 30))
    ]
    parts += [
        run((x, -8), (x + 60.3, 105), "autumn", i + 1, rng) for i, x in enumerate(range(0, 150, 30))
    ]
    soundings = concatenate(parts)
    level = dict(high)
    depth = soundings.depth + np.array([level[v] for v in soundings.visit])
    return soundings.replace(depth=depth)


def reduced(soundings, names, level=0.0):
    """Reduce some visits to one datum."""
    rows = np.isin(soundings.visit.astype(str), names)
    part = reduce_to_datum(
        soundings.select(rows), level, datum_elevation_m=0.0, datum_name="low water"
    ).soundings
    order = np.argsort(np.concatenate([np.flatnonzero(rows), np.flatnonzero(~rows)]))
    return concatenate([part, soundings.select(~rows)]).select(order)


def by_visit(levelled):
    return dict(zip(levelled.visit, levelled.offset))


def test_a_visit_without_a_gauge_reading_joins_the_lake():
    soundings = reduced(survey(), ["summer"])
    levelled = level_visits(soundings, find_crossings(soundings))
    offset = by_visit(levelled)
    assert offset["summer"] == 0.0
    assert offset["spring"] == pytest.approx(0.40, abs=0.02)
    assert offset["autumn"] == pytest.approx(-0.25, abs=0.02)
    error = dict(zip(levelled.visit, levelled.std_error))
    assert error["summer"] == 0.0
    assert 0.002 < error["spring"] < 0.02
    assert abs(offset["spring"] - 0.40) < 4 * error["spring"]
    assert levelled.datum == ("low water", 0.0)
    assert levelled.before > 5 * levelled.after
    out = apply_offsets(soundings, levelled)
    assert datum_of(out) == ("low water", 0.0)
    assert np.array_equal(out.raw_depth, soundings.raw_depth)
    truth = bottom(out.x, out.y)
    for name in ("spring", "summer", "autumn"):
        assert np.mean((out.depth - truth)[out.visit == name]) == pytest.approx(0.0, abs=0.02)
    spring = out.visit == "spring"
    pairs = parse_corrections(out.corrections[np.flatnonzero(spring)[0]])
    assert float(pairs["level_offset_m"]) == pytest.approx(offset["spring"], abs=1e-4)
    assert out.uncert[spring][0] == pytest.approx(np.hypot(0.05, error["spring"]))
    with pytest.raises(LakefloorError, match="'autumn', 'spring', 'summer' were adjusted since"):
        apply_offsets(out, levelled)
    with pytest.raises(LakefloorError, match="already reduced"):
        reduce_to_datum(out, 0.1)
    free = apply_offsets(survey(), level_visits(survey(), find_crossings(survey())))
    with pytest.raises(LakefloorError, match="or adjusted"):
        correct_depths(free, temperature_c=15.0)
    again = correct_depths(free, temperature_c=15.0, from_raw=True).soundings
    assert not any("level_offset_m" in text for text in set(again.corrections))


def test_named_visits_hold_the_datum():
    soundings = survey()
    crossings = find_crossings(soundings)
    held = level_visits(soundings, crossings, held=["spring"])
    assert by_visit(held)["spring"] == 0.0
    assert by_visit(held)["summer"] == pytest.approx(-0.40, abs=0.02)
    assert held.datum is None
    free = level_visits(soundings, crossings)
    assert free.offset.sum() == pytest.approx(0.0, abs=1e-9)
    assert any("sum to zero" in note for note in free.notes)
    with pytest.raises(LakefloorError, match=r"no reference visit 'winter'.*'autumn'"):
        level_visits(soundings, crossings, held=["winter"])


def test_a_known_level_holds_before_the_water_of_a_day():
    spring, summer, autumn = (
        survey().select(survey().visit == name) for name in ("spring", "summer", "autumn")
    )
    waters = [water_of_the_day(part).soundings for part in (spring, autumn)]
    mixed = concatenate([waters[0], reduced(summer, ["summer"]), waters[1]])
    levelled = level_visits(mixed, find_crossings(mixed))
    assert [str(v) for v in levelled.visit[levelled.held]] == ["summer"]
    assert datum_of(apply_offsets(mixed, levelled)) == ("low water", 0.0)
    assert by_visit(levelled)["autumn"] == pytest.approx(-0.25, abs=0.02)
    # Without any level the first in time holds; without times, the first of the rows.
    free = concatenate([waters[0], water_of_the_day(summer).soundings, waters[1]])
    levelled = level_visits(free, find_crossings(free))
    assert [str(v) for v in levelled.visit[levelled.held]] == ["spring"]
    assert levelled.datum == ("water level of visit 'spring'", None)
    assert datum_of(apply_offsets(free, levelled)) == levelled.datum


def test_held_visits_at_two_datums_are_refused():
    soundings = reduced(survey(), ["summer"])
    crossings = find_crossings(soundings)
    with pytest.raises(LakefloorError, match=r"not at one datum: 'spring' not reduced; 'summer'"):
        level_visits(soundings, crossings, held=["spring", "summer"])


def test_groups_without_a_link_are_named():
    soundings = survey()
    crossings = find_crossings(soundings)
    far = Soundings.build(np.arange(900, 960.0), np.zeros(60), np.full(60, 5.0), visit="far bay")
    far2 = Soundings.build(
        np.full(60, 930.2), np.arange(-30, 30.0), np.full(60, 5.5), visit="far too"
    )
    more = concatenate([soundings, far, far2])
    both = find_crossings(more)
    assert len(both) == len(crossings) + 1
    levelled = level_visits(more, both, held=["summer"])
    offset = by_visit(levelled)
    assert np.isnan(offset["far bay"])
    assert np.isnan(offset["far too"])
    assert offset["spring"] == pytest.approx(0.40, abs=0.02)
    text = " ".join(levelled.notes)
    assert "2 unconnected groups" in text
    assert "'far bay', 'far too'" in text
    out = apply_offsets(more, levelled)
    rows = out.visit == "far bay"
    assert np.array_equal(out.depth[rows], far.depth)
    assert set(out.corrections[rows]) == {""}
    own = level_visits(more, both, held=["summer", "far bay"])
    assert by_visit(own)["far too"] == pytest.approx(0.5)
    nothing = level_visits(more, both)
    assert np.isnan(nothing.offset).all()
    assert any("there is no reference visit" in note for note in nothing.notes)


def test_lanes_are_levelled_too():
    rng = np.random.default_rng(9)
    soundings = survey(high=(("spring", 0.0), ("summer", 0.0), ("autumn", 0.0)))
    per_lane = {
        (v, k): rng.normal(0, 0.2) for v in ("spring", "summer", "autumn") for k in range(1, 8)
    }
    extra = np.array([per_lane[v, k] for v, k in zip(soundings.visit, soundings.lane)])
    soundings = soundings.replace(depth=soundings.depth + extra)
    levelled = level_visits(soundings, find_crossings(soundings), unit="lane", held=["spring"])
    assert levelled.offset[levelled.held].mean() == pytest.approx(0.0, abs=1e-9)
    truth = np.array([per_lane[v, k] for v, k in zip(levelled.visit, levelled.lane)])
    truth = truth - truth[levelled.held].mean()
    assert np.abs(levelled.offset - truth).max() < 0.05
    out = apply_offsets(soundings, levelled)
    rest = out.depth - bottom(out.x, out.y)
    assert rest.std() < 0.3 * (soundings.depth - bottom(soundings.x, soundings.y)).std()


def test_blunders_are_listed():
    soundings = reduced(survey(), ["summer"])
    wild = (soundings.visit == "spring") & (soundings.lane == 2) & (np.abs(soundings.x - 100.3) < 3)
    assert wild.sum() > 3
    soundings = soundings.replace(depth=np.where(wild, 2.0 * soundings.depth, soundings.depth))
    levelled = level_visits(soundings, find_crossings(soundings))
    assert by_visit(levelled)["spring"] == pytest.approx(0.40, abs=0.02)
    bad = levelled.crossings.select(levelled.outlier)
    assert len(bad) >= 1
    assert np.abs(bad.x - 100.3).max() < 4
    assert any("are outliers and count less" in note for note in levelled.notes)


def test_misfit_in_proportion_to_depth_is_told_and_not_adjusted():
    """A sound speed 3 % wrong makes depths 3 % too great; crossings span some 6 m."""
    soundings = survey(high=(("spring", 0.0), ("summer", 0.0), ("autumn", 0.0)))
    soundings = soundings.replace(
        depth=np.where(soundings.visit == "spring", 1.03 * soundings.depth, soundings.depth)
    )
    levelled = level_visits(soundings, find_crossings(soundings), held=["summer"])
    trend = levelled.trend["spring"]
    assert trend.significant
    assert trend.slope == pytest.approx(0.03, abs=0.01)
    assert any(
        "'spring' differs in proportion to depth" in n and "not adjusted" in n
        for n in levelled.notes
    )
    clean = survey()
    plain = level_visits(clean, find_crossings(clean), held=["summer"])
    assert not any(t.significant for t in plain.trend.values())


def test_overlaps_level_visits_that_never_cross():
    rng = np.random.default_rng(3)
    soundings = concatenate(
        [
            run((0, 0), (300, 0), "A", 1, rng),
            run((0, 20), (300, 20), "A", 2, rng),
            run((0, 2.5), (300, 2.5), "B", 1, rng),
        ]
    )
    soundings = soundings.replace(
        depth=soundings.depth + np.where(soundings.visit == "B", 0.3, 0.0)
    )
    crossings = find_crossings(soundings)
    with pytest.raises(LakefloorError, match="no place where two visits meet"):
        level_visits(soundings, crossings)
    both = join_crossings([crossings, find_overlaps(soundings, crossings)])
    levelled = level_visits(soundings, both, held=["A"])
    assert by_visit(levelled)["B"] == pytest.approx(0.3, abs=0.05)


def test_survey_is_levelled_in_one_call():
    """The same survey with and without the stretch that runs side by side."""
    rng = np.random.default_rng(3)
    soundings = concatenate(
        [
            run((0, 0), (300, 0), "A", 1, rng),
            run((0, 20), (300, 20), "A", 2, rng),
            run((0, 2.5), (300, 2.5), "B", 1, rng),
        ]
    )
    high = soundings.visit == "B"
    soundings = soundings.replace(depth=soundings.depth + np.where(high, 0.3, 0.0))
    steps = []
    out, levelled = level_survey(soundings, held=["A"], progress=steps.append)
    assert by_visit(levelled)["B"] == pytest.approx(0.3, abs=0.05)
    assert levelled.largest_offset == abs(by_visit(levelled)["B"])
    assert np.allclose(out.depth, soundings.depth - np.where(high, by_visit(levelled)["B"], 0.0))
    assert np.array_equal(out.raw_depth, soundings.raw_depth)
    assert steps == sorted(steps)
    assert steps[-1] == 1.0
    for options in ({"overlaps": False}, {"reach_m": 1.0}, {"max_gap_m": 0.5}):
        with pytest.raises(LakefloorError, match="no place where two visits meet"):
            level_survey(soundings, held=["A"], **options)


def test_largest_offset_of_nothing_levelled_is_unknown():
    rng = np.random.default_rng(4)
    soundings = concatenate(
        [
            run((x, y), (x + dx, y + dy), name, 1, rng)
            for x, y, dx, dy, name in (
                (0, 0, 60, 0, "A"),
                (30.2, -30, 0, 60, "B"),
                (900, 0, 60, 0, "C"),
                (930.2, -30, 0, 60, "D"),
            )
        ]
    )
    out, levelled = level_survey(soundings)
    assert np.isnan(levelled.largest_offset)
    assert np.array_equal(out.depth, soundings.depth)


def test_bad_input_and_cancel():
    soundings = survey()
    crossings = find_crossings(soundings)
    with pytest.raises(LakefloorError, match="'boat' is unknown"):
        level_visits(soundings, crossings, unit="boat")
    with pytest.raises(LakefloorError, match="Enter larger ones"):
        level_visits(soundings, crossings, depth_m=0.0)
    levelled = level_visits(soundings, crossings, held=["summer"])
    other = soundings.replace(visit=np.full(len(soundings), "other", dtype=object))
    with pytest.raises(LakefloorError, match="'other' were not there"):
        apply_offsets(other, levelled)

    def stop(fraction):
        raise Cancelled

    with pytest.raises(Cancelled):
        level_visits(soundings, crossings, progress=stop)


def test_outliers_have_no_part_in_the_trend_with_depth():
    """Wrong depths at the deep end would pass for a sound speed that is wrong."""
    rng = np.random.default_rng(21)
    soundings = survey(high=(("spring", 0.2), ("summer", 0.0), ("autumn", 0.0)))
    found = find_crossings(soundings)
    of_spring = (found.visit_a == "spring") | (found.visit_b == "spring")
    deep = np.flatnonzero(of_spring & found.between)
    deep = deep[np.argsort(found.depth[deep])][-6:]
    sign = np.where(found.visit_a == "spring", 1.0, -1.0)
    wrong = found.difference.copy()
    wrong[deep] += sign[deep] * rng.uniform(1.0, 1.5, deep.size)
    levelled = level_visits(soundings, replace(found, difference=wrong), held=["summer"])
    clean = level_visits(soundings, found, held=["summer"])
    assert levelled.outlier.sum() >= deep.size
    trend = levelled.trend["spring"]
    assert not trend.significant
    assert trend.slope == pytest.approx(clean.trend["spring"].slope, abs=0.01)
    assert abs(trend.slope) < 0.01
    assert trend.n <= clean.trend["spring"].n - deep.size + 1


# -- at the limits ------------------------------------------------------------


def pair_of_units(differences, **options):
    m = len(differences)
    return solve_network([0] * m, [1] * m, differences, units=2, held=[True, False], **options)


def test_five_redundant_observations_make_it_robust():
    one_wrong = [0.10, 0.11, 0.09, 0.10, 0.10, 3.0]
    assert pair_of_units(one_wrong, robust=True).offset[1] == pytest.approx(-0.10, abs=0.02)
    assert pair_of_units(one_wrong[1:], robust=True).offset[1] == pytest.approx(
        -np.mean(one_wrong[1:])
    )
    assert pair_of_units(one_wrong).offset[1] == pytest.approx(-np.mean(one_wrong))


@pytest.mark.parametrize("weight", [1.0, 100.0])
def test_differences_of_millimeters_are_not_weighed_down_by_steps_of_depth(weight):
    # By hand: six alike and one 2 cm off; scale 5 mm, Huber's limit 6.7 mm of about 19.
    net = pair_of_units([0.1] * 6 + [0.12], weight=np.full(7, weight), robust=True)
    assert net.weight[-1] / weight == pytest.approx(0.35, abs=0.03)
    assert net.weight[:6] == pytest.approx(weight)


def test_crossings_on_slopes_count_less_by_the_stated_uncertainties():
    soundings = survey()
    found = find_crossings(soundings)
    levelled = level_visits(
        soundings, found, held=["summer"], position_m=2.0, depth_m=0.1, robust=False
    )
    slope = levelled.crossings.slope
    assert slope.max() > 3.0 * slope.min()
    assert levelled.network.weight == pytest.approx(0.01 / (0.01 + (2.0 * slope) ** 2))


def test_an_outlier_is_one_by_the_scale_of_all_differences_and_their_redundancy():
    """Written out: 1.4826 times the median of the weighted misfits, for what unknowns draw in."""
    soundings = survey()
    found = find_crossings(soundings)
    for by in ("visit", "lane"):
        levelled = level_visits(soundings, found, unit=by, held=["summer"])
        slope = levelled.crossings.slope
        misfit = np.abs(levelled.network.residual) * np.sqrt(0.05**2 / (0.05**2 + slope**2))
        known = np.isfinite(misfit)
        scale = (
            1.4826 * np.median(misfit[known]) * np.sqrt(known.sum() / levelled.network.redundancy)
        )
        assert np.array_equal(levelled.outlier, misfit > 3.5 * scale)


def test_differences_without_one_to_spare_and_with_all_units_held():
    # Each held unit stays where it is unless their mean is asked for.
    chain = [0, 1], [1, 2], [0.2, 0.4]
    held = [True, False, True]
    assert solve_network(*chain, units=3, held=held).offset == pytest.approx([0.0, 0.1, 0.0])
    mean = solve_network(*chain, units=3, held=held, mean_held=True)
    assert mean.offset == pytest.approx([0.3, 0.1, -0.3])
    # Nothing is unknown: the differences tell their scatter, and no offset has an error.
    fixed = solve_network([0, 0], [1, 1], [0.1, 0.3], units=2, held=[True, True])
    assert fixed.offset.tolist() == fixed.std_error.tolist() == fixed.cofactor.tolist() == [0, 0]
    assert fixed.variance == pytest.approx((0.1**2 + 0.3**2) / 2)


def test_soundings_without_a_track_are_the_reason_where_nothing_crosses():
    lane = run((0, 0), (100, 0), "A", 1, np.random.default_rng(2))
    listed = run((50.3, -50), (50.3, 50), "B", 1, np.random.default_rng(3))
    listed = listed.select(np.random.default_rng(4).permutation(len(listed)))
    with pytest.raises(LakefloorError, match=r"no crossing to adjust by\..*do not follow a track"):
        level_survey(concatenate([lane, listed]))


def test_notes_name_separate_groups_of_visits_only_and_count_lone_lanes_of_reference_visits():
    soundings = survey()
    lone = run((900, -8), (900, 105), "summer", 9, np.random.default_rng(5))
    more = concatenate([soundings, lone])
    crossings = find_crossings(more)
    by_lane = level_visits(more, crossings, unit="lane", held=["summer"])
    assert [note for note in by_lane.notes if "stay as they are" in note] == [
        "Lanes of reference visits that meet no others and stay as they are: 1."
    ]
    joined = level_visits(soundings, find_crossings(soundings), unit="lane", held=["summer"])
    by_visit_ = level_visits(more, crossings, held=["summer"])
    for levelled in (joined, by_visit_):
        assert not any("stay as they are" in note for note in levelled.notes)
    for levelled in (by_lane, joined, by_visit_):
        assert not any("unconnected" in note for note in levelled.notes)


# -- a second run ---------------------------------------------------------------


def keys(soundings, visit):
    return parse_corrections(soundings.corrections[np.flatnonzero(soundings.visit == visit)[0]])


def test_a_second_run_finds_nothing_more():
    first, found = level_survey(reduced(survey(), ["summer"]))
    again, more = level_survey(first, held=("summer",))
    offset, error = by_visit(more), dict(zip(more.visit, more.std_error))
    assert np.abs(list(offset.values())).max() < 1e-6
    np.testing.assert_allclose(again.depth, first.depth, atol=1e-6)
    # The error is that of the last fit, not of both.
    np.testing.assert_allclose(again.uncert, first.uncert, atol=5e-5)
    assert list(again.corrections) == list(first.corrections)
    assert error["spring"] == pytest.approx(found.std_error[1], rel=0.01)


def test_offsets_of_two_runs_add_up():
    """What one run takes off after another is what one run takes off alone."""
    lake = survey()
    once, _ = level_survey(reduced(lake, ["summer"]))
    low = lake.replace(depth=lake.depth - np.where(lake.visit == "autumn", 0.2, 0.0))
    first, _ = level_survey(reduced(low, ["summer"]))
    # Depths of autumn are put right by hand: the second run takes off what that has added.
    mended = first.replace(depth=first.depth + np.where(lake.visit == "autumn", 0.2, 0.0))
    second, more = level_survey(mended, held=("summer", "spring"))
    assert by_visit(more)["autumn"] == pytest.approx(0.2, abs=0.01)
    assert by_visit(more)["spring"] == 0.0
    kept = {name: float(keys(second, name)["level_offset_m"]) for name in set(lake.visit)}
    assert kept["autumn"] == pytest.approx(float(keys(once, "autumn")["level_offset_m"]), abs=0.01)
    assert keys(second, "spring") == keys(first, "spring")
    np.testing.assert_allclose(second.depth, once.depth, atol=0.01)
    autumn = lake.visit == "autumn"
    error = float(keys(second, "autumn")["level_offset_sd_m"])
    np.testing.assert_allclose(second.uncert[autumn], np.hypot(0.05, error), atol=1e-5)


def test_all_visits_as_reference_visits_move_nothing():
    first, _ = level_survey(reduced(survey(), ["summer"]))
    # After the first run all are at a datum of known level, so all hold.
    again, found = level_survey(first)
    np.testing.assert_array_equal(again.depth, first.depth)
    assert list(again.corrections) == list(first.corrections)
    assert found.held.all()
    assert found.notes[0].startswith("All visits are reference visits, so nothing was moved.")


def test_lanes_after_visits():
    first, _ = level_survey(reduced(survey(), ["summer"]))
    lanes, found = level_survey(first, unit="lane", held=("summer",))
    rows = first.visit == "autumn"
    before = float(keys(first, "autumn")["level_offset_m"])
    number = {(v, k): b for v, k, b in zip(found.visit, found.lane, found.offset)}
    for lane in np.unique(first.lane[rows]):
        row = np.flatnonzero(rows & (first.lane == lane))[0]
        kept = parse_corrections(lanes.corrections[row])
        expected = before + number["autumn", lane]
        assert float(kept["level_offset_m"]) == pytest.approx(expected, abs=2e-4)
    with pytest.raises(LakefloorError, match="adjusted since"):
        apply_offsets(lanes, found)


def test_the_level_that_was_read_is_kept_beside_the_one_that_fits():
    lake = reduced(survey(), ["spring", "summer", "autumn"], level=0.1)
    done, found = level_survey(lake, held=("summer",))
    pairs = keys(done, "spring")
    assert pairs["given_level_m"] == "0.100"
    assert float(pairs["level_m"]) == pytest.approx(0.1 + by_visit(found)["spring"], abs=1e-3)
    assert pairs["level_from"] == "fit"
    assert keys(done, "summer")["level_m"] == "0.100"
    assert "level_from" not in keys(done, "summer")


def beside(seed, visits=3):
    """Visits on lanes of their own, 20 m beside those of others, that cross but twice."""
    rng = np.random.default_rng(seed)
    high = rng.normal(0.0, 0.3, visits)
    high[0] = 0.0

    def bottom(x, y):
        return 6.0 + 0.03 * x + 1.5 * np.sin(x / 70.0) * np.cos(y / 60.0)

    parts = []
    along = np.arange(0.0, 400.0, 4.0)
    for k in range(visits):
        for y in np.arange(0.0, 300.0, 60.0) + 20.0 * k:
            parts.append((along, np.full(len(along), y), k))
        down = np.arange(0.0, 60.0 + 20.0 * k, 4.0)
        parts.append((np.full(len(down), 380.0 - 3.0 * k), down, k))
    x, y, visit = (
        np.concatenate(v) for v in zip(*[(a, b, np.full(len(a), k)) for a, b, k in parts])
    )
    depth = bottom(x, y) + high[visit] + rng.normal(0.0, 0.08, len(x))
    off = rng.normal(0.0, 1.0, (2, len(x)))
    names = np.array([f"visit {k}" for k in range(visits)], dtype=object)
    return (Soundings.build(x + off[0], y + off[1], depth, visit=names[visit], lane=visit), high)


def test_a_reach_that_holds_each_visit_is_found():
    """Against a reach of 5 m, over surveys whose offsets are known."""
    errors, close = [], []
    for seed in range(12):
        soundings, high = beside(seed)
        for reach, found in ((None, errors), (5.0, close)):
            _, leveled = level_survey(soundings, held=("visit 0",), reach_m=reach)
            found.append(np.nan_to_num(leveled.offset[1:], nan=1.0) - high[1:])
            if reach is None:
                assert leveled.observations.min() >= 25
                assert any("Tracks up to" in note for note in leveled.notes)
    assert np.sqrt(np.mean(np.square(errors))) < 0.6 * np.sqrt(np.mean(np.square(close)))
    assert np.sqrt(np.mean(np.square(errors))) < 0.06
