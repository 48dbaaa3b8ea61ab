"""Maps of a store in which visits add up, each with lanes of its own heading: against the bottom."""

from dataclasses import replace
from functools import cache

import numpy as np
import pytest
from scipy.signal import lfilter
from shapely.geometry import box

from lakefloor.algorithms.core.soundings import Soundings, concatenate
from lakefloor.algorithms.core.spacing import doubts, lane_spacing, suggest_cell
from lakefloor.algorithms.core.surface.idw import idw_surface
from lakefloor.algorithms.core.surface.smooth_surface import smooth_surface
from lakefloor.algorithms.core.surface.thin_plate import Held, thin_plate
from lakefloor.algorithms.core.surface.tin import tin_surface

from .made_surveys import Habit, lanes

SIZE, LANES = 260.0, 13.0
LAKE = box(0.0, 0.0, SIZE, SIZE)


def bottom(x, y):
    """Depth, m: a slope with forms some 60 m wide."""
    return 6.0 + 0.012 * x + 1.5 * np.sin(x / 17.0 + y / 31.0) * np.cos(y / 19.0)


def visit(number, spacing=LANES):
    """A visit: lanes of a heading, positions 1 m off that drift as a receiver's do, 5 cm noise."""
    rng = np.random.default_rng(number)
    calm = Habit(ping=2.0, white=0.0, slow=0.0)
    heading = rng.uniform(0.0, 180.0)
    true = lanes(rng, LAKE, spacing, heading, calm, margin=2.0)
    across = true[:, 1] * np.cos(np.radians(heading)) - true[:, 0] * np.sin(np.radians(heading))
    lane = 1 + np.unique(np.rint((across - across.min()) / spacing), return_inverse=True)[1]
    drift = lfilter([np.sqrt(1.0 - 0.98**2)], [1.0, -0.98], rng.normal(size=true.shape), axis=0)
    depth = bottom(*true.T) + rng.normal(0.0, 0.05, len(true))
    return Soundings.build(*(true + drift).T, depth, visit=f"visit {number}", lane=lane)


@cache
def visits(count):
    """A store of so many visits."""
    return concatenate([visit(number) for number in range(count)])


def judged(surface):
    """Return the root mean square error, m, the median stated, and the share within twice it."""
    x, y = (v.ravel() for v in np.meshgrid(np.arange(3.0, SIZE, 2.0), np.arange(3.0, SIZE, 2.0)))
    error = surface.depth.sample(x, y) - bottom(x, y)
    sd = surface.uncertainty.sample(x, y)
    known = np.isfinite(error)
    assert known.mean() > 0.85
    error, sd = error[known], sd[known]
    rmse = float(np.sqrt(np.mean(error**2)))
    return rmse, float(np.median(sd)), float(np.mean(np.abs(error) <= 2.0 * sd))


def test_the_spacing_of_many_visits_is_no_less_than_their_positions_tell_apart():
    found = [lane_spacing(visits(count)) for count in (1, 3, 5, 8, 12)]
    assert found[0] == pytest.approx(LANES, rel=0.1)
    assert (np.diff(found) < 0.1).all()
    assert 7.9 < found[-1] == found[-2]
    assert suggest_cell(found[-1]) == 1.0
    assert doubts(visits(12), found[-1], 1.0, 2.5 * found[-1]) == []


def test_visits_whose_own_lanes_are_close_have_close_lanes():
    close = concatenate([visit(number, 4.0) for number in (1, 2)])
    assert lane_spacing(close) == pytest.approx(4.0, rel=0.15)


def test_cells_of_any_size_give_a_sound_surface():
    """Even exact depths of the cells err between them, when cells are large."""
    store = visits(8)
    for cell in (1.6, 2.8, 4.0, 8.0, 16.0, 24.0):
        surface, fit = smooth_surface(store, cell=cell, max_gap=30.0)
        exact = surface.depth.like(bottom(*np.meshgrid(surface.depth.x, surface.depth.y)))
        best, *_ = judged(replace(surface, depth=exact))
        rmse, sd, within = judged(surface)
        assert rmse < 1.3 * np.hypot(best, 0.05), cell
        assert sd < 3.0 * rmse, cell
        # Eleven cells across the lake tell little of what they leave out.
        assert within > (0.75 if cell < 20.0 else 0.4), cell
        assert fit.lane_out_rmse < 2.0 * np.hypot(rmse, 0.1), cell


@pytest.mark.parametrize("draw", [smooth_surface, tin_surface, idw_surface])
def test_another_visit_never_makes_the_map_worse(draw):
    found = []
    for count in (1, 3, 5, 8):
        surface = draw(visits(count))
        found.append(judged(surface[0] if isinstance(surface, tuple) else surface))
    rmse, _, within = np.transpose(found)
    assert (rmse[1:] < 1.05 * rmse[:-1]).all()
    assert (within[1:] > 0.9).all()


def test_a_plate_of_a_single_level_is_solved_as_well_as_one_of_many():
    """Cells wider than the lanes leave no coarser grid from which to start."""
    rng = np.random.default_rng(3)
    row, col = rng.uniform(0.0, 39.0, (2, 600))
    held = Held(row, col, bottom(3.0 * col, 3.0 * row), np.full(600, 400.0))
    wet = np.ones((40, 40), dtype=bool)
    one, many = (
        thin_plate(wet, held, cell=3.0, give=0.03, spacing=spacing) for spacing in (1.9, 12.0)
    )
    assert np.sqrt(np.mean((one - many) ** 2)) < 0.02
