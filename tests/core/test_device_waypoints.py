"""Waypoints, routes and tracks as a device shows them."""

import numpy as np
import pytest

from lakefloor.algorithms.core.errors import LakefloorError
from lakefloor.algorithms.core.exchange.device_waypoints import (
    DeviceRules,
    Places,
    contour_names,
    device_routes,
    device_tracks,
    device_waypoints,
)


def places(**columns):
    empty = ["", ""]
    given = {
        "names": ["West hump", "West hump"],
        "notes": ["weeds", ""],
        "symbols": empty,
        "times": empty,
        **columns,
    }
    return Places(
        np.array([-93.1, -93.2]), np.array([45.1, 45.2]), np.array([3.6576, np.nan]), **given
    )


def test_names_end_in_the_depth_where_there_is_one():
    points, notes = device_waypoints(places(), DeviceRules())
    # 12 international feet are 3.6576 m.
    assert [p.name for p in points] == ["West 12FT", "West hump"]
    assert [(p.lon, p.lat, p.note, p.symbol) for p in points] == [
        (-93.1, 45.1, "weeds", "Waypoint"),
        (-93.2, 45.2, "", "Waypoint"),
    ]
    assert not notes
    plain, _ = device_waypoints(places(), DeviceRules(depth_in_name=False))
    assert [p.name for p in plain] == ["West hump", "West hump2"]


def test_elevation_is_written_only_where_the_datum_is_known():
    points, _ = device_waypoints(places(), DeviceRules())
    assert np.isnan([p.elevation for p in points]).all()
    points, _ = device_waypoints(places(), DeviceRules(), datum_elevation=100.0)
    assert points[0].elevation == pytest.approx(96.3424)
    assert np.isnan(points[1].elevation)


def test_times_that_cannot_be_read_are_noted():
    points, notes = device_waypoints(
        places(times=["2026-07-09T14:00:00Z", "noon"]), DeviceRules(symbol="Flag")
    )
    assert str(points[0].time) == "2026-07-09T14:00:00.000"
    assert np.isnat(points[1].time)
    assert notes == ("1 of 2 times unreadable, and left out.",)
    assert {p.symbol for p in points} == {"Flag"}


def test_routes_number_their_points_and_have_an_end():
    line = np.column_stack([np.linspace(-93.1, -93.0, 3), np.full(3, 45.0)])
    (route,) = device_routes([line], ["Lane 7"], DeviceRules())
    assert [p.name for p in route.points] == ["Lane 7-1", "Lane 7-2", "Lane 7-3"]
    with pytest.raises(LakefloorError, match="'Lane 7' has 1000 points"):
        device_routes([np.zeros((1000, 2))], ["Lane 7"], DeviceRules())


def test_contours_of_one_depth_are_one_track_and_long_ones_are_cut():
    line = np.column_stack([np.linspace(-93.1, -93.0, 5), np.full(5, 45.0)])
    names = contour_names([12.0, 12.0], ["ft", "ft"])
    (track,) = device_tracks([line, line + 0.1], names, [3.6576, 3.6576], DeviceRules())
    assert (track.name, len(track.segments), track.depth) == ("12 FT", 2, 3.6576)
    cut = device_tracks([line], ["12 FT"], [np.nan], DeviceRules(max_track_points=3))
    assert [t.name for t in cut] == ["12 FT", "12 FT2"]
    assert all(sum(len(s) for s in t.segments) <= 3 for t in cut)
