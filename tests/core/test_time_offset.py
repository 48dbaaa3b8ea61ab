"""Time offset from the data: the patch test by hand, its uncertainty, and when it must refuse."""

from pathlib import Path

import numpy as np
import pytest

from lakefloor.algorithms.core.cleaning import cleaning
from lakefloor.algorithms.core.correcting import corrections, latency
from lakefloor.algorithms.core.correcting.time_offset import find_time_offset
from lakefloor.algorithms.core.errors import Cancelled, LakefloorError
from lakefloor.algorithms.core.reading import logs
from lakefloor.algorithms.core.soundings import Soundings, concatenate, each_visit

START = np.datetime64("2026-05-14T08:00:00", "ms")
EXAMPLE = Path(__file__).resolve().parents[2] / "example_project"


def times(seconds):
    return START + np.round(np.asarray(seconds) * 1000).astype("timedelta64[ms]")


def patch_test(tau, depth=lambda x: 6 + 3 * np.tanh(x / 8), runs=2, hz=5.0, v=2.0, late=0.0):
    """Runs to and fro along one line; the logged position is ``tau`` older than the depth."""
    t = np.arange(-40.0, 40.0 + 1e-9, 1.0 / hz)
    x, z, when = [], [], []
    for k in range(runs):
        way = 1.0 if k % 2 == 0 else -1.0
        true = way * v * (t + late * k)
        x.append(true - way * v * tau)
        z.append(depth(true))
        when.append(t + 200.0 * k)
    x = np.concatenate(x)
    return Soundings.build(
        x, np.zeros(x.size), np.concatenate(z), visit="May", time=times(np.concatenate(when))
    )


@pytest.mark.parametrize("tau", [-1.0, 0.0, 0.5, 1.5])
@pytest.mark.parametrize("late", [0.0, 0.07])
def test_patch_test_without_noise(tau, late):
    # The profile 6 + 3 tanh(x / 8), v = 2 m/s both ways: 0.5 s comes back to 1e-6 s where both
    # runs ping at the same places, and to a few ms where they do not.
    found = find_time_offset(patch_test(tau, late=late))
    assert found.verdict == "determined"
    assert found.offset_s == pytest.approx(tau, abs=1e-6 if late == 0.0 else 5e-3)


def test_displacement_and_depth_difference_of_the_patch_test():
    # Worked by hand: v = 2 m/s, tau = 0.5 s, slope 1:5: dx = 2 v tau = 2.0 m,
    # dz = 2 v tau tan(beta) = 0.40 m.
    plane = patch_test(0.5, lambda x: 20.0 + x / 5.0)
    there, back = plane.select(slice(0, 401)), plane.select(slice(401, None))
    at_zero = [
        np.interp(0.0, r.x[np.argsort(r.x)], r.depth[np.argsort(r.x)]) for r in (there, back)
    ]
    assert at_zero[0] - at_zero[1] == pytest.approx(0.40, abs=1e-9)
    for part in (there, back):
        assert abs(
            np.interp(20.0, part.depth[np.argsort(part.depth)], part.x[np.argsort(part.depth)])
        ) == pytest.approx(1.0, abs=1e-9)
    assert find_time_offset(plane).offset_s == pytest.approx(0.5, abs=1e-6)


def test_result_goes_straight_into_correct_depths():
    logged = patch_test(0.5)
    found = find_time_offset(logged)
    done = corrections.correct_depths(
        logged, time_offset_s=found.offset_s, draft_m=0.0, real_speed_ms=1500.0
    ).soundings
    middle = np.abs(done.x) < 30.0
    np.testing.assert_allclose(done.depth[middle], 6 + 3 * np.tanh(done.x[middle] / 8), atol=1e-5)
    # The whole offset of the logs is found again, not what is left.
    assert find_time_offset(done).offset_s == pytest.approx(0.5, abs=1e-3)


def test_uncertainty_of_a_single_pair_of_runs():
    # Worked by hand: positions of 1 m standard uncertainty at 2 m/s both ways: the two runs are
    # apart by sqrt(2) m more or less, 4 m for each second: 0.354 s, whatever the slope.
    found = find_time_offset(patch_test(0.5), position_m=1.0)
    assert (found.pairs, found.uncert_s) == (1, pytest.approx(0.354, abs=0.02))
    half = find_time_offset(patch_test(0.5), position_m=0.5)
    assert half.uncert_s == pytest.approx(found.uncert_s / 2.0, rel=0.1)


def lake(seed, tau, lanes=16, wander=0.6, noise=0.05):
    """A lake of hills, lanes 20 m apart to and fro and four cross-lines, positions that wander."""
    rng = np.random.default_rng(seed)
    ends = []
    for k in range(lanes):
        ends += [(20.0 * k, 0.0), (20.0 * k, 300.0)][:: 1 if k % 2 == 0 else -1]
    for k in range(4):
        y = 270.0 - 70.0 * k
        ends += [(20.0 * lanes, y), (0.0, y)][:: 1 if k % 2 == 0 else -1]
    ends = np.array(ends)
    run = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(ends, axis=0).T))])
    t = np.arange(0.0, run[-1] / 2.2)

    def boat(when):
        return np.stack([np.interp(2.2 * when, run, ends[:, k]) for k in (0, 1)], axis=-1)

    error = np.empty((t.size, 2))
    error[0] = rng.normal(0.0, wander, 2)
    keep = np.exp(-1.0 / 150.0)
    kicks = rng.normal(0.0, wander * np.sqrt(1.0 - keep**2), (t.size, 2))
    for i in range(1, t.size):
        error[i] = keep * error[i - 1] + kicks[i]
    x, y = boat(t).T
    depth = 7.0 + 2.5 * np.sin(x / 25.0) * np.cos(y / 30.0) + rng.normal(0.0, noise, t.size)
    logged = boat(t - tau) + error
    return Soundings.build(logged[:, 0], logged[:, 1], depth, visit="May", time=times(t))


def test_uncertainty_covers_the_error():
    # 24 invented lakes with planted offsets. Student's z of a fair uncertainty has a root mean
    # square of 1 +- 0.14 and stays below 3 but for one in 400 (normal law); both ends tested.
    z = []
    for seed in range(24):
        tau = (-1.0, 0.0, 0.4, 1.5)[seed % 4]
        found = find_time_offset(lake(seed, tau), search=(-2.0, 2.5))
        assert found.determinable
        assert found.uncert_s < 0.2
        z.append((found.offset_s - tau) / found.uncert_s)
    assert np.abs(z).max() < 3.0
    assert 0.5 < np.sqrt(np.mean(np.square(z))) < 1.4


def test_blunders_do_not_move_it():
    spoiled = lake(3, 0.4)
    depth = spoiled.depth.copy()
    depth[::97] *= 2.0
    clean, found = find_time_offset(lake(3, 0.4)), find_time_offset(spoiled.replace(depth=depth))
    assert abs(found.offset_s - clean.offset_s) < 3.0 * clean.uncert_s


def test_rejected_soundings_do_not_count():
    spoiled = lake(3, 0.4)
    depth, status = spoiled.depth.copy(), spoiled.status.copy()
    depth[::9], status[::9] = 99.0, "spike along track"
    found = find_time_offset(spoiled.replace(depth=depth, status=status))
    assert abs(found.offset_s - 0.4) < 3.0 * found.uncert_s


def test_turned_and_shifted_lake_gives_the_same():
    one = lake(5, 0.4)
    turn = np.radians(33.0)
    other = one.replace(
        x=4e5 + np.cos(turn) * one.x - np.sin(turn) * one.y,
        y=5e6 + np.sin(turn) * one.x + np.cos(turn) * one.y,
    )
    a, b = find_time_offset(one), find_time_offset(other)
    assert b.offset_s == pytest.approx(a.offset_s, abs=0.2 * a.uncert_s)


def test_scan_is_least_at_the_offset():
    found = find_time_offset(lake(7, 1.5))
    assert (found.scan_s[0], found.scan_s[-1]) == (-5.0, 5.0)
    assert abs(found.scan_s[np.nanargmin(found.misfit_m)] - 1.5) <= 0.5


def test_visits_apart_and_together():
    two = concatenate(
        [lake(1, 0.4), lake(2, 0.4).replace(visit=np.full(len(lake(2, 0.4)), "July", object))]
    )
    found = find_time_offset(two)
    assert [v.name for v in found.visits] == ["July", "May"]
    weight = np.array([v.uncert_s for v in found.visits]) ** -2.0
    offsets = np.array([v.offset_s for v in found.visits])
    # Weighted mean of independent results (JCGM 100 and any textbook).
    assert found.offset_s == pytest.approx((weight * offsets).sum() / weight.sum())
    assert found.uncert_s == pytest.approx(weight.sum() ** -0.5)


def test_visits_that_differ_are_told():
    two = concatenate(
        [lake(1, 0.0), lake(2, 1.5).replace(visit=np.full(len(lake(2, 1.5)), "July", object))]
    )
    found = find_time_offset(two)
    assert any("differ by more than their uncertainties" in note for note in found.notes)
    assert found.uncert_s > 0.3 or not found.determinable


# -- what cannot be determined ------------------------------------------------


def refused(soundings, **options):
    found = find_time_offset(soundings, **options)
    assert not found.determinable
    assert np.isnan(found.offset_s)
    assert found.verdict.startswith("not determinable: ")
    return found.verdict


def test_no_pair_of_tracks():
    assert "no two tracks pass within 5 m" in refused(patch_test(0.5, runs=1))


def test_runs_in_one_direction_at_one_speed():
    run = patch_test(0.5, runs=1)
    again = run.replace(time=run.time + np.timedelta64(500, "s"))
    assert "in different directions or at different speeds" in refused(concatenate([run, again]))


def test_flat_bottom():
    # Noise on a level bottom must not pass for a slope.
    for seed in range(5):
        rng = np.random.default_rng(seed)
        flat = patch_test(0.5, lambda x, rng=rng: 8.0 + rng.normal(0.0, 0.05, x.size), runs=8)
        assert "too flat" in refused(flat)


def test_no_times():
    timeless = patch_test(0.5)
    timeless = timeless.replace(time=np.full(len(timeless), np.datetime64("NaT"), "datetime64[ms]"))
    assert "no times" in refused(timeless)


def test_frozen_clock():
    frozen = patch_test(0.5)
    assert "clock stands still" in refused(
        frozen.replace(time=np.full(len(frozen), START, "datetime64[ms]"))
    )


def test_too_uncertain():
    found = find_time_offset(patch_test(0.5), largest_uncert_s=0.1)
    assert "above the 0.1 s allowed" in found.verdict
    assert found.uncert_s > 0.1


def test_beyond_the_search():
    assert "beyond the searched range" in refused(patch_test(2.5), search=(-1.0, 1.0))


def test_nothing_accepted():
    rejected = patch_test(0.5)
    rejected = rejected.replace(status=np.full(len(rejected), "spike", object))
    assert "too few" in refused(rejected)


def test_bad_parameters():
    with pytest.raises(LakefloorError, match="no soundings"):
        find_time_offset(patch_test(0.5).select(slice(0, 0)))
    with pytest.raises(LakefloorError, match="the smaller one first"):
        find_time_offset(patch_test(0.5), search=(1.0, -1.0))
    with pytest.raises(LakefloorError, match="maximum distance between tracks is 0"):
        find_time_offset(patch_test(0.5), max_distance_m=0.0)


def test_cancel():
    def cancel(fraction):
        raise Cancelled

    with pytest.raises(Cancelled):
        find_time_offset(patch_test(0.5), progress=cancel)


# -- the example lake ---------------------------------------------------------


@pytest.fixture(scope="module")
def example():
    return cleaning.clean(logs.read_logs([str(EXAMPLE / "logs")]).soundings).soundings


def test_example_lake_has_no_offset(example):
    found = find_time_offset(example)
    assert abs(found.offset_s) < 3.0 * found.uncert_s
    assert found.uncert_s < 0.1


def test_planted_shift_of_the_example_comes_back(example):
    x, y = example.x.copy(), example.y.copy()
    for name, rows in each_visit(example):
        good = rows[example.accepted[rows] & np.isfinite(x[rows])]
        seconds = (example.time[good] - example.time[good].min()) / np.timedelta64(1, "s")
        track = latency.visit_track(name, seconds, x[good], y[good])
        dx, dy = latency.shift_along(track, seconds, -0.7)
        x[good], y[good] = x[good] + dx, y[good] + dy
    before, found = find_time_offset(example), find_time_offset(example.replace(x=x, y=y))
    assert found.offset_s - before.offset_s == pytest.approx(0.7, abs=0.05)
    assert abs(found.offset_s - 0.7) < 3.0 * found.uncert_s
