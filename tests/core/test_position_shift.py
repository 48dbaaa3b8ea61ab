"""Shifts of positions that hold for half an hour, and the offset in depth that they make."""

import numpy as np
import pytest

from lakefloor.algorithms.core.soundings import Soundings, concatenate
from lakefloor.algorithms.core.visits.fit_to_stored import fit_to_stored
from lakefloor.algorithms.core.visits.position_shift import error_of_shifts

from .made_visits import DATUM, across, along, outing, reduced

START = np.datetime64("2026-05-14T14:00", "ms")


def bowl(x, y):
    return 10.0 - ((x - 200.0) ** 2 + (y - 200.0) ** 2) / 5000.0


def lanes(bottom, time=None, step=10.0, wide=400.0):
    x, y = (v.ravel() for v in np.meshgrid(np.arange(0.0, wide, 4.0), np.arange(0.0, 400.0, step)))
    known = {} if time is None else {"time": time(x, y)}
    return Soundings.build(x, y, bottom(x, y), **known)


def minutes(values):
    return START + np.round(values * 60_000.0).astype("timedelta64[ms]")


@pytest.mark.parametrize(
    ("bottom", "span"),
    [(lambda x, y: 5.0 + 0.03 * x - 0.01 * y, 119.9), (bowl, 119.9), (bowl, 29.9)],
)
def test_the_error_is_that_of_simulated_shifts(bottom, span):
    """Brute force: 4000 times each half hour of a visit is moved by 1 m in each direction."""
    rng = np.random.default_rng(2)
    visit = lanes(bottom, lambda x, y: minutes(span * x / 396.0), step=20.0)
    block = (visit.time - START) // np.timedelta64(30, "m")
    count = np.bincount(block)
    sums = np.zeros((4000, count.size))
    for k in range(count.size):
        rows = block == k
        shift = rng.normal(0.0, 1.0, (2, 4000, 1))
        moved = bottom(visit.x[rows] + shift[0], visit.y[rows] + shift[1])
        sums[:, k] = (moved - visit.depth[rows]).sum(axis=1)
    offsets = sums.sum(axis=1) / count.sum()
    stated = error_of_shifts(lanes(bottom), visit)
    assert stated == pytest.approx(offsets.std(), rel=0.1, abs=2e-3)
    assert error_of_shifts(lanes(bottom), visit, 2.0) == pytest.approx(2.0 * stated)


def test_where_nothing_meets_there_is_no_slope():
    plane = lanes(lambda x, y: 5.0 + 0.03 * x, lambda x, y: minutes(0.0 * x))
    away = plane.replace(x=plane.x + 5000.0)
    lost = plane.replace(status=np.full(len(plane), "spike", object))
    nowhere = plane.replace(x=np.full(len(plane), np.nan))
    line = plane.select(plane.y == 0.0)
    for own, other in (
        (plane, away),
        (plane, lost),
        (lost, plane),
        (nowhere, plane),
        (line, plane),
    ):
        assert error_of_shifts(own, other) == 0.0
    rim = plane.replace(x=plane.x - 39.0)
    assert error_of_shifts(plane, rim) == pytest.approx(0.03, rel=0.01)


def test_without_times_each_square_has_a_shift_of_its_own():
    plane = lanes(lambda x, y: 5.0 + 0.03 * x)
    # Four squares of 200 m with as many soundings each.
    assert error_of_shifts(plane, plane) == pytest.approx(0.03 / 2.0, rel=0.01)
    # The sides of a bowl do not make up for each other.
    round_lake = lanes(bowl)
    mean_slope = 2.0 * 100.0 / 5000.0 * np.sqrt(2.0)
    assert error_of_shifts(round_lake, round_lake) == pytest.approx(mean_slope / 2.0, rel=0.1)


def test_the_error_of_a_fit_is_of_the_size_of_what_it_is_wrong_by():
    """24 pairs of visits whose positions drift by 1 m: nine in ten within two standard errors."""
    z = []
    for seed in range(24):
        stored = concatenate(
            [reduced(outing("2026-05-14", 0.0, along(25.0), seed=200 + seed), 1.0)]
        )
        visit = reduced(outing("2026-07-02", 0.3, across(25.0), seed=300 + seed), 1.3)
        (row,) = fit_to_stored(visit, stored, datum=DATUM, fit=True).offsets
        z.append(row.offset / row.std_error)
    assert np.mean(np.abs(z) < 2.0) >= 0.9
    assert 0.4 < np.sqrt(np.mean(np.square(z))) < 1.3
