"""The Hampel identifier and the spikes along the track, against outside references."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.signal import medfilt
from scipy.stats import median_abs_deviation, norm

from lakefloor.algorithms.core.cleaning.hampel import (
    MAD_TO_SIGMA,
    quantum,
    running_median,
    spikes,
    usual_noise,
)

FOOT = 0.3048


def by_the_book(values, k, n_sigma, floor=0.0):
    """Hampel (1974), Davies and Gather (1993), one window at a time with scipy's MAD."""
    flags = []
    for i, value in enumerate(values):
        window = values[max(0, i - k) : i + k + 1]
        scale = max(median_abs_deviation(window, scale="normal"), floor)
        flags.append(abs(value - np.median(window)) > n_sigma * scale)
    return np.array(flags)


def along_the_track(depth_ft, floor=0.09, k=3, run=None, spacing=0.5):
    """Spikes of depths in feet, pings half a metre apart."""
    depth = np.asarray(depth_ft, float) * FOOT
    n = len(depth)
    found = spikes(
        depth,
        np.arange(n) * spacing,
        np.zeros(n, int) if run is None else run,
        k=k,
        n_sigma=3.0,
        floor=np.full(n, floor),
        steepest=np.tan(np.radians(25.0)),
    )
    return np.flatnonzero(found).tolist()


def test_the_factor_is_the_reciprocal_of_the_normal_quartile():
    assert pytest.approx(1.0 / norm.ppf(0.75), rel=1e-12) == MAD_TO_SIGMA


def test_a_worked_set():
    # Worked with numpy: median 10.2 and scale 0.1483 around the fourth value, k = 3.
    values = [10.1, 10.0, 10.2, 25.0, 10.1, 10.3, 10.2, 10.4, 10.3]
    assert np.flatnonzero(by_the_book(values, 3, 3.0)).tolist() == [3]
    assert median_abs_deviation(values[0:7], scale="normal") == pytest.approx(0.1483, abs=5e-5)
    assert along_the_track(values, floor=1e-3) == [3]


@settings(max_examples=100, deadline=None)
@given(
    k=st.integers(1, 5),
    at=st.integers(5, 24),
    n_sigma=st.sampled_from([2.0, 3.0, 4.5]),
    floor=st.floats(0.01, 0.5),
    height=st.floats(-3.0, 3.0),
)
def test_agrees_with_the_definition_on_a_level_bottom(k, at, n_sigma, floor, height):
    n = 30
    depth = np.full(n, 10.0)
    depth[at] += height
    expected = by_the_book(depth, k, n_sigma, floor)
    found = spikes(
        depth,
        np.arange(n) * 0.5,
        np.zeros(n, int),
        k=k,
        n_sigma=n_sigma,
        floor=np.full(n, floor),
        steepest=0.0,
    )
    assert np.array_equal(found, expected)


@pytest.mark.parametrize("k", [1, 2, 3, 5])
def test_running_median_agrees_with_scipy_signal_inside(k):
    values = np.random.default_rng(k).normal(size=200)
    inside = slice(k, -k)
    assert np.array_equal(running_median(values, k)[inside], medfilt(values, 2 * k + 1)[inside])
    # scipy.signal.medfilt of width 3 on the worked set.
    short = running_median(np.array([10.1, 10.0, 10.2, 25.0, 10.1, 10.3, 10.2]), 1)
    assert np.allclose(short[1:-1], [10.1, 10.2, 10.2, 10.3, 10.2])


def test_quantised_flat_bottom_with_no_scatter():
    values = [10.0] * 4 + [10.1] + [10.0] * 4
    assert by_the_book(values, 3, 3.0)[4]
    assert not by_the_book(values, 3, 3.0, floor=0.3).any()
    assert along_the_track(values, floor=1e-3, spacing=1e-3) == [4]
    assert along_the_track(values) == []


def test_a_slope_hides_no_spike_and_is_none():
    slope = np.concatenate([np.full(12, 8.0), np.linspace(8.0, 28.0, 11), np.full(12, 28.0)])
    assert along_the_track(slope) == []
    spiked = slope.copy()
    spiked[17] = 2.0
    assert slope[17] == 18.0
    assert not by_the_book(spiked, 3, 3.0)[17]
    assert along_the_track(spiked) == [17]
    doubled = slope.copy()
    doubled[30] = 56.0
    assert along_the_track(doubled) == [30]


def test_a_burst_of_three_needs_half_a_window_of_three():
    depth = np.round(20.0 + 0.1 * np.random.default_rng(4).normal(size=40), 1)
    depth[18:21] = 32.0, 33.0, 32.5
    assert along_the_track(depth, k=3) == [18, 19, 20]
    assert along_the_track(depth, k=2) != [18, 19, 20]


def test_spikes_on_a_steep_drop_off_and_nothing_of_the_drop_off():
    x = np.arange(120) * 0.5
    depth = 18.0 + 12.0 * np.tanh((x - 30.0) / 4.0)  # feet; 42 degrees at its steepest
    assert along_the_track(depth) == []
    for i in (52, 60, 66):
        for error in (-6.0, 6.0):
            spiked = depth.copy()
            spiked[i] += error
            assert along_the_track(spiked) == [i]


def test_windows_never_reach_into_another_run():
    depth = np.concatenate([np.full(20, 10.0), np.full(20, 40.0)])
    run = np.repeat([0, 1], 20)
    assert along_the_track(depth, run=run) == []
    for i in (0, 19, 20, 39):
        spiked = depth.copy()
        spiked[i] += 9.0
        assert along_the_track(spiked, run=run) == [i]


def test_noise_of_normal_depths_is_their_standard_deviation():
    size = np.abs(np.random.default_rng(0).normal(0, 0.25, 64 * 200))
    assert np.median(usual_noise(size)) == pytest.approx(0.25, rel=0.1)


def test_quantum_of_mixed_resolution():
    rng = np.random.default_rng(2)
    fine = np.round(rng.uniform(5.0, 9.0, 1280), 1)
    whole = np.round(rng.uniform(10.0, 20.0, 1280))
    step = quantum(np.concatenate([fine, whole]))
    assert step[:1000] == pytest.approx(0.1)
    assert step[1600:] == pytest.approx(1.0)


# -- promises of the limit ----------------------------------------------------


@settings(max_examples=150, deadline=None)
@given(
    st.lists(st.integers(-8, 8), min_size=9, max_size=40),
    st.sampled_from([1, 2, 3]),
    st.sampled_from([0.0, 0.2]),
)
def test_between_neighbors_that_stand_is_never_a_spike(steps, k, steepest):
    depth = 10.0 + 0.25 * np.array(steps)
    n = len(depth)
    found = spikes(
        depth,
        np.arange(n) * 0.5,
        np.zeros(n, int),
        k=k,
        n_sigma=2.0,
        floor=np.full(n, 0.02),
        steepest=steepest,
    )
    before, own, after = depth[:-2], depth[1:-1], depth[2:]
    between = (own - before) * (after - own) > 0.0
    stand = ~found[:-2] & ~found[2:]
    assert not (found[1:-1] & between & stand).any()


def test_a_flank_between_its_neighbors_stands_and_the_lone_ping_goes():
    # The fifth ping lies half a metre off the bottom around it, which alone would be a spike.
    rising = np.array(
        [9.5, 10.0, 9.5, 10.0, 10.5, 11.5, 10.0, 8.5, 9.5, 10.0, 10.0, 11.5, 10.0, 10.0]
    )
    alone = rising.copy()
    alone[5] = 10.0
    kept, gone = (
        spikes(
            depth,
            np.arange(14) * 0.5,
            np.zeros(14, int),
            k=3,
            n_sigma=3.0,
            floor=np.full(14, 0.05),
            steepest=0.0,
        )
        for depth in (rising, alone)
    )
    assert np.flatnonzero(kept).tolist() == [11]
    assert gone[4]


@pytest.mark.parametrize("small", [0.25, 1.0])
def test_a_small_step_between_its_neighbors_counts_as_well(small):
    # The same in quarters: the product of the steps is then far below 1 m2.
    depth = 10.0 + small * np.array(
        [-0.5, 0.0, -0.5, 0.0, 0.5, 1.5, 0.0, -1.5, -0.5, 0.0, 0.0, 1.5, 0.0, 0.0]
    )
    found = spikes(
        depth,
        np.arange(14) * 0.5,
        np.zeros(14, int),
        k=3,
        n_sigma=3.0,
        floor=np.full(14, 0.05 * small),
        steepest=0.0,
    )
    assert np.flatnonzero(found).tolist() == [11]


@pytest.mark.parametrize(("at", "beyond"), [(12, 0), (22, 1), (23, 2), (24, 3), (0, 3)])
@pytest.mark.parametrize("sign", [-1.0, 1.0])
def test_the_limit_is_noise_and_half_the_steepest_slope(at, beyond, sign):
    # By hand: 3 x 0.05 m and half of 0.4 m per m over the 2 m between two pings, 0.15 + 0.4; at the
    # end of a run the line through the window's middle is drawn on, a whole slope for each ping.
    limit = 0.15 + 0.4 * 2.0 * (0.5 + beyond)
    for height, expected in ((limit - 0.01, []), (limit + 0.01, [at])):
        depth = np.full(25, 20.0)
        depth[at] += sign * height
        found = spikes(
            depth,
            np.arange(25) * 2.0,
            np.zeros(25, int),
            k=3,
            n_sigma=3.0,
            floor=np.full(25, 0.05),
            steepest=0.4,
        )
        assert np.flatnonzero(found).tolist() == expected


def test_the_slope_granted_is_over_the_mean_spacing_of_the_window():
    # Six spacings of 1, 1, 1, 3, 3, 3 m around the ninth ping: 2 m in the mean, by hand.
    along = np.concatenate([np.arange(9.0), 8.0 + 3.0 * np.arange(1, 9)])
    for height, expected in ((0.54, []), (0.56, [8])):
        depth = np.full(17, 20.0)
        depth[8] += height
        found = spikes(
            depth, along, np.zeros(17, int), k=3, n_sigma=3.0, floor=np.full(17, 0.05), steepest=0.4
        )
        assert np.flatnonzero(found).tolist() == expected


def test_a_run_shorter_than_the_window_is_not_judged():
    for short, expected in ((6, [4]), (7, [4, 24])):
        run = np.repeat([0, 1], [21, short])
        depth = np.full(21 + short, 10.0)
        depth[[4, 24]] += 5.0
        assert along_the_track(depth, run=run) == expected
    assert along_the_track([10.0, 30.0, 10.0], k=1) == [1]
    assert along_the_track([10.0, 30.0], k=1) == []
    last = np.full(22, 10.0)
    last[4] += 5.0
    assert along_the_track(last, run=np.repeat([0, 1], [21, 1])) == [4]


@pytest.mark.parametrize("spacing", [0.0, 0.1])
def test_a_boat_that_drifts_or_stands_over_a_falling_bottom(spacing):
    depth = 10.0 + 0.5 * np.arange(30)
    assert along_the_track(depth, spacing=spacing) == []
    depth[14] -= 4.0
    assert along_the_track(depth, spacing=spacing) == [14]


def test_usual_noise_by_hand():
    # Blocks of 64 with medians 1, 5, 1 and a rest of 8 that belongs to the last: each the larger of
    # its own and its neighbors' mean, at the ends with itself: 3, 5, 3.
    size = np.concatenate([np.full(64, 1.0), np.full(64, 5.0), np.full(64, 1.0), np.full(8, 9.0)])
    expected = MAD_TO_SIGMA * np.repeat([3.0, 5.0, 3.0], [64, 64, 72])
    np.testing.assert_allclose(usual_noise(size), expected)
    np.testing.assert_allclose(usual_noise(np.array([1.0, 2.0, 9.0])), MAD_TO_SIGMA * 2.0)
    assert usual_noise(np.zeros(0)).size == 0


def test_the_line_at_the_start_of_a_run_ends_a_ping_beyond_the_first_window():
    # By hand: of the medians of seven, that of the eighth ping is still the level one, that of the
    # ninth is not; a line drawn as far as that would grant the first ping 3.5 m.
    depth = np.full(24, 10.0)
    depth[8:] = 12.0
    depth[0] += 2.0
    found = spikes(
        depth,
        np.arange(24) * 1.0,
        np.zeros(24, int),
        k=3,
        n_sigma=3.0,
        floor=np.full(24, 0.05),
        steepest=0.0,
    )
    assert np.flatnonzero(found).tolist() == [0]
