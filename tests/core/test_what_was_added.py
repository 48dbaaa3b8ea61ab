"""What visits add to a map: figures of a basin whose area and volume are known by formula."""

import doctest

import numpy as np
import pytest
from shapely.geometry import box

from lakefloor.algorithms.core.errors import LakefloorError
from lakefloor.algorithms.core.figures import map_figures, what_was_added
from lakefloor.algorithms.core.figures.map_figures import Scale, draw_before_and_after
from lakefloor.algorithms.core.soundings import Soundings, concatenate
from lakefloor.algorithms.core.surface.smooth_surface import smooth_surface
from lakefloor.algorithms.core.visits.as_of import Knowledge

#: A tray: flat, 4 m deep, 300 m by 200 m; its bank is 10 m wide.
SHORE = box(0.0, 0.0, 300.0, 200.0)
SCALE = Scale(SHORE, 0.5, "m")
DEEP, BANK = 4.0, 10.0
DAYS = {"first": "2021-06-01T15:00", "second": "2023-06-01T15:00", "third": "2024-06-01T15:00"}
BEGAN = {name: np.datetime64(day, "ms") for name, day in DAYS.items()}


def tray(x, y):
    inward = np.minimum(np.minimum(x, 300.0 - x), np.minimum(y, 200.0 - y))
    return DEEP * np.minimum(inward / BANK, 1.0)


def lanes(name, eastings, offset=0.0, seed=0, across=()):
    """Lanes from south to north, 2 m apart along, and cross-lines."""
    rng = np.random.default_rng(seed)
    north = np.arange(2.0, 199.0, 2.0)
    east = np.arange(2.0, max(eastings) + 1.0, 2.0)
    x = [np.full(north.size, float(e)) for e in eastings] + [east for _ in across]
    y = [north[:: 1 if k % 2 else -1] for k in range(len(eastings))]
    y += [np.full(east.size, float(at)) for at in across]
    lane = np.repeat(np.arange(1, len(x) + 1), [len(v) for v in x])
    x, y = np.concatenate(x), np.concatenate(y)
    return Soundings.build(
        x,
        y,
        tray(x, y) + offset + rng.normal(0.0, 0.02, x.size),
        uncert=0.03,
        visit=name,
        lane=lane,
        time=BEGAN[name] + np.arange(x.size) * np.timedelta64(1, "s"),
        corrections="datum=pool;datum_elev_m=1.0",
    )


FIRST = lanes("first", np.arange(10.0, 160.0, 20.0), seed=1)
SECOND = lanes("second", np.arange(20.0, 300.0, 20.0), seed=2, across=(100.0,))


def without(*names, stop=None):
    return Knowledge(stop, BEGAN, frozenset(names))


@pytest.fixture(scope="module")
def second():
    return what_was_added.what_was_added(
        concatenate([FIRST, SECOND]), without("second"), SCALE, cell=2.0
    )


def test_both_maps_and_what_the_visit_covers_anew(second):
    """The first visit reaches 150 m east, and a map as far as the search distance of 50 m."""
    before, after = second.before, second.after
    assert (before.soundings, after.soundings) == (len(FIRST), len(FIRST) + len(SECOND))
    assert after.area == pytest.approx(300.0 * 200.0, rel=0.01)
    assert before.area == pytest.approx(200.0 * 200.0, rel=0.03)
    assert second.new_area == pytest.approx(after.area - before.area)
    assert before.surface.depth.shape == after.surface.depth.shape


def test_volume_is_that_of_the_tray(second):
    """A frustum: h/3 (A1 + A2 + sqrt(A1 A2)), of unlike sides as a prismoid, h/6 (A1 + 4 M + A2)."""
    top, middle, foot = 300.0 * 200.0, 290.0 * 190.0, 280.0 * 180.0
    volume = second.after.statistics.figures["volume"]
    assert volume.value == pytest.approx(
        DEEP / 6.0 * (top + 4.0 * middle + foot), abs=3.0 * volume.sd
    )


def test_visit_tracks_and_depths(second):
    (visit,) = second.visits
    assert (visit.name, visit.days) == ("second", ["2023-06-01"])
    assert (visit.soundings, visit.rejected) == (len(SECOND), 0)
    # 14 lanes of 196 m, a cross-line of 278 m, and the ways of 20 m between the lanes.
    assert visit.track_m == pytest.approx(14 * 196.0 + 278.0 + 13 * 20.0, rel=0.01)
    assert visit.shallowest == SECOND.depth.min()
    assert visit.deepest == SECOND.depth.max()
    lengths = np.hypot(*np.diff(second.track, axis=0).T)
    assert np.nansum(lengths) == pytest.approx(visit.track_m)


def test_offset_of_a_visit_is_found_where_tracks_meet():
    deeper = lanes("second", np.arange(20.0, 160.0, 20.0), 0.2, seed=3, across=(60.0, 100.0, 140.0))
    found = what_was_added.what_was_added(
        concatenate([FIRST, deeper]), without("second"), SCALE, cell=4.0
    )
    (visit,) = found.visits
    assert visit.places >= 20
    assert visit.offset == pytest.approx(0.2, abs=3.0 * visit.offset_sd)
    assert 0.0 < visit.offset_sd < 0.05


def test_the_map_after_is_the_smooth_surface(second):
    """Beside the routine that draws one surface, with the same settings."""
    surface, _ = smooth_surface(
        concatenate([FIRST, SECOND]),
        cell=2.0,
        max_gap=float(np.nanmax(second.after.surface.distance.values)) + 1.0,
        shoreline=SHORE,
    )
    drawn = second.after.surface
    known = np.isfinite(surface.depth.values)
    assert (known == np.isfinite(drawn.depth.values)).mean() > 0.999
    both = known & np.isfinite(drawn.depth.values)
    difference = surface.depth.values[both] - drawn.depth.values[both]
    assert np.abs(difference).max() < 0.01


def test_where_nothing_was_added_the_maps_are_alike():
    twice = [FIRST, lanes("second", [280.0, 290.0], seed=4)]
    before, after = draw_before_and_after(FIRST, concatenate(twice), SHORE, 2.0)
    west = before.depth.x < 60.0
    difference = after.depth.values[:, west] - before.depth.values[:, west]
    stated = np.nanmedian(before.uncertainty.values[:, west])
    assert np.sqrt(np.nanmean(difference**2)) < 0.1 * stated


def test_what_was_superseded_is_listed_and_does_not_lean_on_the_offset():
    pit = (np.abs(FIRST.x - 80.0) < 29.0) & (np.abs(FIRST.y - 100.0) < 29.0)
    newer = lanes("third", np.arange(45.0, 120.0, 10.0), seed=5, across=(90.0, 150.0))
    dug = (np.abs(newer.x - 80.0) < 29.0) & (np.abs(newer.y - 100.0) < 29.0)
    newer = newer.replace(depth=newer.depth + 1.0 * dug)
    older = FIRST.replace(status=np.where(pit, "superseded by third", FIRST.status).astype(object))
    found = what_was_added.what_was_added(
        concatenate([older, newer]), without("third"), SCALE, cell=2.0
    )
    (row,) = found.superseded
    assert (row.older, row.by, row.soundings) == ("first", "third", int(pit.sum()))
    assert (row.x, row.y) == pytest.approx((80.0, 100.0), abs=10.0)
    assert row.change == pytest.approx(1.0, abs=0.1)
    assert len(found.changed_places) == pit.sum()
    assert found.before.soundings == len(FIRST)
    assert abs(found.visits[0].offset) < 0.03
    assert found.difference.area_deeper == pytest.approx(58.0 * 58.0, rel=0.3)
    assert found.total("soundings") == len(newer)


def test_the_first_visit_has_nothing_before():
    found = what_was_added.what_was_added(SECOND, without("second"), SCALE, cell=4.0)
    assert found.before is None
    assert found.difference is None
    assert found.new_area == found.after.area
    assert np.isnan(found.common).all()
    assert np.isnan(found.visits[0].offset)
    assert found.notes == []


def test_too_little_before_is_said():
    two = FIRST.select(slice(0, 2))
    found = what_was_added.what_was_added(
        concatenate([two, SECOND]), without("second"), SCALE, cell=4.0
    )
    assert found.before is None
    assert "three or more places" in found.notes[0]


def test_a_visit_that_is_all_rejected_adds_nothing():
    spikes = SECOND.replace(status=np.full(len(SECOND), "spike", object))
    both = concatenate([FIRST, lanes("third", [200.0, 280.0]), spikes])
    found = what_was_added.what_was_added(both, without("second"), SCALE, cell=4.0)
    (visit,) = found.visits
    assert (visit.soundings, visit.rejected, visit.track_m) == (0, len(SECOND), 0.0)
    assert np.isnan(visit.deepest)
    assert found.new_area == 0.0
    assert found.before.area == found.after.area


def test_a_visit_without_times_comes_first():
    nat = np.full(len(SECOND), np.datetime64("NaT", "ms"))
    both = concatenate([FIRST, SECOND.replace(time=nat)])
    nothing = Knowledge(None, {}, frozenset(["first", "second"]))
    found = what_was_added.what_was_added(both, nothing, SCALE, cell=4.0)
    assert [v.name for v in found.visits] == ["second", "first"]
    assert found.visits[0].days == []


def test_nothing_to_draw_is_refused():
    none = FIRST.replace(status=np.full(len(FIRST), "spike", object))
    with pytest.raises(LakefloorError, match="None of the"):
        what_was_added.what_was_added(none, without("first"), SCALE)


def test_examples():
    for module in (map_figures, what_was_added):
        assert doctest.testmod(module).failed == 0
