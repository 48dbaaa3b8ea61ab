"""Surfaces by tiles: as the whole, without seams, and brought up to date where input is new."""

import json
import sys
import threading
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from shapely.affinity import scale
from shapely.geometry import LineString, Point, Polygon, box

from lakefloor.algorithms.core.correcting.first_return import states_beam, with_beams
from lakefloor.algorithms.core.errors import Cancelled, LakefloorError
from lakefloor.algorithms.core.grid import Grid, Surface
from lakefloor.algorithms.core.polygons import contains, rings
from lakefloor.algorithms.core.soundings import Soundings, concatenate
from lakefloor.algorithms.core.surface import beam, learning, tiles
from lakefloor.algorithms.core.surface.frame import Frame, frame
from lakefloor.algorithms.core.surface.idw import idw_surface
from lakefloor.algorithms.core.surface.nodes import SOUNDING
from lakefloor.algorithms.core.surface.smooth_surface import smooth_surface
from lakefloor.algorithms.core.surface.surface_record import (
    Record,
    record_from_text,
    record_to_text,
)
from lakefloor.algorithms.core.surface.surface_uncertainty import Growth
from lakefloor.algorithms.core.surface.tin import tin_surface

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "benchmarks"))
import made_lake

SPACING, CELL, GAP = 40.0, 8.0, 60.0
EVERY = pytest.mark.parametrize("method", list(tiles.METHODS))
OPTIONS = {"tin": {}, "idw": {"power": 2.0, "neighbours": 12}, "smooth": {}}


@pytest.fixture(scope="module", params=[0.0, 20.0], ids=["a narrow beam", "a wide beam"])
def survey(request):
    found = made_lake.survey(SPACING, ping=4.0)
    return with_beams(found, dict.fromkeys(found.visit, request.param))


@pytest.fixture(scope="module")
def shoreline():
    return made_lake.shoreline(10.0)


@pytest.fixture
def small(monkeypatch):
    """Tiles of 32 cells, so that a small lake has many."""
    monkeypatch.setattr(tiles, "ONE_TILE", 1000)
    monkeypatch.setattr(tiles, "_SIDE", 32)
    monkeypatch.setattr(tiles, "_STEP", 16)
    monkeypatch.setattr(learning, "LEARNED_WHOLE", 1000)
    monkeypatch.setattr(learning, "_SIDE", 32)
    monkeypatch.setattr(learning, "_STEP", 16)


def framed(soundings, shoreline=None, **options):
    return frame(soundings, cell=CELL, spacing=SPACING, max_gap=GAP, shoreline=shoreline, **options)


_LEARNED = {}


def learned(f, method):
    """Return the record of a method, learned from the first frame that comes."""
    key = method, states_beam(f.soundings)
    if key not in _LEARNED:
        _LEARNED[key] = learning.learned_record(f, method, OPTIONS[method])
    known = _LEARNED[key]
    return replace(known, spacing=f.spacing, max_gap=f.max_gap, tiles={})


def tiles_of(f, record):
    return tiles.tiles_of(f, record.method, beam.BEAM_HALO if record.beam else 0.0)


def drawn(f, record, older=None, **options):
    """Return record, bands and the keys of the tiles that were drawn, not taken over."""
    bands = [np.full(f.grid.shape, -1.0, np.float32) for _ in range(3)]
    taken = []

    def write(rows, cols, part):
        for band, values in zip(bands, part):
            assert values.dtype == np.float32
            assert (band[rows, cols] == -1.0).all()
            band[rows, cols] = values

    if older is not None:
        grid, old = older

        def read(rows, cols):
            taken.append((rows, cols))
            return [band[rows, cols].copy() for band in old]

        options.update(old_grid=grid, read=read)
    record, figures, count = tiles.draw(f, record, write, **options)
    assert count == len(record.tiles) - len(taken)
    return record, bands, figures, count


def assert_same(a, b):
    for one, other in zip(a, b):
        np.testing.assert_array_equal(one, other)


@EVERY
def test_one_tile_is_the_surface_of_the_method(survey, shoreline, method):
    survey = with_beams(survey, dict.fromkeys(survey.visit, 0.0))
    f = framed(survey, shoreline)
    record, bands, figures, count = drawn(f, learned(f, method))
    whole = {
        "tin": tin_surface,
        "idw": idw_surface,
        "smooth": lambda *a, **k: smooth_surface(*a, **k)[0],
    }[method](survey, cell=CELL, spacing=SPACING, max_gap=GAP, shoreline=shoreline)
    expected = [whole.depth.values, whole.uncertainty.values, whole.distance.values]
    assert_same(bands, [values.astype(np.float32) for values in expected])
    assert (count, list(record.tiles)) == (1, ["whole"])
    known = expected[0][np.isfinite(expected[0])]
    assert figures.cells == len(known)
    assert (figures.low, figures.high) == pytest.approx((known.min(), known.max()), rel=1e-6)
    assert figures.mean == pytest.approx(known.mean(), rel=1e-6)
    for share in (0.5, 0.95):
        quantile = np.nanquantile(expected[1], share)
        assert figures.uncertainty(share) == pytest.approx(quantile, rel=1e-3)


@EVERY
def test_tiles_join_without_seams(small, survey, shoreline, method):
    """Against the whole drawn at once, on a grid that starts where a tile does."""
    f = framed(survey, shoreline)
    record = learned(f, method)
    _, bands, _, count = drawn(f, record)
    assert count > 9
    every = tiles_of(f, record)
    rows = slice(every[0].drawn_rows.start, every[-1].drawn_rows.stop)
    cols = slice(every[0].drawn_cols.start, every[-1].drawn_cols.stop)
    options = {} if method != "idw" else OPTIONS["idw"]
    part = f.window(rows, cols)
    if record.beam:
        part = beam.undo_beam(part, record.beam)
    whole = tiles.METHODS[method].draw(part, record.learned, **options)
    own = (
        slice(-rows.start, f.grid.shape[0] - rows.start),
        slice(-cols.start, f.grid.shape[1] - cols.start),
    )
    depth, sigma = whole.depth.values[own], whole.uncertainty.values[own]
    off = np.isnan(depth) != np.isnan(bands[0])
    # Slivers at the shore, thinner than a cell, may be taken for another triangle's.
    assert off.sum() <= (5 if method == "tin" else 0)
    error = np.abs(bands[0] - depth)[~off & np.isfinite(depth)]
    sigma = sigma[~off & np.isfinite(depth)]
    if method == "smooth":
        assert np.sqrt(np.mean((error / sigma) ** 2)) < 0.1
    else:
        # A smooth surface of a part tells of the beam within a millimeter.
        assert np.quantile(error, 0.999) < (1e-3 if record.beam else 1e-5)
    np.testing.assert_allclose(bands[2][~off], whole.distance.values[own][~off], atol=0.01)
    beside = np.hypot(whole.uncertainty.values, beam.beam_error(part, whole.depth))[own]
    known = ~off & np.isfinite(depth)
    np.testing.assert_allclose(bands[1][known], beside[known], rtol=0.05, atol=0.01)


@EVERY
def test_threads_change_nothing(small, survey, shoreline, method):
    f = framed(survey, shoreline)
    record = learned(f, method)
    first = drawn(f, record, workers=1)
    again = drawn(f, record, workers=5)
    assert_same(first[1], again[1])
    assert record_to_text(first[0]) == record_to_text(again[0])


@EVERY
def test_a_visit_is_added_where_it_is(small, survey, shoreline, method):
    near = np.hypot(survey.x + 300.0, survey.y) < 60.0
    before = survey.select(~near)
    f = framed(before, shoreline)
    record, bands, _, total = drawn(f, learned(f, method))
    later = framed(concatenate([before, survey.select(near)]), shoreline)
    assert f.grid.shape == later.grid.shape
    new, updated, figures, count = drawn(later, record, (f.grid, bands))
    anew, expected, whole, all_of_them = drawn(later, replace(record, tiles={}))
    assert_same(updated, expected)
    assert record_to_text(new) == record_to_text(anew)
    assert (figures.cells, figures.mean, figures.outside) == (
        whole.cells,
        whole.mean,
        whole.outside,
    )
    assert all_of_them == total > 9
    # Those with the visit within their halo.
    every = tiles_of(later, record)
    row, col = later.grid.rows_cols(survey.x[near], survey.y[near])
    touched = sum(
        bool(
            np.any(
                (row >= t.drawn_rows.start - 0.5)
                & (row < t.drawn_rows.stop - 0.5)
                & (col >= t.drawn_cols.start - 0.5)
                & (col < t.drawn_cols.stop - 0.5)
            )
        )
        for t in every
    )
    assert 0 < count == touched < total
    assert not np.array_equal(updated[0], bands[0], equal_nan=True)
    assert drawn(later, new, (later.grid, updated))[3] == 0


@EVERY
def test_a_lake_that_grows_keeps_its_tiles(small, survey, method):
    """Without a shoreline the raster ends at the soundings, and grows with them."""
    before = survey.select((survey.x > -250.0) & (survey.y < 120.0))
    f = framed(before)
    record, bands, _, _ = drawn(f, learned(f, method))
    later = framed(survey)
    assert later.grid.shape[0] > f.grid.shape[0]
    assert later.grid.shape[1] > f.grid.shape[1]
    _, updated, _, count = drawn(later, record, (f.grid, bands))
    _, expected, _, total = drawn(later, replace(record, tiles={}))
    assert_same(updated, expected)
    # Eight lane spacings of halo, or six more for the beam, reach over most of this lake.
    assert 0 < count < total + (method == "smooth" or states_beam(survey))


@EVERY
@pytest.mark.parametrize(
    "change", ["rejected", "corrected", "bay cut off", "bay dug", "tip cut off", "break-line"]
)
def test_what_is_not_as_it_was_is_drawn_again(small, survey, shoreline, method, change):
    f = framed(survey, shoreline)
    record, bands, _, total = drawn(f, learned(f, method))
    one = np.argmin(np.hypot(survey.x + 300.0, survey.y))
    lines, soundings, shore = (), survey, shoreline
    if change == "rejected":
        status = survey.status.copy()
        status[one] = "spike"
        soundings = survey.replace(status=status)
    elif change == "corrected":
        depth = survey.depth.copy()
        depth[one] += 0.5
        soundings = survey.replace(depth=depth)
    elif change == "bay cut off":
        shore = shoreline.difference(Point(shoreline.exterior.coords[60]).buffer(40.0))
    elif change == "bay dug":
        shore = shoreline.union(Point(northernmost(shoreline)).buffer(30.0))
    elif change == "tip cut off":
        west, south, east, north = shoreline.bounds
        shore = shoreline.intersection(box(west, south, east, north - 20.0))
    else:
        lines = (np.array([[-320.0, -40.0, 3.0], [-260.0, 40.0, 3.0]]),)
    later = framed(soundings, shore, breaklines=lines)
    _, updated, _, count = drawn(later, record, (f.grid, bands))
    _, expected, _, _ = drawn(later, replace(record, tiles={}))
    assert_same(updated, expected)
    assert not np.array_equal(updated[0], bands[0], equal_nan=True) or method == "idw"
    assert 0 < count < total
    # The raster ends with the lake.
    grown = {"bay dug": 1, "tip cut off": -1}.get(change, 0)
    assert np.sign(later.grid.shape[0] - f.grid.shape[0]) == grown


def northernmost(shoreline):
    return max(shoreline.exterior.coords, key=lambda place: place[1])


def large_lake():
    """A lake 3 km long with its island, and lanes over it."""
    shore = scale(made_lake.shoreline(4.0), 3.0, 3.0, origin=(0.0, 0.0))
    west, south, east, north = shore.bounds
    x, y = np.meshgrid(np.arange(west, east, 8.0), np.arange(south + 20.0, north, SPACING))
    wet = contains(rings(shore), x.ravel(), y.ravel())
    x, y = x.ravel()[wet], y.ravel()[wet]
    return Soundings.build(x, y, 5.0 + np.sin(x / 90.0) + np.cos(y / 70.0)), shore


def edits(shore):
    """Yield a name and a lake that was edited in one place, or only written otherwise."""
    outer, (island,) = np.array(shore.exterior.coords), shore.interiors
    moved = outer.copy()
    moved[500] += [4.0, -7.0]
    yield "vertex moved", Polygon(moved, [island])
    yield "vertex added", Polygon(np.insert(outer, 500, outer[499:501].mean(0) + 9.0, 0), [island])
    hole = Point(-900.0, 300.0).buffer(70.0)
    yield "island added", shore.difference(hole)
    yield "island drawn first", Polygon(outer, [hole.exterior, island])
    yield "island removed", Polygon(outer)
    yield "bay cut off", shore.difference(Point(outer[300]).buffer(60.0))
    yield "bay dug", shore.union(Point(northernmost(shore)).buffer(60.0))
    yield "tip cut off", shore.difference(Point(northernmost(shore)).buffer(60.0))
    yield "dam", shore.difference(LineString([(750.0, -360.0), (750.0, -2000.0)]).buffer(5.0))
    yield "begun elsewhere", Polygon(np.roll(outer[:-1], 777, axis=0), [island])
    yield "run the other way round", Polygon(outer[::-1], [island.coords[::-1]])


def test_an_edit_of_the_shoreline_stays_where_it_is(small, monkeypatch):
    """With a method that draws nothing, so that the many tiles of a large lake can be counted."""
    nothing = replace(
        tiles.METHODS["tin"], draw=lambda part, learned, progress: Surface(*(part.grid,) * 3)
    )
    monkeypatch.setitem(tiles.METHODS, "tin", nothing)
    soundings, shore = large_lake()
    f = framed(soundings, shore)
    known = Growth(0.05, 1.0, 0.1, 0.0, 99)
    record, bands, _, total = drawn(f, Record("tin", {}, CELL, SPACING, GAP, known))
    assert total > 100
    for name, edited in edits(shore):
        later = framed(soundings, edited)
        new, _, _, count = drawn(later, record, (f.grid, bands))
        anew = drawn(later, replace(record, tiles={}))[0]
        assert record_to_text(new) == record_to_text(anew), name
        # Nodes change within two lane spacings.
        changed = shore.symmetric_difference(edited).bounds or [np.nan] * 4
        west, south, east, north = changed + 2.0 * SPACING * np.array([-1, -1, 1, 1])
        (top, bottom), (left, right) = later.grid.rows_cols([west, east], [north, south])
        near = sum(
            top < t.drawn_rows.stop
            and bottom > t.drawn_rows.start
            and left < t.drawn_cols.stop
            and right > t.drawn_cols.start
            for t in tiles.tiles_of(later, "tin")
        )
        assert near < 0.2 * total
        assert (count > 0) == (near > 0), name
        assert count <= near + len(set(new.tiles) - set(record.tiles)), name


def test_into_a_copy_only_what_is_drawn_is_written(small, survey, shoreline):
    f = framed(survey, shoreline)
    record, bands, _, _ = drawn(f, learned(f, "tin"))
    deeper = np.where(np.hypot(survey.x + 300.0, survey.y) < 20.0, 30.0, survey.depth)
    later = framed(survey.replace(depth=deeper), shoreline)
    copy, written = [band.copy() for band in bands], []

    def write(rows, cols, part):
        written.append((rows, cols))
        for band, values in zip(copy, part):
            band[rows, cols] = values

    _, figures, count = tiles.draw(
        later,
        record,
        write,
        old_grid=f.grid,
        rewrite=False,
        read=lambda rows, cols: pytest.fail("cells that stay are read"),
    )
    _, expected, whole, _ = drawn(later, replace(record, tiles={}))
    assert_same(copy, expected)
    assert 0 < len(written) == count < len(record.tiles)
    assert (figures.cells, figures.mean, figures.low, figures.high, figures.outside) == (
        whole.cells,
        whole.mean,
        whole.low,
        whole.high,
        whole.outside,
    )
    assert figures.uncertainty(0.5) == whole.uncertainty(0.5)


@EVERY
@pytest.mark.parametrize("ashore", [True, False])
def test_nodes_that_are_made_of_parts_change_no_bit(small, survey, shoreline, method, ashore):
    shore = shoreline if ashore else None
    f, later = (framed(survey, shore, later=wait) for wait in (False, True))
    assert not (later.nodes.kind == SOUNDING).any()
    record = learned(f, method)
    whole, expected, _, _ = drawn(f, record)
    parts, bands, _, _ = drawn(later, record)
    assert_same(bands, expected)
    assert record_to_text(parts) == record_to_text(whole)
    assert drawn(later, whole, (f.grid, bands))[3] == 0
    np.testing.assert_array_equal(later.complete().nodes.xy, f.nodes.xy)


def test_a_hole_deeper_than_all_before_is_not_cut_off(small, survey, shoreline):
    """The smooth surface ends at the deepest sounding: a new one must move that limit."""
    hole = np.hypot(survey.x + 300.0, survey.y) < 25.0
    f = framed(survey, shoreline)
    record, bands, figures, total = drawn(f, learned(f, "smooth"))
    deeper = survey.replace(depth=np.where(hole, survey.depth + 30.0, survey.depth))
    later = framed(deeper, shoreline)
    new, updated, after, count = drawn(later, record, (f.grid, bands))
    _, expected, _, _ = drawn(later, replace(record, tiles={}))
    assert_same(updated, expected)
    assert after.high > figures.high + 10.0
    assert new.learned.high == deeper.depth.max()
    assert count < total
    back, restored, _, _ = drawn(f, new, (later.grid, updated))
    assert_same(restored, bands)
    assert back.learned == record.learned or back.learned.high == record.learned.high


@EVERY
def test_other_settings_are_never_taken_over(small, survey, shoreline, method):
    f = framed(survey, shoreline)
    record, bands, _, total = drawn(f, learned(f, method))
    change = {"noise": record.learned.noise * 2.0}
    other = replace(record, learned=replace(record.learned, **change))
    assert drawn(f, other, (f.grid, bands))[3] == total


@EVERY
def test_a_record_survives_as_text(survey, shoreline, method):
    f = framed(survey, shoreline)
    record, *_ = drawn(f, learned(f, method))
    text = record_to_text(record)
    back = record_from_text(text)
    assert record_to_text(back) == text
    assert back.tiles == record.tiles
    assert drawn(f, back, (f.grid, drawn(f, record)[1]))[3] == 0
    # As the version before wrote it, whose tiles had other digests.
    former = {**json.loads(text), "version": 2, "tiles": {"whole": ["0" * 24, 1.0, 2.0]}}
    assert record_from_text(json.dumps(former)) == replace(record, tiles={})


@pytest.mark.parametrize("text", ["", "{", "[]", "7", '{"version": 2}', '{"version": 3}'])
def test_a_surface_that_does_not_say_how_it_was_drawn(text):
    with pytest.raises(LakefloorError, match="does not say how it was made"):
        record_from_text(text)


def test_a_sample_of_a_large_lake_teaches_the_same(monkeypatch, survey, shoreline):
    f = framed(survey, shoreline)
    whole = {
        method: learning.learned_record(f, method, OPTIONS[method]) for method in tiles.METHODS
    }
    monkeypatch.setattr(learning, "LEARNED_WHOLE", 1000)
    monkeypatch.setattr(learning, "_SIDE", 64)
    monkeypatch.setattr(learning, "_SAMPLE_CELLS", 3 * 64**2)
    sample = learning._sample(f)
    assert 0.2 * len(survey) < len(sample.soundings) < 0.9 * len(survey)
    for method, record in whole.items():
        found = learning.learn(f, method, OPTIONS[method], beam=record.beam)
        known = record.learned
        if method == "smooth":
            assert (found.low, found.high) == (known.low, known.high)
            assert found.fit.give == known.fit.give
            assert found.fit.lane_out_rmse == pytest.approx(known.fit.lane_out_rmse, rel=0.3)
        else:
            # Windows this small are mostly rim, where gaps are wider: on the safe side.
            ratio = found.of(SPACING / 2.0, 0.1) / known.of(SPACING / 2.0, 0.1)
            assert (0.5 if record.beam else 0.7) < ratio < 2.2


@given(
    west=st.integers(-3000, 3000),
    north=st.integers(-3000, 3000),
    rows=st.integers(1, 400),
    cols=st.integers(1, 400),
    gap=st.floats(1.0, 2000.0),
)
@settings(max_examples=60, deadline=None)
def test_tiles_cover_every_cell_once(west, north, rows, cols, gap):
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(tiles, "ONE_TILE", 5000)
        patch.setattr(tiles, "_SIDE", 64)
        patch.setattr(tiles, "_WIDE_SIDE", 128)
        void = np.broadcast_to(np.nan, (rows, cols))
        f = Frame(None, None, Grid(void, west * 2.0, north * 2.0, 2.0, 2.0), gap / 2.5, gap)
        every = tiles.tiles_of(f, "tin")
    covered = np.zeros((rows, cols), int)
    for tile in every:
        covered[tile.rows, tile.cols] += 1
        assert tile.rows.stop > tile.rows.start
        assert tile.cols.stop > tile.cols.start
        if len(every) > 1:
            # From the origin of the CRS, with two gaps of halo.
            assert (tile.drawn_rows.start - north) % 64 == (west + tile.drawn_cols.start) % 64 == 0
            assert 2.0 * (tile.rows.start - tile.drawn_rows.start) >= 2.0 * gap
            assert 2.0 * (tile.drawn_cols.stop - tile.cols.stop) >= 2.0 * gap
    assert (covered == 1).all()
    assert len({tile.key for tile in every}) == len(every)


def test_cancelling_stops_the_threads(small, survey, shoreline):
    f = framed(survey, shoreline)
    record = learned(f, "tin")
    threads = threading.active_count()

    def stop(fraction):
        if fraction > 0.2:
            raise Cancelled

    written = []
    with pytest.raises(Cancelled):
        tiles.draw(f, record, lambda rows, cols, bands: written.append(rows), progress=stop)
    assert 0 < len(written) < len(tiles.tiles_of(f, "tin"))
    assert threading.active_count() == threads


def test_an_error_of_the_writer_stops_the_threads(small, survey, shoreline):
    f = framed(survey, shoreline)
    threads = threading.active_count()

    def full(rows, cols, bands):
        raise LakefloorError("disk full")

    with pytest.raises(LakefloorError, match="disk full"):
        tiles.draw(f, learned(f, "tin"), full)
    assert threading.active_count() == threads


def test_soundings_off_the_shoreline_are_counted(small, survey, shoreline):
    f = framed(survey, shoreline.buffer(-40.0))
    _, bands, figures, _ = drawn(f, learned(f, "tin"))
    row, col = (np.rint(part).astype(int) for part in f.grid.rows_cols(survey.x, survey.y))
    inside = (row >= 0) & (row < f.grid.shape[0]) & (col >= 0) & (col < f.grid.shape[1])
    missing = np.isnan(bands[0][row[inside], col[inside]]).sum()
    assert figures.outside == pytest.approx(missing, abs=2)
