"""The weakest place of a surface, beside one that is looked for cell by cell."""

import numpy as np
import pytest

from lakefloor.algorithms.core.surface.weakest_place import weakest_place


def by_hand(values, size):
    """Look at each square of cells by itself."""
    around, best = size // 2, (-np.inf, None)
    padded = np.pad(values, around, constant_values=np.nan)
    for row, column in zip(*np.nonzero(np.isfinite(values))):
        square = padded[row : row + size, column : column + size]
        known = square[np.isfinite(square)]
        if known.size >= size * size / 4 and known.mean() > best[0]:
            best = (known.mean(), (row, column))
    return best[1]


@pytest.mark.parametrize("seed", range(20))
def test_it_is_where_a_square_is_least_certain_in_the_mean(seed):
    rng = np.random.default_rng(seed)
    values = rng.uniform(0.1, 2.0, (23, 31))
    values[rng.uniform(size=values.shape) < 0.3] = np.nan
    assert weakest_place(values, 5) == by_hand(values, 5)


def test_one_bad_cell_is_no_weak_place():
    values = np.full((40, 40), 0.1)
    values[5, 5] = 2.0
    values[25:32, 25:32] = 1.0
    row, column = weakest_place(values, 7)
    assert abs(row - 28) <= 1
    assert abs(column - 28) <= 1


def test_a_narrow_surface_has_one_too():
    values = np.full((40, 40), np.nan)
    values[20, 3:9] = [0.1, 0.1, 0.1, 0.5, 0.5, 0.5]
    row, column = weakest_place(values, 9)
    assert row == 20
    assert 3 <= column <= 8


def test_without_a_surface_there_is_none():
    assert weakest_place(np.full((3, 3), np.nan), 3) is None
