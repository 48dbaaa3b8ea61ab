"""What lies near a place, and which way, against plane geometry and geodesics."""

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from pyproj import Geod
from shapely.geometry import LineString, Point, Polygon

from lakefloor.algorithms.core.crs import project
from lakefloor.algorithms.core.errors import LakefloorError
from lakefloor.algorithms.core.grid import Areas, Grid, Lines
from lakefloor.algorithms.core.places.place_description import describe_places
from lakefloor.algorithms.core.places.place_texts import (
    away_text,
    compass_point,
    describe_text,
    length_text,
    short_names,
)
from lakefloor.algorithms.core.places.ranking import peaks
from lakefloor.algorithms.core.places.target_words import DEEP_WATER
from lakefloor.algorithms.core.places.targets import bearings, distance_grid, nearest, target
from lakefloor.algorithms.core.structure.ground import Ground, cells_of


def plane(cell=2.0, rows=80, cols=120, slope=0.1):
    """A bottom that falls eastwards by a tenth, from 1 m."""
    grid = Grid(np.zeros((rows, cols)), 1000.0, 5000.0, cell, cell)
    return grid.like(1.0 + slope * (np.meshgrid(grid.x, grid.y)[0] - grid.west))


def test_what_covers_the_whole_grid_is_where_the_place_is():
    grid = plane()
    ground = Ground(grid, deep_m=0.5)
    distance, to, row = nearest(target(ground, DEEP_WATER), [1010.0], [4900.0])
    assert distance.tolist() == [0.0]
    assert to.tolist() == [[1010.0, 4900.0]]
    assert row.tolist() == [0]


LINES = Lines(
    [
        np.array([(1050.0, 4990.0), (1050.0, 4850.0)]),
        np.array([(1080.0, 4990.0), (1080.0, 4850.0)]),
        np.array([(1010.0, 4900.0), (1200.0, 4950.0), (1230.0, 4860.0)]),
    ],
    {"kind": ["crest", "toe", "crest"], "height_m": [2.7, 2.7, 1.0]},
)
FORMS = Areas(
    [
        Polygon([(1100, 4900), (1140, 4900), (1140, 4940), (1100, 4940)]),
        Polygon([(1110, 4910), (1120, 4910), (1120, 4920), (1110, 4920)]),
    ],
    {"form": ["flat", "Hump"], "relief_m": [0.0, 1.5]},
)


@settings(max_examples=60, deadline=None)
@given(st.floats(1000, 1240), st.floats(4840, 5000))
def test_distance_to_lines_is_that_of_an_independent_library(x, y):
    ground = Ground(plane(), breaklines=LINES)
    distance, to, owner = nearest(target(ground, "crest"), [x], [y])
    away = [LineString(LINES.coords[i]).distance(Point(x, y)) for i in (0, 2)]
    # Lines are points half a metre apart: never nearer than the line, at most a quarter further.
    assert min(away) - 1e-6 <= distance[0] <= min(away) + 0.25
    assert away[(0, 2).index(owner[0])] <= min(away) + 0.25
    assert np.hypot(to[0, 0] - x, to[0, 1] - y) == pytest.approx(distance[0])


def test_distance_grid_agrees_with_the_tree():
    grid = plane()
    ground = Ground(grid, breaklines=LINES, forms=FORMS)
    x, y, _ = cells_of(grid)
    for word in ("crest", "toe", "flat", "hump", "deep water"):
        found = target(ground, word)
        exact, _, _ = nearest(found, x, y)
        quick = distance_grid(found, grid).values.ravel()
        assert np.all(quick >= exact - 1e-9), word
        assert np.all(quick <= exact + np.sqrt(2.0) * grid.dx), word
        assert (quick - exact).mean() < 0.25 * grid.dx, word


def test_oblong_cells():
    grid = Grid(np.ones((40, 100)), 0.0, 200.0, 2.0, 5.0)
    lines = Lines([np.array([(101.0, 0.0), (101.0, 200.0)])], {"kind": ["toe"]})
    found = target(Ground(grid, breaklines=lines), "toe")
    away = distance_grid(found, grid).values
    assert away == pytest.approx(np.broadcast_to(np.abs(grid.x - 101.0), grid.shape), abs=0.1)


def test_an_area_is_near_inside_and_by_its_edge_outside():
    ground = Ground(plane(), forms=FORMS)
    flat, hump = (target(ground, word) for word in ("flat", "hump"))
    distance, to, owner = nearest(flat, [1130.0, 1150.0], [4930.0, 4920.0])
    assert distance == pytest.approx([0.0, 10.0], abs=0.01)
    assert to[1] == pytest.approx([1140.0, 4920.0], abs=0.3)
    assert list(owner) == [0, 0]
    # Written with a capital in the layer.
    assert nearest(hump, [1115.0], [4915.0])[0] == [0.0]


def test_of_forms_that_overlap_the_smallest_is_named():
    ground = Ground(plane(), forms=FORMS)
    found = describe_places(ground, [1115.0, 1130.0, 1160.0], [4915.0, 4930.0, 4920.0])
    assert list(found["form_row"]) == [1, 0, 0]
    assert found["form_m"] == pytest.approx([0.0, 0.0, 20.0], abs=0.01)
    assert found["form_deg"][2] == pytest.approx(270.0)


def test_plane_is_described():
    grid = plane()
    ground = Ground(grid, uncertainty=grid.like(np.full(grid.shape, 0.2)))
    found = describe_places(ground, [1100.0, 900.0], [4920.0, 4920.0])
    assert found["depth_m"][0] == pytest.approx(11.0)
    assert found["slope_pct"][0] == pytest.approx(10.0)
    assert found["uncert_m"][0] == pytest.approx(0.2)
    # A plane rises nowhere above its surroundings.
    assert found["rise_m"][0] == pytest.approx(0.0, abs=1e-9)
    assert np.isnan(found["depth_m"][1])
    assert np.isnan(found["hardness"]).all()
    assert "crest_m" not in found
    assert describe_text(ground, found, 0, "ft") == ("36 ft deep (give or take 1.3 ft); slope 10%")
    assert describe_text(ground, found, 1, "ft") == "no depth is mapped here"


def test_what_was_worked_out_for_one_surface_is_not_used_for_another():
    ground = Ground(plane())
    assert np.nanmax(ground.slope_percent.values) == pytest.approx(10.0)
    steeper = replace(ground, depth=plane(slope=0.2))
    assert np.nanmax(steeper.slope_percent.values) == pytest.approx(20.0)


def test_deep_water_begins_where_asked():
    ground = Ground(plane(), deep_m=11.0)
    # Depth 11 m is reached 100 m from the western edge, in the cell whose centre is at 101 m.
    distance, to, _ = nearest(target(ground, "deep water"), [1050.0], [4920.0])
    assert to[0, 0] == pytest.approx(1101.0)
    assert distance[0] == pytest.approx(51.0, abs=0.05)
    assert Ground(plane()).deep_from == pytest.approx(1.0 + 0.1 * 180.0, abs=0.15)


@pytest.mark.parametrize(("epsg", "lon", "lat"), [
    (32615, -94.6, 46.45), (32615, -90.5, 47.0), (32755, 149.0, -35.5), (3857, 10.0, 60.0),
])  # fmt: skip
def test_directions_are_those_of_geodesics(epsg, lon, lat):
    """Karney's geodesics, as pyproj has them, are the reference."""
    angles = np.arange(5.0, 360.0, 40.0)
    geod = Geod(ellps="WGS84")
    lon2, lat2, _ = geod.fwd(np.full(9, lon), np.full(9, lat), angles, np.full(9, 50.0))
    x, y = project(np.full(9, lon), np.full(9, lat), epsg)
    to = np.column_stack(project(lon2, lat2, epsg))
    assert bearings(x, y, to, epsg) == pytest.approx(angles, abs=0.05 if epsg != 3857 else 0.2)
    assert bearings([0.0, 0.0], [0.0, 0.0], np.array([(0.0, 0.0), (-1.0, 0.0)])) == (
        pytest.approx([np.nan, 270.0], nan_ok=True)
    )


def test_words_of_the_compass():
    directions = (0, 22.4, 22.5, 45, 90, 135, 180, 225, 270, 315, 337.4, 337.5)
    names = [compass_point(direction) for direction in directions]
    assert names == [
        "north",
        "north",
        "north-east",
        "north-east",
        "east",
        "south-east",
        "south",
        "south-west",
        "west",
        "north-west",
        "north-west",
        "north",
    ]
    assert away_text(9.144, 359.7, "ft") == "30 ft to the north (0°)"
    assert length_text(100.0, "ft") == "330 ft"
    assert length_text(30.48, "ft") == "100 ft"
    assert length_text(12.4, "m") == "12 m"


@given(st.lists(st.floats(0.0, 200.0), max_size=150), st.sampled_from(["ft", "m"]))
def test_names_are_short_plain_and_unique(depths, unit):
    names = short_names("S", depths, unit)
    assert len(set(names)) == len(depths)
    assert all(len(name) <= 11 and name.isascii() for name in names)


def test_missing_layers_and_fields_are_named():
    ground = Ground(plane())
    with pytest.raises(LakefloorError, match="Row 'hump' needs the layer of bottom forms"):
        target(ground, "hump")
    with pytest.raises(LakefloorError, match="unknown"):
        target(ground, "reef")
    with pytest.raises(LakefloorError, match="no field 'kind'"):
        describe_places(Ground(plane(), breaklines=Lines([])), [1.0], [1.0])
    with pytest.raises(LakefloorError, match="positive down"):
        describe_places(Ground(plane().like(-plane().values)), [1.0], [1.0])
    with pytest.raises(LakefloorError, match="no depths"):
        describe_places(Ground(plane().like(np.full((80, 120), np.nan))), [1.0], [1.0])


def test_lines_without_support_do_not_count_and_doubtful_ones_are_called_so():
    across = [np.array([(x, 4850.0), (x, 4990.0)]) for x in (1100.0, 1150.0)]
    lines = Lines(across, {"supported": [0, 1], "confidence": [0.9, 0.3]})
    ground = Ground(plane(), transitions=lines)
    found = describe_places(ground, [1100.0], [4920.0])
    assert found["transition_m"][0] == pytest.approx(50.0, abs=0.01)
    assert describe_text(ground, found, 0, "m").endswith(
        "hard-soft transition (doubtful) 50 m to the east (90°)"
    )


def test_empty_layers_are_far_from_everything():
    nothing = Lines([], {"kind": []}), Areas([], {"form": []})
    ground = Ground(plane(), breaklines=nothing[0], forms=nothing[1])
    found = describe_places(ground, [1100.0], [4920.0])
    assert np.isnan(found["crest_m"]).all()
    assert list(found["crest_row"]) == [-1]
    assert np.isinf(distance_grid(target(ground, "crest"), ground.depth).values).all()
    assert describe_text(ground, found, 0, "m") == "11.0 m deep; slope 10%"


def test_peaks_keep_their_distance_and_come_in_order():
    random = np.random.default_rng(3)
    score = plane().like(random.random((80, 120)))
    rows, cols = peaks(score, 30, 25.0, 0.2)
    x, y = score.x[cols], score.y[rows]
    away = np.hypot(x[:, None] - x, y[:, None] - y) + 1e9 * np.eye(len(x))
    assert away.min() >= 25.0
    values = score.values[rows, cols]
    assert np.all(np.diff(values) < 1e-3)
    # When no more are found, every cell above the limit is near a spot.
    rows, cols = peaks(score, 10_000, 25.0, 0.2)
    left = np.hypot(
        *(
            a[..., None] - b
            for a, b in zip(np.meshgrid(score.x, score.y), (score.x[cols], score.y[rows]))
        )
    ).min(axis=-1)
    assert left[score.values >= 0.2].max() < 25.0


def test_peak_of_a_plateau_is_its_middle():
    grid = Grid(np.zeros((61, 61)), 0.0, 61.0, 1.0, 1.0)
    inside = np.hypot(*np.meshgrid(grid.x - 30.5, grid.y - 30.5)) < 10
    rows, cols = peaks(grid.like(inside.astype(float)), 1, 40.0, 0.5)
    assert (rows[0], cols[0]) == (30, 30)
