"""How misfits hang together."""

import numpy as np
import pytest

from lakefloor.algorithms.core.blending.difference_covariance import (
    Covariance,
    fit_covariance,
    residual_correlation_length,
)
from lakefloor.algorithms.core.grid import Grid


def test_covariance_of_a_known_field():
    """Fields of exponential covariance by Cholesky's factor, sill 1, nugget 0.2, length 60 m."""
    rng = np.random.default_rng(9)
    xy = np.stack(np.meshgrid(np.arange(0.0, 600.0, 40.0), np.arange(0.0, 600.0, 40.0)), -1)
    xy = xy.reshape(-1, 2)
    known = Covariance(1.0, 0.2, 60.0, 0)
    root = np.linalg.cholesky(known.among(xy))
    fits = [fit_covariance(xy, root @ rng.normal(size=len(xy)), 1e-6) for _ in range(200)]
    assert np.mean([f.sill + f.nugget for f in fits]) == pytest.approx(1.2, rel=0.1)
    # What the standard errors use: the variance of the mean of all places. That of a single field
    # is known to a factor of two or three only, since it is ten lengths wide.
    of_mean = np.median([f.among(xy).mean() for f in fits])
    assert of_mean == pytest.approx(known.among(xy).mean(), rel=0.15)


def test_correlation_length_of_a_known_field():
    """White noise smoothed by a Gaussian of s has the correlation exp(-h^2 / (4 s^2)): 1/e at 2s.

    As the convolution of two Gaussians gives it.
    """
    from scipy.ndimage import gaussian_filter

    noise = gaussian_filter(np.random.default_rng(2).normal(size=(400, 500)), 6.0)
    length = residual_correlation_length(Grid(noise, 0.0, 0.0, 2.0, 2.0))
    assert length == pytest.approx(2 * 6.0 * 2.0, rel=0.15)
