"""What a survey tells of an older map's bias."""

from dataclasses import replace

import numpy as np
import pytest
from scipy import stats

from lakefloor.algorithms.core.blending.map_bias import (
    displacement,
    map_uncertainty,
    offset_and_scale,
)
from lakefloor.algorithms.core.blending.overlap import OFFSET_TERM, compare, find_overlap
from lakefloor.algorithms.core.grid import Surface, empty_grid

FRAME = empty_grid((0.0, 0.0, 400.0, 320.0), 4.0)


def bottom(x, y):
    """A made bottom, m, with slopes that face all ways."""
    return 6.0 + 2.0 * np.sin(x / 37.0) * np.cos(y / 29.0) + 1.5 * np.cos(y / 61.0)


@pytest.fixture(scope="module")
def place():
    return np.meshgrid(FRAME.x, FRAME.y)


@pytest.fixture(scope="module")
def survey(place):
    """The middle of the lake."""
    x, y = place
    part = (abs(x - 200.0) < 80.0) & (abs(y - 160.0) < 60.0)
    depth, sigma, distance = (
        FRAME.like(np.where(part, value, np.nan)) for value in (bottom(x, y), 0.05, 2.0)
    )
    return Surface(depth, sigma, distance)


def against(general, survey):
    return compare(general, find_overlap(general, survey))


def test_the_test_of_one_term_is_the_t_test(place, survey):
    """F with 1 and n degrees of freedom is the square of Student's t with n; by scipy.stats.t."""
    noise = np.random.default_rng(8).normal(0.0, 0.3, FRAME.shape)
    fit = against(FRAME.like(bottom(*place) + 0.02 + noise), survey).fit([OFFSET_TERM])
    (value,), error = fit.values, np.sqrt(fit.covariance[0, 0])
    student = 2.0 * stats.t.sf(abs(value) / error, fit.independent - 1.0)
    assert fit.chance(fit.values, fit.covariance) == pytest.approx(student, rel=1e-9)


def test_displacement_is_found_unless_it_goes_too_far(place, survey):
    x, y = place
    comparison = against(FRAME.like(bottom(x - 6.5, y + 4.5)), survey)
    east, north = displacement(comparison, 50.0)
    assert (east.value, north.value) == pytest.approx((6.5, -4.5), abs=0.1)
    assert not any(np.isfinite(term.value) for term in displacement(comparison, 3.0))


def test_uncertainty_of_a_map_of_white_noise(place, survey):
    """Its spread is the noise's, and what is asked at least where that is more."""
    noise = np.random.default_rng(6).normal(0.0, 0.4, FRAME.shape)
    general = FRAME.like(bottom(*place) + noise)
    bias = offset_and_scale(against(general, survey))
    assert bias.removed == (0.0, 1.0)
    assert (bias.take_off(general).values == general.values).all()
    flat = FRAME.like(np.full(FRAME.shape, 5.0))
    measured = FRAME.like(np.where(np.isfinite(survey.depth.values), 5.0 - noise, np.nan))
    level = replace(survey, depth=measured)
    sigma, spread, position = map_uncertainty(flat, level, bias)
    assert spread == pytest.approx(0.4, rel=0.1)
    assert position == 0.0
    assert sigma.values == pytest.approx(spread)
    assert map_uncertainty(flat, level, bias, least=0.9)[1] == 0.9
