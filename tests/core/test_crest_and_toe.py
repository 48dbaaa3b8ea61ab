"""Crest and toe of faces whose edges calculus gives, on exact slopes and on surveyed bottoms."""

import sys
from pathlib import Path

import numpy as np
import pytest

sys.path.insert(0, str(Path(__file__).resolve().parent))
from drop_off_surveys import SHAPES, Face, faces, offsets, survey
from scipy.ndimage import gaussian_filter1d
from scipy.special import ndtr, ndtri

from lakefloor.algorithms.core.grid import Grid, Surface
from lakefloor.algorithms.core.structure.breaklines import breaklines
from lakefloor.algorithms.core.structure.face_shapes import FOOT_SHARE, RIM_SHARE, half_widths
from lakefloor.algorithms.core.surface.smooth_surface import smooth_surface


def seen_widths(x, slope):
    return [np.array([np.interp(-p * slope[0], -slope, x)]) for p in (RIM_SHARE, FOOT_SHARE)]


@pytest.mark.parametrize("half", [12.0, 16.0, 20.0])
def test_two_thirds_of_the_slope_of_a_blurred_ramp_lie_inwards_of_its_edge(half):
    """Phi(u) = 2 / 3 at u = 0.43 (table of the normal law); the estimate puts it back."""
    assert ndtri(2.0 / 3.0) == pytest.approx(0.4307, abs=1e-4)
    blur, x = 4.0, np.linspace(0.0, 60.0, 12001)
    seen = seen_widths(x, ndtr((half - x) / blur) + ndtr((half + x) / blur) - 1.0)
    assert seen[0][0] == pytest.approx(half - 0.4307 * blur, abs=0.2)
    assert half_widths(*seen, np.array([blur]))[0][0] == pytest.approx(half, abs=0.2)


@pytest.mark.parametrize("half", [8.0, 12.0, 20.0])
@pytest.mark.parametrize("rounding", [0.1, 0.2, 0.3])
def test_a_ramp_with_round_shoulders_bends_most_at_the_ends_of_the_ramp(half, rounding):
    """Variances of rounding and blur add up (two Gaussians one after the other)."""
    blur, x = 4.0, np.linspace(0.0, 80.0, 16001)
    sd = np.hypot(blur, rounding * half)
    seen = seen_widths(x, ndtr((half - x) / sd) + ndtr((half + x) / sd) - 1.0)
    assert half_widths(*seen, np.array([blur]))[0][0] == pytest.approx(half, abs=0.05 * half)


@pytest.mark.parametrize("share", [0.3, 0.4])
def test_linear_interpolation_is_at_two_thirds_as_wide_as_a_fifth_of_the_squared_spacing(share):
    """A step between lanes 1 apart, by chance of where they lie, rises with a triangle's slope."""
    x = np.linspace(-6.0, 6.0, 24001)
    slope = gaussian_filter1d(np.clip(1.0 - np.abs(x), 0.0, None), share / (x[1] - x[0]))[x >= 0.0]
    half = seen_widths(x[x >= 0.0], slope)[0][0]
    # exp(-u^2 / 2) = 2 / 3 at u = sqrt(2 ln 1.5).
    assert half / np.sqrt(2.0 * np.log(1.5)) == pytest.approx(np.hypot(share, 0.2**0.5), rel=0.01)


def test_more_of_a_slope_alike_is_no_more_knowledge():
    """Profiles that say the same as their neighbors leave the estimate where one puts it."""
    rim, foot, blur = np.full(40, 9.0), np.full(40, 13.0), np.full(40, 4.0)
    one = half_widths(rim[:1], foot[:1], blur[:1])[0][0]
    assert half_widths(rim, foot, blur, alike=40.0)[0] == pytest.approx(one)


@pytest.mark.parametrize("shape", SHAPES)
@pytest.mark.parametrize("radius", [np.inf, 100.0, -100.0])
@pytest.mark.parametrize("width", [16.0, 24.0, 40.0])
def test_exact_faces_straight_and_curved(shape, radius, width):
    face = Face(shape, width, 0.25 * width, turn_deg=17.0, radius=radius)
    cell = 1.25
    grid = Grid(np.zeros((176, 240)), -150.0, 110.0, cell, cell)
    lines = breaklines(Surface(grid.like(face.bottom(*np.meshgrid(grid.x, grid.y)))))
    off = offsets(face, lines)
    # Nothing tells the shape of a face that is narrower than the blur of 4 m.
    most = max(0.05 * width, 0.75)
    assert abs(off["crest"].mean()) < most
    assert abs(off["toe"].mean()) < most
    if shape != "ramp":  # an even ramp has no steepest place
        assert abs(off["steepest"].mean()) < 0.1


@pytest.mark.parametrize("spacing", [10.0, 20.0, 40.0])
def test_surveyed_crests_and_toes_lie_within_a_quarter_of_the_lane_spacing(spacing):
    """What the help says, on faces 8 to 40 m wide that nothing was fitted to."""
    squares, within, found = [], [], 0
    for number, face in enumerate(faces(77, 18)):
        surface, _ = smooth_surface(survey(face, spacing=spacing, seed=number), spacing=spacing)
        off = offsets(face, breaklines(surface))
        both = np.concatenate([off["crest"], off["toe"]])
        if len(off["crest"]) and len(off["toe"]):
            found += 1
            squares.append(np.mean(both**2))
            within.append(np.mean(np.abs(both) <= spacing / 4.0))
    assert found >= 17
    assert np.sqrt(np.mean(squares)) <= spacing / 4.0
    assert np.mean(within) >= 0.8
