"""The nearest ground within a beam: closed forms, and counted on fine grids."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from lakefloor.algorithms.core.correcting.first_return import (
    Beams,
    first_returns,
    plane_first_return,
    states_beam,
    with_beams,
)
from lakefloor.algorithms.core.errors import LakefloorError
from lakefloor.algorithms.core.grid import Grid
from lakefloor.algorithms.core.soundings import Soundings


@pytest.mark.parametrize(
    ("beam", "slope", "lacks"),
    [(20, 10, -0.304), (20, 20, -0.916), (20, 30, -1.568), (20, 45, -2.736), (12, 30, -1.040)],
)
def test_error_at_twenty_feet(beam, slope, lacks):
    """Trigonometry of a plane: the foot of the perpendicular, or the uphill edge of the beam."""
    b, half = np.radians(slope), np.radians(beam) / 2.0
    by_hand = 20.0 * np.cos(b) / np.cos(b - min(b, half)) - 20.0
    assert by_hand == pytest.approx(lacks, abs=5e-4)
    found = plane_first_return(20.0, np.tan(b), beam) - 20.0
    assert float(found) == pytest.approx(by_hand, abs=1e-9)


def counted(bottom, x, y, lift, half_deg):
    """Return the nearest ground by trying a fine grid of points within the beam."""
    steps = np.arange(-6.0, 6.0001, 0.02)
    east, north = np.meshgrid(steps, steps)
    away = np.hypot(east, north)
    out = []
    for a, b in zip(x, y):
        below = bottom(a + east, b + north) + lift
        heard = away <= below * np.tan(np.radians(half_deg)) + 1e-9
        out.append(np.hypot(away, below)[heard].min())
    return np.array(out)


def gridded(bottom, cell=1.0, half=40.0):
    n = int(2 * half / cell)
    middle = -half + (np.arange(n) + 0.5) * cell
    x, y = np.meshgrid(middle, middle[::-1])
    return Grid(bottom(x, y), -half, half, cell, cell)


def tilted(east, north):
    return lambda x, y: 9.0 + east * x + north * y


def bowl(x, y):
    return 4.0 + 6.0 * np.exp(-(x**2 + y**2) / 200.0)


@pytest.mark.parametrize("lift", [-0.4, 0.0, 1.3])
@pytest.mark.parametrize("half", [4.0, 10.0, 17.0])
@pytest.mark.parametrize("bottom", [tilted(0.2, 0.0), tilted(-0.3, 0.4), bowl])
def test_grids_against_counting(bottom, half, lift):
    rng = np.random.default_rng(3)
    x, y = rng.uniform(-12.0, 12.0, (2, 20))
    grid = gridded(bottom)
    found = first_returns(grid, x, y, np.full(20, lift), np.full(20, np.tan(np.radians(half))))
    # Between its cells the grid is a little shallower or deeper than the bowl.
    np.testing.assert_allclose(found, counted(bottom, x, y, lift, half), atol=0.02)


@settings(max_examples=40)
@given(
    slope=st.floats(0.0, 1.0),
    course=st.floats(0.0, 6.28),
    width=st.floats(1.0, 60.0),
    lift=st.floats(-0.5, 2.0),
)
def test_planes_by_the_closed_form(slope, course, width, lift):
    bottom = tilted(slope * np.sin(course) / 2.0, slope * np.cos(course) / 2.0)
    x = np.array([0.0, 3.3])
    y = np.array([0.0, -2.1])
    found = first_returns(
        gridded(bottom), x, y, np.full(2, lift), np.full(2, np.tan(np.radians(width) / 2.0))
    )
    right = plane_first_return(bottom(x, y) + lift, slope / 2.0, width)
    # Places within the beam are tried in steps, which shows in wide beams.
    np.testing.assert_allclose(found, right, rtol=3e-3)


def test_what_corrections_state():
    s = Soundings.build(
        [0.0, 1.0, 2.0],
        [0.0, 0.0, 0.0],
        [3.0, 3.0, 3.0],
        visit=np.array(["a", "a", "b"], dtype=object),
        corrections=np.array(["draft_m=0.4;level_m=0.1", "", "beam_deg=12"], dtype=object),
    )
    beams = Beams.of(s)
    np.testing.assert_allclose(beams.width, [np.nan, np.nan, 12.0])
    np.testing.assert_allclose(beams.lift, [-0.3, 0.0, 0.0])
    assert states_beam(s)
    assert not states_beam(with_beams(s, {"b": 0.0}))
    np.testing.assert_allclose(Beams.of(with_beams(s, {"a": 20.0})).width, [20.0, 20.0, 12.0])


@pytest.mark.parametrize("deg", [-1.0, 90.0, np.nan, np.inf])
def test_a_width_that_is_none(deg):
    from lakefloor.algorithms.core.correcting.first_return import check_beam

    with pytest.raises(LakefloorError, match="beam"):
        check_beam(deg)
