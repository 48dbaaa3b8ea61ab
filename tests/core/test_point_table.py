"""Soundings from columns of a point table."""

import numpy as np
import pytest

from lakefloor.algorithms.core.errors import LakefloorError
from lakefloor.algorithms.core.reading.point_table import (
    PointColumns,
    PointUnits,
    soundings_from_points,
)


def test_units_and_sign_in_the_order_given():
    got, _, left_out, notes = soundings_from_points(
        PointColumns(
            [1.0, 2.0, np.nan, 4.0],
            [0.0] * 4,
            [-10.0, -20.0, -5.0, np.nan],
            time=["2026-07-09T09:23:06", "2026-07-09T09:23:05", "", ""],
            visit=["", "May", None, "May"],
            water_temp=[68.0] * 4,
            speed=[10.0] * 4,
            course=[271.5] * 4,
        ),
        PointUnits("ft", "up", "F", "kn", "America/Chicago"),
    )
    # NIST SP 811: 1 ft = 0.3048 m, 1 knot = 1852/3600 m/s; 68 F = 20 C.
    np.testing.assert_allclose(got.raw_depth, [3.048, 6.096])
    np.testing.assert_allclose(got.speed, 5.144444444)
    np.testing.assert_allclose(got.water_temp, 20.0)
    assert got.time.astype(str).tolist() == ["2026-07-09T14:23:06.000", "2026-07-09T14:23:05.000"]
    assert got.visit.tolist() == ["2026-07-09", "May"]
    assert left_out == {"no geometry": 1, "no depth or not a number": 1}
    assert "Times without a time zone are read as America/Chicago." in notes


def test_without_times_the_order_given_is_kept():
    got, *_ = soundings_from_points(PointColumns(np.zeros(40), np.arange(40) * 3.0, np.ones(40)))
    np.testing.assert_array_equal(got.y, np.arange(40) * 3.0)
    assert set(got.visit) == {"undated"}
    assert set(got.lane) == {1}
    assert np.isnan(got.hardness).all()


@pytest.mark.parametrize(
    ("options", "reason"),
    [
        ({"depth_unit": "yd"}, "'yd' is not known"),
        ({"positive": "left"}, "'left'"),
        ({"speed_unit": "c"}, "'c'"),
        ({"water_temp_unit": "K"}, "'K'"),
    ],
)
def test_unknown_units(options, reason):
    with pytest.raises(LakefloorError, match=reason):
        soundings_from_points(PointColumns([0.0], [0.0], [1.0]), PointUnits(**options))


def test_nothing_usable_is_said():
    with pytest.raises(LakefloorError, match="no geometry: 1; no depth or not a number: 1"):
        soundings_from_points(PointColumns([np.nan, 1.0], [0.0, 0.0], [1.0, np.nan]))
    with pytest.raises(LakefloorError, match="layer is empty"):
        soundings_from_points(PointColumns([], [], []))


def test_a_hardness_that_is_no_number_leaves_the_others_as_they_are():
    soundings, *_ = soundings_from_points(
        PointColumns([0.0, 1.0, 2.0], [0.0, 0.0, 0.0], [1.0, 1.0, 1.0], hardness=[0.2, np.inf, 0.8])
    )
    np.testing.assert_array_equal(soundings.hardness, [0.2, np.nan, 0.8])
