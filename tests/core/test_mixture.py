"""Mixtures, thresholds and change-points against published figures."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.stats import norm

from lakefloor.algorithms.core.errors import LakefloorError
from lakefloor.algorithms.core.hardness.mixture import (
    Mixture,
    between,
    boundaries,
    change_point,
    choose_mixture,
    effective_count,
    fit_mixture,
    memberships,
    otsu,
    with_effective,
)

#: Minutes between eruptions of the Old Faithful geyser, value: count (Azzalini and Bowman (1990),
#: Applied Statistics 39(3), 357-365; 272 values).
GEYSER = {
    43: 1,
    45: 3,
    46: 5,
    47: 4,
    48: 3,
    49: 5,
    50: 5,
    51: 6,
    52: 5,
    53: 7,
    54: 9,
    55: 6,
    56: 4,
    57: 3,
    58: 4,
    59: 7,
    60: 6,
    62: 4,
    63: 3,
    64: 4,
    65: 3,
    66: 2,
    67: 1,
    68: 1,
    69: 2,
    70: 4,
    71: 5,
    72: 1,
    73: 7,
    74: 6,
    75: 8,
    76: 9,
    77: 12,
    78: 15,
    79: 10,
    80: 8,
    81: 13,
    82: 12,
    83: 14,
    84: 10,
    85: 6,
    86: 6,
    87: 2,
    88: 6,
    89: 3,
    90: 6,
    91: 1,
    92: 1,
    93: 2,
    94: 1,
    96: 1,
}


def geyser():
    return np.repeat(list(GEYSER), list(GEYSER.values())).astype(float)


def test_two_classes_of_the_geyser_as_published():
    # Benaglia, Chauveau, Hunter and Young (2009), Journal of Statistical Software 32(6), 1-29:
    # shares 0.361 and 0.639, means 54.6 and 80.1, standard deviations 5.87 and 5.87,
    # log-likelihood -1034.002.
    fit = fit_mixture(geyser(), 2)
    assert fit.share == pytest.approx([0.361, 0.639], abs=5e-4)
    assert fit.mean == pytest.approx([54.615, 80.091], abs=2e-3)
    assert fit.sd == pytest.approx([5.871, 5.868], abs=2e-3)
    assert fit.log_likelihood == pytest.approx(-1034.002, abs=1e-3)


def test_one_and_three_classes_as_a_reference_library_finds_them():
    # scikit-learn 1.9.1, GaussianMixture(n_init=20, tol=1e-10, reg_covar=0).
    one, two, three = (fit_mixture(geyser(), k) for k in (1, 2, 3))
    assert one.log_likelihood == pytest.approx(-1095.288801, abs=1e-5)
    assert one.bic == pytest.approx(2201.789205, abs=1e-5)
    assert two.bic == pytest.approx(2096.032510, abs=1e-3)
    assert three.bic == pytest.approx(2108.1158, abs=5e-3)
    assert three.mean == pytest.approx([50.958, 59.849, 80.158], abs=0.5)
    best, tried = choose_mixture(geyser())
    assert len(best) == 2
    assert [len(m) for m in tried] == [1, 2, 3]


def test_boundary_of_two_equal_normals_is_midway():
    rng = np.random.default_rng(1)
    value = np.concatenate([rng.normal(0.3, 0.05, 4000), rng.normal(0.7, 0.05, 4000)])
    fit, _ = choose_mixture(value)
    assert boundaries(fit) == pytest.approx([0.5], abs=0.01)
    # Bayes at the means: odds exp(-(0.4 / 0.05)^2 / 2); half and half midway.
    half = memberships(np.array([0.5]), np.array([0.0]), fit)[0]
    assert half == pytest.approx([0.5, 0.5], abs=0.1)
    # Convolved with an uncertainty of 0.2: odds at the mean exp(0.4^2 / 2 / (0.05^2 + 0.2^2)).
    odds = np.exp(0.4**2 / 2 / (0.05**2 + 0.2**2))
    assert memberships(np.array([0.7]), np.array([0.2]), fit)[0, 1] == pytest.approx(
        odds / (1 + odds), abs=0.01
    )


def test_far_side_of_a_narrow_class_stays_its_own():
    rng = np.random.default_rng(2)
    fit = fit_mixture(np.r_[rng.normal(0.3, 0.1, 3000), rng.normal(0.8, 0.01, 3000)], 2)
    assert memberships(np.array([0.95]), np.array([0.0]), fit)[0, 1] > 0.99


def test_trend_within_classes_is_not_the_difference_between_them():
    rng = np.random.default_rng(3)
    n = 3000
    hard = rng.random(n) < 0.4
    # Hard bottom is shallow and soft bottom deep; depth itself takes 0.1 a decade.
    depth = np.where(hard, rng.uniform(1, 6, n), rng.uniform(4, 20, n))
    x = np.log10(depth)[:, None]
    y = np.where(hard, 0.75, 0.3) - 0.1 * x[:, 0] + 0.03 * rng.standard_normal(n)
    fit, tried = choose_mixture(y, covariates=x)
    assert len(fit) == 2
    error = np.sqrt(fit.trend_cov[0, 0])
    assert fit.trend == pytest.approx([-0.1], abs=4 * error)
    assert error < 0.005
    assert fit.mean == pytest.approx([0.3, 0.75], abs=0.01)
    # Ordinary regression, a mixture of one, takes the lie of the classes for an effect of depth.
    assert tried[0].trend[0] < -0.4
    slope = np.polyfit(x[:, 0], y, 1)[0]
    assert tried[0].trend == pytest.approx([slope], rel=1e-6)


def test_one_skewed_class_stays_one():
    rng = np.random.default_rng(4)
    best, tried = choose_mixture(0.2 + 0.1 * rng.gamma(3.0, 0.3, 4000))
    assert len(best) == 1
    assert tried[1].bic < tried[0].bic
    assert not tried[1].distinct


def test_copies_of_a_value_are_one_observation():
    # Autocorrelation r of first order: n (1 - r) / (1 + r) (Bayley and Hammersley 1946).
    rng = np.random.default_rng(5)
    n, r = 20_000, 0.8
    e = rng.standard_normal(n)
    for i in range(1, n):
        e[i] = r * e[i - 1] + np.sqrt(1 - r**2) * e[i]
    assert effective_count(e, np.zeros(n)) == pytest.approx(n / 9.0, rel=0.1)
    assert effective_count(rng.standard_normal(n), np.zeros(n)) == pytest.approx(n, rel=0.05)
    fit = fit_mixture(e, 1, covariates=np.arange(n)[:, None] / n)
    fewer = with_effective(fit, n / 9.0)
    assert fewer.trend_cov == pytest.approx(9.0 * fit.trend_cov)
    assert fewer.bic == pytest.approx(-2 * fit.log_likelihood / 9 + 3 * np.log(n / 9))


def test_too_few_values():
    with pytest.raises(LakefloorError, match="too few for 2 classes"):
        fit_mixture(np.linspace(0, 1, 15), 2)
    best, tried = choose_mixture(np.linspace(0, 1, 15))
    assert len(best) == len(tried) == 1


def test_probability_between_limits():
    # Table of the normal distribution: Phi(1) = 0.841345, Phi(2) = 0.977250.
    p = between(np.array([0.5]), np.array([0.1]), (0.4, 0.7))[0]
    assert p == pytest.approx([0.158655, 0.977250 - 0.158655, 0.022750], abs=1e-6)


def test_otsu_parts_two_classes():
    # 30 values about 50 and 30 about ... parted by any value in the gap; the middle is taken.
    pattern = np.tile([-4.0, -2.0, 0.0, 2.0, 4.0], 6)
    value = otsu(np.concatenate([30.0 + pattern, 60.0 + pattern, 60.0 + pattern]))
    assert 34.0 < value < 56.0
    assert value == pytest.approx(45.0, abs=0.5)


def test_change_point_by_hand():
    # Sums of squares about both means, worked by hand: best after the fourth, means 31 and 60.5.
    count, squares = change_point([30, 34, 28, 32, 61, 58, 63, 60])
    assert count == 4
    assert squares == pytest.approx([1490, 1269.33, 681.47, 33, 752.67, 1112, 1541.43], abs=0.005)
    assert change_point([0, 9, 9, 9, 9, 9], least=2)[0] == 2
    with pytest.raises(LakefloorError, match="at least 6 values"):
        change_point([1, 2, 3], least=3)


@settings(max_examples=60, deadline=None)
@given(st.lists(st.floats(-100, 100), min_size=2, max_size=30))
def test_change_point_is_the_least_of_all_sums(values):
    v = np.array(values)
    count, squares = change_point(v)
    brute = [
        ((v[:i] - v[:i].mean()) ** 2).sum() + ((v[i:] - v[i:].mean()) ** 2).sum()
        for i in range(1, len(v))
    ]
    assert squares == pytest.approx(brute, abs=1e-6 * (1 + max(brute)))
    assert brute[count - 1] == pytest.approx(min(brute), abs=1e-6 * (1 + max(brute)))


# -- classes of unequal spread ------------------------------------------------


def made_mixture(mean, sd, share):
    mean, sd, share = (np.array(v, float) for v in (mean, sd, share))
    return Mixture(mean, sd, share, np.zeros(0), np.zeros((0, 0)), 0.0, 0.0, 1000)


UNEQUAL = made_mixture([0.2, 0.5, 0.9], [0.03, 0.15, 0.06], [0.5, 0.2, 0.3])


@pytest.mark.parametrize(("sigma", "noise"), [(0.0, 0.0), (0.08, 0.0), (0.0, 0.02), (0.1, 0.02)])
def test_probabilities_of_classes_with_unequal_spreads(sigma, noise):
    # Bayes' theorem with scipy's normal density: each class as wide as its own spread, less the
    # noise of the values that it was fitted to, with the uncertainty of this value.
    value = np.linspace(0.2, 0.9, 15)
    wide = np.sqrt(UNEQUAL.sd**2 - noise**2 + sigma**2)
    weighed = UNEQUAL.share * norm.pdf(value[:, None], UNEQUAL.mean, wide)
    expected = weighed / weighed.sum(axis=1, keepdims=True)
    found = memberships(value, np.full(15, sigma), UNEQUAL, noise)
    np.testing.assert_allclose(found, expected, rtol=1e-9, atol=1e-12)


def test_a_class_keeps_a_tenth_of_its_spread_where_all_of_it_is_noise():
    two = made_mixture([0.0, 1.0], [0.5, 0.2], [0.5, 0.5])
    value = np.array([0.3, 0.5])
    expected = norm.logpdf(value, 0.0, 0.05) - norm.logpdf(value, 1.0, 0.02)
    found = memberships(value, np.zeros(2), two, noise=0.6)
    np.testing.assert_allclose(np.log(found[:, 0] / found[:, 1]), expected, rtol=1e-6)


@pytest.mark.parametrize(
    ("sd", "share"),
    [([0.03, 0.15], [0.5, 0.5]), ([0.15, 0.05], [0.5, 0.5]), ([0.08, 0.08], [0.9, 0.1])],
)
def test_the_boundary_of_unequal_classes_is_where_their_densities_meet(sd, share):
    two = made_mixture([0.2, 0.7], sd, share)
    (limit,) = boundaries(two)
    assert 0.2 < limit < 0.7
    left, right = share * norm.pdf(limit, two.mean, two.sd)
    assert left == pytest.approx(right, rel=1e-6)
    assert memberships(np.array([limit]), np.zeros(1), two)[0] == pytest.approx([0.5, 0.5])


@pytest.mark.parametrize("share", [[0.999, 0.001], [0.001, 0.999]])
def test_the_boundary_is_midway_where_one_class_outweighs_the_other_all_the_way(share):
    assert boundaries(made_mixture([0.4, 0.6], [0.2, 0.2], share)) == pytest.approx([0.5])


def test_fitted_spreads_are_those_of_each_class():
    rng = np.random.default_rng(8)
    value = np.r_[rng.normal(0.2, 0.02, 3000), rng.normal(0.8, 0.10, 1000)]
    fit = fit_mixture(value, 2)
    assert fit.sd == pytest.approx([0.02, 0.10], rel=0.08)
    assert fit.share == pytest.approx([0.75, 0.25], abs=0.01)
    # Ashman, Bird and Zepf (1994): the root of the mean of both variances.
    assert fit.separation == pytest.approx(
        [(fit.mean[1] - fit.mean[0]) / np.sqrt((fit.sd**2).mean())]
    )
    assert fit.distinct
    assert not made_mixture([0.2, 0.8], [0.1, 0.1], [0.981, 0.019]).distinct
    assert made_mixture([0.2, 0.8], [0.1, 0.1], [0.979, 0.021]).distinct
    assert not made_mixture([0.2, 0.39], [0.1, 0.1], [0.5, 0.5]).distinct
    assert made_mixture([0.2, 0.41], [0.1, 0.1], [0.5, 0.5]).distinct


# -- at the limits ------------------------------------------------------------


def test_covariates_count_as_parameters():
    rng = np.random.default_rng(10)
    x = rng.normal(size=(400, 2))
    fit = fit_mixture(0.3 + x @ [0.1, -0.05] + 0.02 * rng.normal(size=400), 1, covariates=x)
    # Schwarz (1978): mean, spread and two coefficients.
    assert fit.bic == pytest.approx(-2.0 * fit.log_likelihood + 4.0 * np.log(400))
    assert fit.trend == pytest.approx([0.1, -0.05], abs=0.005)


def test_equal_values_are_a_class_of_the_least_spread():
    assert fit_mixture(np.full(20, 0.5), 1).sd == pytest.approx([1e-3])
    assert fit_mixture(np.full(20, 0.5), 1, least_sd=0.02).sd == pytest.approx([0.02])


def test_a_boundary_near_the_lesser_class_is_found():
    # By hand: log odds at the means are -1.5 - 2 and -1.5 + 2.
    share = 1.0 / (1.0 + np.exp(-1.5))
    (limit,) = boundaries(made_mixture([0.4, 0.6], [0.1, 0.1], [share, 1.0 - share]))
    # Linear between them: zero at 3.5 / 4 of the way.
    assert limit == pytest.approx(0.4 + 0.2 * 3.5 / 4.0)


def test_three_pairs_are_enough_to_see_a_correlation():
    # By hand: products 1, -1, 1, squares 1: r = 1/3, 4 (1 - r) / (1 + r) = 2.
    residual = [1.0, 1.0, -1.0, -1.0]
    assert effective_count(residual, [0, 0, 0, 0]) == pytest.approx(2.0)
    assert effective_count(residual, [0, 0, 0, 1]) == 4.0


@pytest.mark.parametrize("seed", range(5))
def test_otsu_is_the_best_of_all_cuts(seed):
    """The variance between classes of a histogram, written out for each cut."""
    rng = np.random.default_rng(seed)
    values = np.r_[rng.normal(0.3, 0.1, 400), rng.gamma(4.0, 0.1, 200) + 0.5]
    count, edges = np.histogram(values, bins=40)
    middle = (edges[:-1] + edges[1:]) / 2.0
    scores = []
    for cut in range(1, 40):
        low, high = count[:cut], count[cut:]
        one, two = (
            np.average(middle[part], weights=count[part])
            for part in (slice(None, cut), slice(cut, None))
        )
        scores.append(low.sum() * high.sum() * (one - two) ** 2)
    best = np.flatnonzero(np.isclose(scores, max(scores), rtol=1e-9))
    assert otsu(values, bins=40) == pytest.approx(edges[1:-1][best].mean())


def test_a_change_leaves_enough_values_on_either_side():
    assert change_point([9.0, 9.0, 9.0, 9.0, 9.0, 0.0])[0] == 5
    assert change_point([9.0, 9.0, 9.0, 9.0, 9.0, 0.0], least=2)[0] == 4
    assert change_point([0.0, 9.0, 9.0, 9.0, 9.0, 9.0], least=3)[0] == 3


@pytest.mark.parametrize("seed", [17, 44, 80, 103, 105])
def test_a_trend_far_above_the_classes_leaves_the_fit_no_worse_than_the_truth(seed):
    """Draws of which a start without the trend ends in a lesser maximum."""
    rng = np.random.default_rng(seed)
    x = rng.normal(5.0, 1.0, (100, 1))
    apart = np.where(rng.random(100) < 0.5, 0.0, 1.0)
    error = rng.normal(0.0, 0.2, 100)
    fit = fit_mixture(apart + 10.0 * x[:, 0] + error, 2, covariates=x)
    densities = 0.5 * norm.pdf(apart + error, [[0.0], [1.0]], 0.2)
    assert fit.log_likelihood >= np.log(densities.sum(axis=0)).sum()
    assert fit.trend == pytest.approx([10.0], abs=0.1)
