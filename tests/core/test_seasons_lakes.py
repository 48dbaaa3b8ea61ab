"""The invented lakes of the seasons: what they say of their bottom holds by a second way."""

import numpy as np
import pytest
from shapely.geometry import Point

from lakefloor.tests.seasons.lakes import DUG, LAKES, SILT_FROM, YEAR, Silting

BEFORE, AFTER = np.datetime64("2021-06-01", "ms"), np.datetime64("2024-06-01", "ms")


@pytest.fixture(params=LAKES, scope="module")
def lake(request):
    return LAKES[request.param]()


def _cells(lake, u, v, reach, cell):
    """Return a grid of places about one place, m."""
    step = np.arange(-reach, reach, cell) + cell / 2.0
    east, north = np.meshgrid(step, step)
    return lake.origin[0] + u + east, lake.origin[1] + v + north


def test_the_volume_dug_is_that_of_the_depths(lake):
    dug = lake.dredging
    x, y = _cells(lake, dug.u, dug.v, dug.radius + 5.0, 0.25)
    # Without the mud, whose rim may reach the hole.
    mud = lake.silting.deeper(*lake.local(x, y), AFTER) - lake.silting.deeper(
        *lake.local(x, y), BEFORE
    )
    deeper = lake.depth(x, y, AFTER) - lake.depth(x, y, BEFORE) - mud
    assert np.isfinite(deeper).all()
    assert 0.25**2 * deeper.sum() == pytest.approx(dug.volume, rel=1e-3)
    assert deeper.max() == pytest.approx(dug.height, rel=1e-3)


def test_nothing_is_dug_before_its_day(lake):
    x, y = _cells(lake, lake.dredging.u, lake.dredging.v, 1.0, 0.5)
    day = np.timedelta64(1, "D")
    step = lake.depth(x, y, DUG + day) - lake.depth(x, y, DUG - day)
    assert step == pytest.approx(np.full(x.shape, lake.dredging.height), abs=2e-3)


def test_mud_settles_at_its_rate():
    mud = Silting(3.0, -4.0, 20.0, 0.06, SILT_FROM)
    u, v = np.meshgrid(np.arange(-150.0, 150.0), np.arange(-150.0, 150.0))
    years = 2.0 * YEAR
    assert -mud.deeper(u, v, SILT_FROM + years).sum() == pytest.approx(2.0 * mud.volume, rel=1e-3)
    assert mud.deeper(3.0, -4.0, SILT_FROM + years) == pytest.approx(-0.12)
    assert mud.deeper(3.0, -4.0, SILT_FROM - years) == 0.0


def test_depth_is_known_on_the_water_alone_and_ends_at_the_shore(lake):
    west, south, east, north = lake.shore.bounds
    rng = np.random.default_rng(3)
    x, y = rng.uniform(west, east, 1000), rng.uniform(south, north, 1000)
    wet = np.isfinite(lake.depth(x, y, BEFORE))
    inside = np.array([lake.shore.contains(Point(*place)) for place in zip(x, y)])
    off = np.array([lake.shore.boundary.distance(Point(*place)) for place in zip(x, y)])
    assert (wet == inside)[off > 0.5].all()
    assert (lake.depth(x, y, BEFORE)[wet] > -0.01).all()
    rings = [lake.shore.exterior, *lake.shore.interiors]
    edge = np.concatenate([np.array(ring.coords) for ring in rings])
    first = lake.depth(*edge.T, np.datetime64("2020-01-01", "ms"))
    assert np.nanmax(first) < 0.2


def test_lakes_lie_in_their_zones_on_both_sides_of_equator_and_greenwich():
    sides = set()
    for make in LAKES.values():
        lake = make()
        lon, lat = lake.to_degrees(*lake.origin)
        zone = lake.epsg % 100
        assert abs(lon - (6 * zone - 183)) < 3.0
        assert (lat < 0.0) == (lake.epsg // 100 == 327)
        sides.add((lat < 0.0, lon < 0.0))
        assert lake.to_utm(lon, lat) == pytest.approx(lake.origin, abs=1e-3)
    assert {(False, True), (True, True), (True, False)} <= sides


def test_the_level_swings_about_the_datum(lake):
    days = np.datetime64("2021-01-01", "ms") + np.arange(4 * 365) * np.timedelta64(1, "D")
    level = lake.level(days)
    assert np.abs(level).max() <= lake.swing
    assert np.ptp(level) > 1.5 * lake.swing
    assert abs(level.mean()) < 0.02


def test_hardness_is_a_share_and_high_on_hard_ground(lake):
    east, north, _ = lake.hard[0]
    x, y = lake.origin[0] + east, lake.origin[1] + north
    assert lake.hardness(x, y) == pytest.approx(0.65, abs=0.01)
    assert lake.hardness(x + 5000.0, y) == pytest.approx(0.3, abs=0.01)
