"""What may leave in a copy to share."""

import numpy as np
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st
from shapely.geometry import LineString, MultiPoint, MultiPolygon, Point, Polygon, box

from lakefloor.algorithms.core.correcting.datums import datum_of
from lakefloor.algorithms.core.cut_edge import cut_from_text, cut_text
from lakefloor.algorithms.core.errors import LakefloorError
from lakefloor.algorithms.core.exchange.copied_depths import coarse_uncertainty, shared_corrections
from lakefloor.algorithms.core.exchange.copy_readme import readme
from lakefloor.algorithms.core.exchange.licenses import LICENSES
from lakefloor.algorithms.core.exchange.shared_copy import (
    MARKS,
    coarse_grid,
    coarse_shape,
    coarse_soundings,
    kind_of,
    shared_outline,
    shared_shapes,
    shared_soundings,
    shared_value,
    with_picks,
)
from lakefloor.algorithms.core.grid import Grid
from lakefloor.algorithms.core.polygons import contains
from lakefloor.algorithms.core.soundings import Soundings, parse_corrections


def test_kinds_are_known_by_their_fields():
    assert kind_of("point", ["visit", "time", "depth_m", "status"]).name == "soundings"
    assert kind_of("point", ["name", "depth_m"]) is None
    assert kind_of("point", ["fid", "depth_m", "hardness"]).name == "soundings"
    assert kind_of("point", ["fid"]) is None
    assert kind_of("line", ["depth", "unit", "depth_m", "label"]).name == "contours"
    assert kind_of("line", ["name"]) is None
    assert kind_of("polygon", ["name"]).keeps == {}
    assert kind_of("table", ["depth_m", "status"]) is None


def test_texts_leave_only_if_they_fit():
    contours = kind_of("line", ["depth", "unit", "depth_m"])
    for name, value in (
        ("label", "12"),
        ("label", "0 to 5 ft"),
        ("label", "over 30 ft"),
        ("kind", "hump"),
        ("unit", "ft"),
    ):
        assert shared_value(contours, name, value) == value
    for name, value in (
        ("label", "Bob's 12"),
        ("kind", "hump\n"),
        ("unit", "ft by Bob"),
        ("label", "12 ft\nsecret"),
        ("depth", "Bob"),
        ("depth", float("nan")),
    ):
        assert shared_value(contours, name, value) is None
    assert shared_value(MARKS, "name", "Reed point") == "Reed point"


def test_picks():
    soundings = kind_of("point", ["depth_m", "status"])
    assert list(with_picks(soundings, ["hardness"]).keeps) == ["depth_m", "hardness"]
    for name in ("visit", "time", "raw_depth_m", "corrections", "status", "lane"):
        with pytest.raises(LakefloorError, match=name):
            with_picks(soundings, [name])


@settings(max_examples=50, deadline=None)
@given(st.permutations(range(40)), st.sampled_from([None, 5.0, 30.0]))
def test_the_order_of_logging_is_lost(order, cell):
    rng = np.random.default_rng(3)
    x, y, depth = rng.uniform(0, 100, (3, 40))
    order = list(order)
    first = coarse_soundings(x, y, depth, cell=cell)
    other = coarse_soundings(x[order], y[order], depth[order], cell=cell)
    for a, b in zip(first, other):
        assert np.array_equal(a, b)


def test_coarse_soundings_stand_at_the_centres_of_squares():
    x, y = np.array([1.0, 9.0, 12.0, -3.0]), np.array([1.0, 2.0, 1.0, 1.0])
    hardness = np.array([np.nan, 0.5, np.nan, 0.1])
    x, y, depth, hard = coarse_soundings(x, y, [2.0, 4.0, 7.0, 1.0], hardness, cell=10.0)
    assert x.tolist() == [-5.0, 5.0, 15.0]
    assert y.tolist() == [5.0] * 3
    assert depth.tolist() == [1.0, 3.0, 7.0]
    assert np.array_equal(hard, [0.1, 0.5, np.nan], equal_nan=True)


def test_only_accepted_soundings_of_the_area_leave():
    soundings = Soundings.build(
        [5.0, 1.004, 50.0, 2.0, np.nan, 3.0],
        [5.0, 1.0, 5.0, 2.0, 2.0, 3.0],
        [4.0, 3.0, 9.0, 8.0, 8.0, np.nan],
        raw_depth=np.full(6, 7.0),
        hardness=[0.4, 0.3, 0.9, 0.8, 0.8, 0.8],
        status=["accepted", "accepted", "accepted", "spike", "accepted", "accepted"],
    )
    for area, expected in (
        (box(0, 0, 10, 10), [[1.0, 5.0], [1.0, 5.0], [0.3, 0.4], [3.0, 4.0]]),
        (None, [[1.0, 5.0, 50.0], [1.0, 5.0, 5.0], [0.3, 0.4, 0.9], [3.0, 4.0, 9.0]]),
        (box(100, 0, 110, 10), [[], [], [], []]),
    ):
        found = shared_soundings(soundings, ("hardness", "depth"), area=area, cell=None)
        assert [v.tolist() for v in found] == expected
    x, y, depth = shared_soundings(soundings, ("depth",), area=box(0, 0, 10, 10), cell=20.0)
    assert (x.tolist(), y.tolist(), depth.tolist()) == ([10.0], [10.0], [3.5])


def test_shapes_are_cut_before_they_leave():
    area = box(0, 0, 100, 100)

    def leaving(shape, geometry, cell=None, area=area):
        return shared_shapes(shape, geometry, area=area, cell=cell)

    marks = MultiPoint([(1.2345, 2.0), (50.0, 60.0), (150.0, 50.0)])
    assert [p.coords[0] for p in leaving(marks, "point")] == [(1.23, 2.0), (50.0, 60.0)]
    assert [p.coords[0] for p in leaving(marks, "point", 20.0)] == [(10.0, 10.0), (50.0, 70.0)]
    assert len(leaving(marks, "point", area=None)) == 3
    (line,) = leaving(LineString([(-50, 50), (150, 50)]), "line")
    assert line.bounds == (0.0, 50.0, 100.0, 50.0)
    (part,) = leaving(box(90, 90, 300, 300), "polygon")
    assert part.area == pytest.approx(100.0)
    assert leaving(box(200, 200, 300, 300), "polygon") == []
    assert leaving(Point(200, 200), "point") == []
    # Shapes that touch the area's edge meet it in a shape of another kind.
    assert leaving(box(100, 0, 200, 100), "polygon") == []


def test_coarse_shapes():
    line = LineString([(0, 0), (1, 1), (9, 0), (21, 0)])
    assert list(coarse_shape(line, "line", 10.0).geoms[0].coords) == [(0, 0), (10, 0), (20, 0)]
    assert coarse_shape(LineString([(0, 0), (1, 1)]), "line", 10.0).is_empty
    circle = Point(3, 4).buffer(48)
    coarse = coarse_shape(circle, "polygon", 10.0)
    assert isinstance(coarse, MultiPolygon)
    assert coarse.is_valid
    assert coarse.area == pytest.approx(circle.area, rel=0.05)
    assert all(v % 10 == 0 for xy in coarse.geoms[0].exterior.coords for v in xy)
    touching = Polygon([(0, 0), (1, 0), (1, 1)]).intersection(Polygon([(1, 0), (2, 0), (1, 1)]))
    assert coarse_shape(touching, "polygon", None).is_empty


def test_coarse_grid():
    values = np.arange(16.0).reshape(4, 4)
    grid = Grid(values, 100.0, 240.0, 10.0, 10.0)
    mask = np.zeros((4, 4), bool)
    mask[1:3, 1:] = True
    cut = coarse_grid(grid, mask, None)
    assert cut.values.tolist() == [[5, 6, 7], [9, 10, 11]]
    assert (cut.west, cut.north) == (110.0, 230.0)
    coarse = coarse_grid(grid, None, 20.0)
    assert coarse.values.tolist() == [[2.5, 4.5], [10.5, 12.5]]
    assert coarse.bounds == (100.0, 200.0, 140.0, 240.0)
    with pytest.raises(LakefloorError, match="nothing"):
        coarse_grid(grid, np.zeros((4, 4), bool), None)


@pytest.mark.parametrize("license_name", LICENSES)
def test_readme(license_name):
    unread = readme([], license_name, datum="water level of 2026-05-14")
    assert "positive down, below the water level of 2026-05-14. No gauge was read" in unread
    text = readme(["soundings: 3"], license_name, "The lake club", "staff gauge", "EPSG:32615")
    for word in (
        "soundings: 3",
        "The lake club",
        "staff gauge",
        "NOT FOR NAVIGATION",
        "Ice",
        LICENSES[license_name],
    ):
        assert word in text


@settings(max_examples=60, deadline=None)
@given(st.integers(0, 2**32 - 1))
@example(659)  # A ring that crosses itself with a lobe of either sense.
def test_a_coarse_polygon_holds_all_that_its_snapped_ring_encloses(seed):
    rng = np.random.default_rng(seed)
    angle, radius = np.sort(rng.uniform(0.0, 2.0 * np.pi, 14)), rng.uniform(20.0, 100.0, 14)
    shore = Polygon(np.column_stack([radius * np.cos(angle), radius * np.sin(angle)]))
    ring = np.round(np.asarray(shore.exterior.coords) / 20.0) * 20.0
    x, y = rng.uniform(-120.0, 120.0, (2, 300))
    enclosed = contains([ring], x, y)
    made = coarse_shape(shore, "polygon", 20.0).buffer(1e-6)
    assert all(made.covers(Point(p)) for p in zip(x[enclosed], y[enclosed]))


def test_a_coarse_copy_has_the_uncertainty_of_its_squares():
    """Errors of a plane read at the centers of squares, against the stated ones (JCGM 100, 4.3.7)."""
    rng = np.random.default_rng(0)
    x, y = rng.uniform(0.0, 400.0, (2, 4000))
    keep = np.arange(4000) < 900  # one sounding in most squares: its place is anywhere there
    x, y = x[keep], y[keep]
    depth = 5.0 + 0.08 * x - 0.06 * y
    cx, cy, mean, own = coarse_soundings(x, y, depth, np.full(x.size, 0.05), cell=10.0)
    stated = coarse_uncertainty(cx, cy, mean, own, 10.0)
    error = mean - (5.0 + 0.08 * cx - 0.06 * cy)
    # The slope is 0.1; more than one sounding in a square makes its mean surer than stated.
    assert np.median(stated) == pytest.approx(np.hypot(0.05, 0.1 * 10.0 / 12**0.5), rel=0.1)
    within = np.abs(error) <= 2.0 * stated
    assert within.mean() > 0.95
    assert 0.6 < np.std(error) / np.median(stated) < 1.05
    flat = coarse_uncertainty(cx, cy, np.full(cx.size, 4.0), np.full(cx.size, np.nan), 10.0)
    assert np.all(flat == 0.0)
    line = coarse_uncertainty([5.0, 15.0, 25.0], [5.0] * 3, [1.0, 2.0, 3.0], [0.0] * 3, 10.0)
    assert line == pytest.approx(0.1 * 10.0 / 12**0.5, abs=1e-3)
    assert coarse_uncertainty([], [], [], [], 10.0).size == 0
    assert coarse_uncertainty([5.0], [5.0], [1.0], [0.1], 10.0).tolist() == [0.1]


def test_a_copy_says_its_datum_and_how_coarse_it_is():
    said = shared_corrections(("pool; full=yes", 290.0), 12.5)
    assert parse_corrections(said) == {
        "datum": "pool full yes",
        "datum_elev_m": "290",
        "coarsened_m": "12.5",
    }
    assert shared_corrections(None, None) == ""
    water = shared_corrections(("water level of 2025-05-01", None), None)
    copy = Soundings.build([0.0], [0.0], [1.0], corrections=water)
    assert datum_of(copy) == ("water level of 2025-05-01", None)


# Always the same examples: at a corner of a few degrees the mark is uncertain by half a meter.
@settings(max_examples=60, deadline=None, derandomize=True)
@given(
    st.lists(st.tuples(st.integers(0, 40), st.integers(0, 40)), min_size=3, max_size=9),
    st.sampled_from([None, 5.0]),
)
def test_the_edges_of_a_clipped_outline_are_shore_or_cut(corners, cell):
    """Edges of the part are those of the whole and those of the clip, each once."""
    whole = Point(20.0, 20.0).buffer(15.0).difference(Point(20.0, 22.0).buffer(4.0))
    area = Polygon([(float(a), float(b)) for a, b in corners]).buffer(0)
    found = shared_outline(whole, area=area, cell=None) if area.area > 1.0 else []
    for part, cut in found:
        shore = part.boundary.difference(cut.buffer(0.02))
        # An empty line lies in nothing.
        assert shore.is_empty or whole.boundary.buffer(0.03).contains(shore)
        assert cut.is_empty or area.boundary.buffer(0.03).contains(cut)
        coarse = shared_outline(whole, area=area, cell=cell)
        assert all(edge.is_empty or edge.length < 400.0 for _, edge in coarse)
        # Passed on without another clip, the mark stays.
        ((_, again),) = shared_outline(part, area=None, cell=None, cut=cut) or [(None, cut)]
        assert again.length == pytest.approx(cut.length, abs=0.1)
        assert cut_from_text(cut_text(cut)).length == pytest.approx(cut.length, abs=1e-3)


def test_a_cut_edge_that_is_not_whole_is_refused():
    for text in ("MULTILINESTRING ((0 0, 1", "", "a line"):
        with pytest.raises(LakefloorError, match="not whole"):
            cut_from_text(text)
