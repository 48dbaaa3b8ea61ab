"""Gains and offsets of visits: York's line, made visits, chains and islands of visits."""

import numpy as np
import pytest

from lakefloor.algorithms.core.errors import LakefloorError
from lakefloor.algorithms.core.hardness.visit_gains import as_logged, find_visit_gains, fit_gains


def test_york_line_with_errors_in_both_coordinates():
    # Pearson's (1901) data with York's (1966) weights; the line that York (1966) and every later
    # author find: slope -0.480533, intercept 5.479910.
    x = np.array([0.0, 0.9, 1.8, 2.6, 3.3, 4.4, 5.2, 6.1, 6.5, 7.4])
    y = np.array([5.9, 5.4, 4.4, 4.6, 3.5, 3.7, 2.8, 2.8, 2.4, 1.5])
    wx = np.array([1000, 1000, 500, 800, 200, 80, 60, 20, 1.8, 1.0])
    wy = np.array([1.0, 1.8, 4, 8, 20, 20, 70, 70, 100, 500])
    place, unit = np.tile(np.arange(10), 2), np.repeat([0, 1], 10)
    gain, offset, cov, misfit = fit_gains(place, unit, np.r_[x, y], np.r_[wx, wy])
    assert gain == pytest.approx([1.0, -0.480533407], abs=1e-7)
    assert offset == pytest.approx([0.0, 5.47991022], abs=1e-6)
    # Published sum of weighted squares: 11.8663531941.
    assert (misfit**2).sum() == pytest.approx(11.8663531941, abs=1e-6)
    assert (cov[0] == 0.0).all()


def test_too_few_places():
    with pytest.raises(LakefloorError, match="too few to adjust 2 visits"):
        fit_gains([0, 0], [0, 1], [0.1, 0.2], [1.0, 1.0])


def visits(seed, gains, spread=0.2, noise=0.03, along=(0, 0, 0), n=120):
    """Visits over the same places, or over the next ones along a line."""
    rng = np.random.default_rng(seed)
    x, hardness, number = [], [], []
    for v, (gain, offset) in enumerate(gains):
        at = along[v] + np.arange(n) * 10.0
        true = 0.5 + spread * np.sign(np.sin(at / 70.0))
        x.append(at + rng.normal(0, 0.3, n))
        hardness.append(offset + gain * true + noise * rng.standard_normal(n))
        number.append(np.full(n, v))
    x, hardness, number = map(np.concatenate, (x, hardness, number))
    k = len(gains)
    return find_visit_gains(
        x,
        np.zeros_like(x),
        hardness,
        number,
        [f"v{i}" for i in range(k)],
        np.full(k, noise),
        rate=np.zeros_like(x),
        reach=3.0,
        reference=0,
    )


def test_gains_are_found_without_bias():
    found = [visits(s, ((1.0, 0.0), (0.8, 0.12), (1.25, -0.1)), spread=0.1) for s in range(40)]
    gain = np.array([gains.gain for gains in found])
    error = np.array([np.sqrt(gains.cov[:, 0, 0]) for gains in found])
    # Ordinary regression would find gains too small by 1 / (1 + 0.03^2 / 0.1^2) = 0.917.
    assert gain.mean(axis=0) == pytest.approx([1.0, 0.8, 1.25], rel=0.02)
    # The spread of 40 is known to a ninth; linear propagation falls a sixth short of it.
    assert gain[:, 1:].std(axis=0) == pytest.approx(1.18 * error[:, 1:].mean(axis=0), rel=0.2)
    one = found[0]
    assert one.gain_free.tolist() == [False, True, True]
    assert one.after < 0.85 * one.before
    assert one.after == pytest.approx(0.03 * np.sqrt(2.0), rel=0.15)
    logged = one.offset[1] + one.gain[1] * 0.5
    assert one.apply([logged], np.array([1])) == pytest.approx([0.5])
    assert one.variance(np.array([0.5]), np.array([1]))[0] < one.cov[1, 0, 0]


def test_a_uniform_overlap_tells_no_gain():
    gains = visits(1, ((1.0, 0.0), (0.8, 0.15)), spread=0.0)
    assert not gains.gain_free.any()
    assert gains.gain.tolist() == [1.0, 1.0]
    # 0.15 + 0.8 x 0.5 - 0.5
    assert gains.offset == pytest.approx([0.0, 0.05], abs=0.01)
    # The gain that is not told matters away from the overlap's hardness: 0.15 x 0.3.
    v = np.array([1])
    assert gains.variance(np.array([0.5]), v)[0] < 0.005**2
    assert np.sqrt(gains.variance(np.array([0.8]), v)[0]) == pytest.approx(0.045, rel=0.05)


def test_many_places_that_hardly_differ_tell_no_gain_either():
    # Ten thousand places that differ by half their noise: a small error of fit, but a false one
    # where the noise is not shared as assumed.
    gains = visits(4, ((1.0, 0.0), (0.8, 0.15)), spread=0.015, n=10_000)
    assert not gains.gain_free.any()


def test_a_chain_is_adjusted_and_a_lone_visit_is_not():
    gains = ((1.0, 0.0), (0.9, 0.1), (1.2, -0.1))
    chain = visits(2, gains, along=(0.0, 600.0, 1200.0))
    assert chain.gain == pytest.approx([1.0, 0.9, 1.2], abs=0.1)
    # Errors add up along the chain.
    assert chain.cov[2, 0, 0] > chain.cov[1, 0, 0]
    lone = visits(3, gains, along=(0.0, 300.0, 5000.0))
    assert lone.solved.tolist() == [True, True, False]
    assert lone.places[2] == 0
    assert np.isnan(lone.apply([0.5], np.array([2]))).all()


def test_as_logged_changes_nothing():
    gains = as_logged(["a", "b"])
    value = np.array([0.2, 0.9])
    assert gains.apply(value, np.array([0, 1])).tolist() == value.tolist()
    assert gains.variance(value, np.array([0, 1])).tolist() == [0.0, 0.0]
