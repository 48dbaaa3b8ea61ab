"""Drop-offs are found where the mathematics of the invented bottom puts them.

For a face z = (H / 2) tanh(x / w), worked by hand (calculus): the slope is greatest at x = 0,
H / (2 w); z'' has its extrema, crest and toe, at x = -+ w atanh(1 / sqrt 3) = -+ 0.658479 w,
where tanh is 1 / sqrt 3, so that H / sqrt 3 lies between them.
"""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.interpolate import LinearNDInterpolator
from scipy.spatial import cKDTree
from scipy.special import ndtr

from lakefloor.algorithms.core.errors import Cancelled, LakefloorError
from lakefloor.algorithms.core.grid import Grid, Surface
from lakefloor.algorithms.core.structure.breaklines import breaklines
from lakefloor.algorithms.core.structure.face_shapes import half_widths
from lakefloor.algorithms.core.structure.ridge_lines import filled, slope_maxima
from lakefloor.algorithms.core.structure.structure_names import (
    BREAKLINE_ATTRIBUTES,
    BREAKLINE_KINDS,
)

RIM = np.arctanh(1.0 / np.sqrt(3.0))
OFFSET = {"crest": -RIM, "steepest": 0.0, "toe": RIM}
#: Crest and toe of an even ramp with sharp edges are its edges, by definition.
FACES = {"tanh": np.tanh, "ramp": lambda s: np.clip(s, -1.0, 1.0)}
EDGE = {"tanh": RIM, "ramp": 1.0}


def grid_of(function, width=300.0, height=200.0, cell=2.0):
    cols, rows = round(width / cell), round(height / cell)
    grid = Grid(np.zeros((rows, cols)), 0.0, height, cell, cell)
    return grid.like(function(*np.meshgrid(grid.x, grid.y)))


def by_kind(lines, kind):
    return [c for c, k in zip(lines.coords, lines.attributes["kind"]) if k == kind]


# -- one straight face ------------------------------------------------------------


@pytest.mark.parametrize(("height", "width"), [(4.0, 10.0), (8.0, 15.0), (3.0, 6.0), (12.0, 30.0)])
def test_tanh_face_lies_where_calculus_puts_it(height, width):
    grid = grid_of(lambda x, y: 5.0 + height / 2.0 * np.tanh((x - 150.0) / width))
    lines = breaklines(Surface(grid))
    assert lines.attributes["kind"] == list(BREAKLINE_KINDS)
    assert len(set(lines.attributes["drop_off"])) == 1
    for kind, tolerance in (("crest", 1.0), ("steepest", 0.1), ("toe", 1.0)):
        (line,) = by_kind(lines, kind)
        assert line[:, 0] == pytest.approx(150.0 + OFFSET[kind] * width, abs=tolerance)
        assert np.ptp(line[:, 1]) > 180.0
    one = {name: values[0] for name, values in lines.attributes.items()}
    assert one["height_m"] == pytest.approx(height / np.sqrt(3.0), rel=0.1)
    assert one["width_m"] == pytest.approx(2.0 * RIM * width, abs=1.5)
    assert one["slope_max_pct"] == pytest.approx(100.0 * height / (2.0 * width), rel=0.1)
    assert one["slope_max_deg"] == pytest.approx(
        np.degrees(np.arctan(one["slope_max_pct"] / 100.0))
    )
    mean_slope = one["height_m"] / one["width_m"]
    assert one["slope_mean_pct"] == pytest.approx(100.0 * mean_slope, rel=0.01)
    assert one["confidence"] == pytest.approx(1.0, abs=0.01)


def test_attributes_of_one_drop_off_agree():
    lines = breaklines(
        Surface(grid_of(lambda x, y: 5.0 + 2.0 * np.tanh((x - 150.0 - y / 4.0) / 8.0)))
    )
    assert tuple(lines.attributes) == BREAKLINE_ATTRIBUTES
    mean = dict(zip(lines.attributes["kind"], lines.attributes["depth_mean_m"]))
    assert mean["crest"] < mean["steepest"] < mean["toe"]
    assert mean["toe"] - mean["crest"] == pytest.approx(lines.attributes["height_m"][0], abs=0.01)
    for line, length in zip(lines.coords, lines.attributes["length_m"]):
        assert np.hypot(*np.diff(line, axis=0).T).sum() == pytest.approx(length)


def test_deeper_side_is_on_the_left():
    grid = grid_of(lambda x, y: 5.0 + 2.0 * np.tanh((np.hypot(x - 150.0, y - 100.0) - 60.0) / 8.0))
    for line in breaklines(Surface(grid)).coords:
        forward = np.diff(line, axis=0)
        left = np.column_stack((-forward[:, 1], forward[:, 0])) / np.hypot(*forward.T)[:, None]
        middle = (line[1:] + line[:-1]) / 2.0
        fall = grid.sample(*(middle + 3.0 * left).T) - grid.sample(*(middle - 3.0 * left).T)
        assert (fall > 0.0).all()


def test_round_hump_gives_closed_rings():
    grid = grid_of(lambda x, y: 5.0 + 2.0 * np.tanh((np.hypot(x - 150.0, y - 100.0) - 60.0) / 8.0))
    lines = breaklines(Surface(grid))
    assert len(lines) == 3
    for line, kind in zip(lines.coords, lines.attributes["kind"]):
        assert (line[0] == line[-1]).all()
        radius = np.hypot(line[:, 0] - 150.0, line[:, 1] - 100.0)
        assert radius == pytest.approx(60.0 + OFFSET[kind] * 8.0, abs=1.2)


@pytest.mark.parametrize("turns", [1, 2, 3])
def test_turned_lake_gives_turned_lines(turns):
    grid = grid_of(
        lambda x, y: 5.0 + 2.0 * np.tanh((x + 0.3 * y - 120.0 + 8.0 * np.sin(y / 30.0)) / 8.0),
        200.0,
        200.0,
    )
    turned = breaklines(Surface(grid.like(np.rot90(grid.values, turns))))
    straight = breaklines(Surface(grid))
    assert turned.attributes["kind"] == straight.attributes["kind"]
    for before, after in zip(straight.coords, turned.coords):
        centred = before - 100.0
        for _ in range(turns):
            centred = np.column_stack((-centred[:, 1], centred[:, 0]))
        distance, _ = cKDTree(after).query(centred + 100.0)
        assert distance.max() < 2.0


def test_scattered_surface_is_less_certain_than_a_good_one():
    grid = grid_of(lambda x, y: 5.0 + 2.0 * np.tanh((x - 150.0) / 8.0))
    sure = breaklines(Surface(grid, uncertainty=grid.like(np.full(grid.shape, 0.05))))
    unsure = breaklines(Surface(grid, uncertainty=grid.like(np.full(grid.shape, 1.0))))
    # Height 4 / sqrt 3 = 2.309 m, its deviation sqrt 2 m: erf(2.309 / 4) = 0.5857 (worked by hand
    # with a table of the error function).
    assert sure.attributes["confidence"][0] > 0.99
    assert unsure.attributes["confidence"][0] == pytest.approx(0.586, abs=0.03)


# -- two invented lakes ---------------------------------------------------------------


def shelf(x, y, heights, widths):
    """Return a base line with its normals toward deep water, and what belongs to each vertex."""
    xy = np.column_stack((x, y))
    tangent = np.gradient(xy, axis=0)
    tangent /= np.hypot(*tangent.T)[:, None]
    return {
        "xy": xy,
        "normal": np.column_stack((tangent[:, 1], -tangent[:, 0])),
        "height": heights,
        "width": widths,
        "tree": cKDTree(xy),
    }


def across(edge, x, y):
    """Return signed distance from a shelf's base line, and the nearest vertex."""
    points = np.column_stack((np.ravel(x), np.ravel(y)))
    distance, near = edge["tree"].query(points)
    side = ((points - edge["xy"][near]) * edge["normal"][near]).sum(axis=1)
    return (np.sign(side) * distance).reshape(np.shape(x)), near.reshape(np.shape(x))


def bay(face):
    """A shelf of changing height and width all round a bay; a gentle basin inside."""
    a = np.linspace(0.0, 2.0 * np.pi, 4000)
    r = 180.0 + 20.0 * np.cos(3.0 * a) + 8.0 * np.sin(5.0 * a)
    # Clockwise, so that the right-hand normal points inwards, to deep water.
    edge = shelf(
        300.0 + r * np.cos(-a),
        250.0 + r * np.sin(-a),
        5.0 + 2.0 * np.sin(a),
        9.0 + 3.0 * np.cos(2.0 * a),
    )

    def depth(x, y):
        d, k = across(edge, x, y)
        fall = edge["height"][k] / 2.0 * (1.0 - face(d / edge["width"][k]))
        return 10.0 - fall + 0.01 * np.clip(d, -90.0, 60.0)

    return depth, [edge]


def hump(face):
    """A hump with a drop-off round it, and a weaker winding shelf beside it."""
    a = np.linspace(0.0, 2.0 * np.pi, 4000)
    r = 90.0 + 12.0 * np.cos(2.0 * a)
    ring = shelf(
        230.0 + r * np.cos(a), 240.0 + r * np.sin(a), 3.5 + np.cos(a), 8.0 + 2.0 * np.sin(a)
    )
    u = np.linspace(0.0, 1.0, 4000)
    wall = shelf(
        430.0 + 40.0 * np.sin(2.0 * np.pi * u), -50.0 + 600.0 * u, 2.5 + 2.0 * u, 6.0 + 4.0 * u
    )

    def depth(x, y):
        z = 3.0 + 0.6 * np.sin(x / 150.0) * np.cos(y / 120.0)
        for edge in (ring, wall):
            d, k = across(edge, x, y)
            z = z + edge["height"][k] / 2.0 * (1.0 + face(d / edge["width"][k]))
        return z

    return depth, [ring, wall]


def surveyed(depth, angle, spacing=20.0, noise=0.05, cell=2.5):
    """Return depth and distance grids from lanes ``spacing`` apart, linear between soundings."""
    rng = np.random.default_rng(20250611)
    turn = np.radians(angle)
    along, off = np.meshgrid(np.arange(-450.0, 450.0, 3.0), np.arange(-450.0, 450.0, spacing))
    x = 300.0 + along * np.cos(turn) - off * np.sin(turn) + rng.normal(0.0, 0.5, along.shape)
    y = 250.0 + along * np.sin(turn) + off * np.cos(turn) + rng.normal(0.0, 0.5, along.shape)
    near = (np.abs(x - 300.0) < 320.0) & (np.abs(y - 250.0) < 270.0)
    points = np.column_stack((x[near], y[near]))
    soundings = depth(*points.T) + rng.normal(0.0, noise, len(points))
    surface = LinearNDInterpolator(points, soundings)
    # A lake outline: nothing is known outside it.
    grid = grid_of(
        lambda gx, gy: np.where(
            ((gx - 300.0) / 290.0) ** 4 + ((gy - 250.0) / 240.0) ** 4 < 1.0, surface(gx, gy), np.nan
        ),
        600.0,
        500.0,
        cell,
    )
    gx, gy = np.meshgrid(grid.x, grid.y)
    distance = cKDTree(points).query(np.column_stack((gx.ravel(), gy.ravel())))[0]
    return grid, grid.like(np.where(np.isnan(grid.values), np.nan, distance.reshape(grid.shape)))


def found_and_false(lines, kind, face, edges, grid, tolerance, min_slope=0.10, min_height=1.0):
    """Return the share of the true length that was found, and of the drawn length that is false."""
    truth, weight, near_truth = [], [], []
    rim = {"crest": -EDGE[face], "steepest": 0.0, "toe": EDGE[face]}[kind]
    for edge in edges:
        line = edge["xy"] + rim * edge["width"][:, None] * edge["normal"]
        slope = edge["height"] / (2.0 * edge["width"])
        height = edge["height"] * FACES[face](EDGE[face])
        counts = (slope >= min_slope) & (height >= min_height)
        counts &= np.isfinite(grid.sample(*line.T))
        truth.append(line[counts])
        weight.append(np.hypot(*np.gradient(line, axis=0).T)[counts])
        near_truth.append(line[(slope >= 0.8 * min_slope) & (height >= 0.8 * min_height)])
    drawn = np.concatenate(
        [
            np.column_stack([np.interp(np.arange(0.0, s[-1], 1.0), s, c[:, i]) for i in (0, 1)])
            for c in by_kind(lines, kind)
            for s in [np.append(0.0, np.cumsum(np.hypot(*np.diff(c, axis=0).T)))]
        ]
    )
    weight = np.concatenate(weight)
    hit = cKDTree(drawn).query(np.concatenate(truth))[0] <= tolerance
    wrong = cKDTree(np.concatenate(near_truth)).query(drawn)[0] > tolerance
    return weight[hit].sum() / weight.sum(), wrong.mean()


@pytest.mark.parametrize("with_distance", [True, False])
@pytest.mark.parametrize("face", ["tanh", "ramp"])
@pytest.mark.parametrize("lake", [bay, hump])
def test_lakes_with_known_drop_offs(lake, face, with_distance):
    depth, edges = lake(FACES[face])
    found, false = [], []
    for angle in (0, 30, 60, 90):
        grid, distance = surveyed(depth, angle)
        lines = breaklines(Surface(grid, distance=distance if with_distance else None))
        assert len(set(lines.attributes["drop_off"])) == len(edges)
        # A quarter of the lane spacing, or two cells: 5 m.
        shares = [found_and_false(lines, kind, face, edges, grid, 5.0) for kind in BREAKLINE_KINDS]
        found.append([share[0] for share in shares])
        false.append([share[1] for share in shares])
    # Over all directions of the lanes, then the worst: lanes along a face narrower than their
    # spacing. Without the distance to soundings the widening between lanes stays in, and no
    # inward lean of the rule makes up for it.
    mean, worst = (0.90, 0.85) if with_distance else (0.87, 0.75)
    assert np.mean(found, axis=0).min() >= mean
    assert np.mean(false, axis=0).max() <= 1.0 - mean
    assert np.min(found) >= worst
    assert np.max(false) <= 1.0 - worst


# -- nothing is drawn where there is nothing ----------------------------------------


@pytest.mark.parametrize(
    "bottom",
    [
        lambda x, y: np.full_like(x, 5.0),
        lambda x, y: 0.15 * x,
        lambda x, y: 0.3 * y,
        lambda x, y: 0.12 * np.hypot(x - 150.0, y - 100.0),
        lambda x, y: 12.0 * (1.0 - ((x - 150.0) / 200.0) ** 2 - ((y - 100.0) / 150.0) ** 2),
        lambda x, y: 5.0 + 0.5 * np.sin(x / 9.5) * np.cos(y / 13.0),
        lambda x, y: np.minimum(0.2 * x, 6.0),
    ],
    ids=["flat", "plane", "steep plane", "cone", "bowl", "waves", "no shelf above"],
)
def test_no_drop_off_where_there_is_none(bottom):
    rng = np.random.default_rng(7)
    grid = grid_of(bottom)
    lines = breaklines(Surface(grid.like(grid.values + rng.normal(0.0, 0.05, grid.shape))))
    assert len(lines) == 0
    assert tuple(lines.attributes) == BREAKLINE_ATTRIBUTES


@settings(max_examples=25, deadline=None)
@given(st.floats(-0.5, 0.5), st.floats(-0.5, 0.5), st.floats(20.0, 90.0), st.integers(0, 2**32 - 1))
def test_edge_of_the_data_is_no_drop_off(east, north, radius, seed):
    rng = np.random.default_rng(seed)
    grid = grid_of(lambda x, y: 10.0 + east * x + north * y, 200.0, 200.0)
    x, y = np.meshgrid(grid.x, grid.y)
    hole = np.hypot(x - 100.0, y - 100.0) > radius
    for cx, cy, r in rng.uniform((0, 0, 2), (200, 200, 25), (5, 3)):
        hole |= np.hypot(x - cx, y - cy) < r
    assert len(breaklines(Surface(grid.like(np.where(hole, np.nan, grid.values))))) == 0


def test_limits_are_kept():
    grid = grid_of(lambda x, y: 5.0 + 2.0 * np.tanh((x - 150.0) / 10.0))
    assert len(breaklines(Surface(grid), min_slope_percent=15.0)) == 3  # 4 / 20 = 20 %
    assert len(breaklines(Surface(grid), min_slope_percent=25.0)) == 0
    assert len(breaklines(Surface(grid), min_height_m=2.0)) == 3  # 4 / sqrt 3 = 2.3 m
    assert len(breaklines(Surface(grid), min_height_m=2.7)) == 0
    assert len(breaklines(Surface(grid), min_length_m=150.0)) == 3
    assert len(breaklines(Surface(grid), min_length_m=250.0)) == 0


@pytest.mark.parametrize("shape", [(1, 1), (1, 30), (2, 2), (3, 3), (5, 40)])
def test_tiny_and_empty_grids_give_no_lines(shape):
    rng = np.random.default_rng(3)
    assert len(breaklines(Surface(Grid(np.full(shape, np.nan), 0.0, 0.0, 2.0, 2.0)))) == 0
    assert len(breaklines(Surface(Grid(rng.uniform(0.0, 10.0, shape), 0.0, 0.0, 2.0, 2.0)))) == 0


def test_cells_need_not_be_square():
    cols, rows = 150, 50
    grid = Grid(np.zeros((rows, cols)), 0.0, 200.0, 2.0, 4.0)
    x, _ = np.meshgrid(grid.x, grid.y)
    lines = breaklines(Surface(grid.like(5.0 + 2.0 * np.tanh((x - 150.0) / 10.0))))
    (crest,) = by_kind(lines, "crest")
    assert crest[:, 0] == pytest.approx(150.0 - RIM * 10.0, abs=1.5)


def test_same_input_gives_the_same_lines():
    grid, distance = surveyed(hump(np.tanh)[0], 30)
    first, second = (breaklines(Surface(grid, distance=distance)) for _ in range(2))
    assert all((a == b).all() for a, b in zip(first.coords, second.coords))
    assert first.attributes == second.attributes


# -- bad input ------------------------------------------------------------------------


@pytest.mark.parametrize("name", ["min_slope_percent", "min_height_m", "min_length_m", "scale_m"])
@pytest.mark.parametrize("value", [0.0, -1.0, np.nan, np.inf])
def test_limits_must_be_above_zero(name, value):
    with pytest.raises(LakefloorError, match="above 0"):
        breaklines(Surface(grid_of(lambda x, y: x)), **{name: value})


def test_bands_must_fit():
    grid = grid_of(lambda x, y: x)
    other = Grid(np.zeros((2, 2)), 0.0, 0.0, 2.0, 2.0)
    with pytest.raises(LakefloorError, match="Distance has the shape"):
        breaklines(Surface(grid, distance=other))
    with pytest.raises(LakefloorError, match="Uncertainty has the shape"):
        breaklines(Surface(grid, uncertainty=other))


def test_cancel_is_honoured():
    seen = []

    def stop(fraction):
        seen.append(fraction)
        if fraction > 0.5:
            raise Cancelled

    with pytest.raises(Cancelled):
        breaklines(
            Surface(grid_of(lambda x, y: 5.0 + 2.0 * np.tanh((x - 150.0) / 8.0))), progress=stop
        )
    assert seen == sorted(seen)


# -- the parts --------------------------------------------------------------------------


def test_continuation_keeps_a_plane():
    rows, cols = np.mgrid[0:12, 0:15]
    plane = 3.0 + 0.7 * rows - 0.2 * cols
    cut = plane[2:-2, 2:-2].copy()
    cut[3, 4] = np.nan
    assert filled(cut, 2)[2:-2, 2:-2] == pytest.approx(plane[2:-2, 2:-2])
    # Straight beyond a side the plane goes on exactly.
    assert filled(cut, 2)[4:-4, :] == pytest.approx(plane[4:-4, :])


def test_slope_maximum_of_a_round_face_is_a_circle():
    x, y = np.meshgrid(np.arange(80.0), np.arange(80.0))
    z = np.tanh((np.hypot(x - 40.3, y - 39.6) - 22.0) / 4.0)
    (line,) = slope_maxima(z, 1.0, 1.0, np.ones(z.shape, bool), 0.1, 0.2, 5)
    assert (line[0] == line[-1]).all()
    # Worked by hand: along a radius f''' = 0 is not moved by curvature, so the radius is 22.
    assert np.hypot(line[:, 1] - 40.3, line[:, 0] - 39.6) == pytest.approx(22.0, abs=0.15)


# -- edges of ramps, and where other faces bend most --------------------------------


def crest_and_toe(face, turn=0.0):
    """Mean offsets of crest and toe from the middle of a straight face, m, and its slope."""
    x = np.arange(1.0, 300.0, 2.0)
    east, north = np.meshgrid(x - 150.0, 100.0 - np.arange(1.0, 200.0, 2.0))
    across = east * np.cos(turn) + north * np.sin(turn)
    grid = Grid(5.0 + 4.0 * face(across), 0.0, 200.0, 2.0, 2.0)
    lines = breaklines(Surface(grid))
    assert lines.attributes["kind"] == ["crest", "steepest", "toe"]
    offsets = []
    for line in lines.coords:
        inner = (np.abs(line[:, 0] - 150.0) < 100.0) & (np.abs(line[:, 1] - 100.0) < 60.0)
        along = (line[inner, 0] - 150.0) * np.cos(turn) + (line[inner, 1] - 100.0) * np.sin(turn)
        offsets.append(along.mean())
    return offsets[0], offsets[2], lines.attributes["slope_max_pct"][0]


@pytest.mark.parametrize("turn", [0.0, 0.5])
@pytest.mark.parametrize("width", [12.0, 16.0, 20.0, 24.0, 32.0])
def test_crest_and_toe_of_an_even_ramp_are_its_edges(width, turn):
    crest, toe, slope = crest_and_toe(lambda x: np.clip(x / width + 0.5, 0.0, 1.0), turn)
    assert crest == pytest.approx(-width / 2.0, abs=0.4)
    assert toe == pytest.approx(width / 2.0, abs=0.4)
    assert slope == pytest.approx(400.0 / width, rel=0.08)


@pytest.mark.parametrize("turn", [0.0, 0.5])
@pytest.mark.parametrize("w", [6.0, 8.0, 10.0, 14.0])
def test_crest_and_toe_of_a_round_face_are_where_it_bends_most(w, turn):
    """The second derivative of tanh is greatest at tanh^2 = 1 / 3."""
    crest, toe, slope = crest_and_toe(lambda x: 0.5 + 0.5 * np.tanh(x / w), turn)
    bend = w * np.arctanh(np.sqrt(1.0 / 3.0))
    assert crest == pytest.approx(-bend, abs=0.25)
    assert toe == pytest.approx(bend, abs=0.25)
    assert slope == pytest.approx(200.0 / w, rel=0.08)


@pytest.mark.parametrize(("width", "shoulder"), [(16.0, 2.0), (20.0, 2.5), (24.0, 3.0)])
def test_crest_and_toe_of_a_ramp_with_round_shoulders(width, shoulder):
    """A ramp of which a Gaussian rounds the edges bends most at what were its edges."""

    def face(x):
        steps = np.linspace(-4.0, 4.0, 161)
        weight = np.exp(-0.5 * steps**2)
        ramp = np.clip((x[..., None] - shoulder * steps) / width + 0.5, 0.0, 1.0)
        return ramp @ (weight / weight.sum())

    crest, toe, _ = crest_and_toe(face)
    assert crest == pytest.approx(-width / 2.0, abs=0.4)
    assert toe == pytest.approx(width / 2.0, abs=0.4)


@pytest.mark.parametrize("blur", [3.0, 5.0])
def test_half_widths_of_shapes_in_between(blur):
    """A ramp with round shoulders: between its edge and where its shoulder begins."""
    x = np.linspace(0.0, 60.0, 6001)
    for half, shoulder in ((9.0, 2.0), (12.0, 3.0)):
        total = np.hypot(blur, shoulder)
        slope = ndtr((half - x) / total) + ndtr((half + x) / total) - 1.0
        seen = [np.array([np.interp(-p * slope[0], -slope, x)]) for p in (2 / 3, 1 / 3)]
        found, _ = half_widths(*seen, np.array([blur]))
        assert half - 1.5 * shoulder < found[0] < half + 0.3
