"""Square blocks against scipy's binning, and what cannot be sorted into them."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays
from scipy.stats import binned_statistic_2d

from lakefloor.algorithms.core.blocks import block_mean, every_fourth_square, square_blocks
from lakefloor.algorithms.core.errors import LakefloorError

POSITION = st.integers(-8000, 8000).map(lambda sixteenths: sixteenths / 16.0)


@settings(max_examples=60, deadline=None)
@given(
    st.integers(1, 40).flatmap(lambda n: arrays(float, (3, n), elements=POSITION)),
    st.sampled_from([0.5, 8.0, 64.0]),
)  # exact in binary: scipy rounds at its edges
def test_means_agree_with_scipy(data, size):
    x, y, z = data
    col, row, block, first = square_blocks(x, y, size)
    edges = [np.arange(v.min(), v.max() + 2) * size for v in (col, row)]
    mean, _, _, _ = binned_statistic_2d(x, y, z, "mean", bins=edges)
    got = block_mean(x, y, size, z)
    np.testing.assert_allclose(got[2], mean[col - col.min(), row - row.min()], atol=1e-9)
    np.testing.assert_array_equal(got[3], first)
    # One row a block, each point in its own, the first of each the first.
    assert len({*zip(col, row)}) == len(col) == np.isfinite(mean).sum()
    np.testing.assert_array_equal(col[block] * size, np.floor(x / size) * size)
    np.testing.assert_array_equal(row[block] * size, np.floor(y / size) * size)
    np.testing.assert_array_equal(first, [np.argmax(block == b) for b in range(len(col))])
    assert sorted(zip(row, col)) == list(zip(row, col))


def test_no_points_make_no_blocks():
    assert [v.size for v in block_mean([], [], 2.0, [])] == [0, 0, 0, 0]


@pytest.mark.parametrize("far", [np.nan, np.inf, 1e14, 1e300])
def test_positions_that_cannot_be_sorted_are_refused_not_wrapped_around(far):
    with pytest.raises(LakefloorError, match="cannot be sorted into blocks of 0.5 m"):
        block_mean(np.array([0.0, far]), np.array([far, 0.0]), 0.5, np.array([1.0, 2.0]))


def test_every_fourth_square_is_one_of_four_that_share_all_points():
    rng = np.random.default_rng(0)
    x, y = rng.uniform(-50.0, 50.0, (2, 500))
    places = [(0, 0), (1, 1), (0, 1), (1, 0)]
    marked = [every_fourth_square(x, y, 7.0, place) for place in places]
    assert (np.sum(marked, axis=0) == 1).all()
    assert every_fourth_square(np.array([1.0, 8.0, 15.0]), np.zeros(3), 7.0).tolist() == [1, 0, 1]
