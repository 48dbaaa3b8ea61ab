"""Structures in words, by hand."""

import math

import numpy as np
import pytest

from lakefloor.algorithms.core.errors import LakefloorError
from lakefloor.algorithms.core.wording.page_layout import grid_digits
from lakefloor.algorithms.core.wording.sheet_text import position_text
from lakefloor.algorithms.core.wording.structure_text import drop_off_values, figure_lines, page_box


def test_figures_in_feet_and_in_meters():
    # 1 ft is 0.3048 m and 1 acre 4046.8564224 m2 by definition.
    values = {
        "top_depth_m": 3.048,
        "relief_m": -1.524,
        "length_m": 304.8,
        "area_m2": 4046.8564224,
        "orientation_deg": 44.0,
        "slope_pct": 12.4,
        "confidence": 0.93,
        "name": "Tall Rock",
        "saddle_depth_m": None,
        "bottom_depth_m": math.nan,
        "description": "rock, steep",
    }
    assert figure_lines(values, "ft") == [
        "Shallowest point: 10 ft",
        "Relief: 5 ft",
        "Length: 1,000 ft",
        "Area: 1.00 acres",
        "Direction: 44° (northeast)",
        "Mean slope: 12%",
        "Confidence: 93%",
        "rock, steep",
    ]
    assert figure_lines({"area_m2": 4046.9, "width_m": 12.3}, "m") == [
        "Width: 12 m",
        "Area: 4,047 m²",
    ]
    assert figure_lines({"area_m2": 25_000.0, "depth_m": "deep"}, "m") == ["Area: 2.50 ha"]


@pytest.mark.parametrize(
    ("degrees", "name"),
    [
        (0, "north"),
        (22.4, "north"),
        (22.6, "northeast"),
        (337.6, "north"),
        (270, "west"),
        (359.9, "north"),
    ],
)
def test_directions(degrees, name):
    (line,) = figure_lines({"orientation_deg": degrees}, "ft")
    assert line.endswith(f"({name})")


def test_a_drop_off_of_its_three_lines():
    common = {
        "height_m": 3.0,
        "width_m": 20.0,
        "slope_mean_pct": 15.0,
        "slope_max_pct": 30.0,
        "confidence": 1.0,
    }
    rows = [
        {**common, "kind": kind, "depth_mean_m": depth, "length_m": length}
        for kind, depth, length in (
            ("crest", 2.0, 90.0),
            ("steepest", 3.5, 100.0),
            ("toe", 5.0, 110.0),
        )
    ]
    values = drop_off_values(rows)
    assert values["crest_depth_m"] == 2.0
    assert values["toe_depth_m"] == 5.0
    assert values["length_m"] == 100.0
    assert "toe_depth_m" not in drop_off_values(rows[:1])


def test_boxes_have_room_around():
    assert page_box(0, 0, 0, 0) == (-30, -30, 30, 30)
    assert page_box(0, 0, 800, 80) == (-100, -100, 900, 180)
    with pytest.raises(LakefloorError, match="no geometry"):
        page_box(math.inf, 0, 1, 1)


def test_positions_in_degrees_and_minutes():
    # 46.5 degrees are 46 degrees 30 minutes; 59.9999 minutes make a full degree.
    assert position_text(46.5, -94.25) == "46° 30.000′ N, 094° 15.000′ W"
    assert position_text(-0.99999999, 179.5) == "01° 00.000′ S, 179° 30.000′ E"
    assert [grid_digits(m) for m in (0.01, 0.2, 0.5, 1.0, 30.0)] == [2, 1, 1, 0, 0]


def test_figures_of_any_number_type_are_shown():
    values = {"depth_m": np.float32(2.5), "area_m2": np.int64(900), "orientation_deg": 359.7}
    assert figure_lines(values, "m") == ["Depth: 2.5 m", "Area: 900 m²", "Direction: 0° (north)"]
