"""Plain words, against lengths and areas that others publish."""

import numpy as np
import pytest

from lakefloor.algorithms.core.figures.lake_statistics import lake_statistics
from lakefloor.algorithms.core.units import ACRE, ACRE_FOOT, FOOT
from lakefloor.algorithms.core.visits.crossing_report import difference_statistics
from lakefloor.algorithms.core.wording import plain_words
from lakefloor.algorithms.core.wording.sheet_facts import DatumFacts, SurveyFacts


@pytest.mark.parametrize(
    ("value", "two", "three"),
    [
        (0, "0", "0"),
        (0.3612, "0.36", "0.361"),
        (1.0, "1", "1"),
        (9.96, "10", "9.96"),
        (46.3, "46", "46.3"),
        (459.9, "460", "460"),
        (12_345.0, "12,000", "12,300"),
    ],
)
def test_numbers_to_two_and_to_three_figures(value, two, three):
    assert plain_words.about(value) == two
    assert plain_words.about(value, 3) == three


def test_sizes_in_fields():
    # NCAA football rules: 360 by 160 ft with end zones, 57,600 square feet or 1.32 acres.
    # FIFA, recommended pitch for top matches: 105 by 68 m, 0.714 ha.
    assert plain_words.size_words(60.5 * ACRE, "ft") == (
        "60.5 acres, about 46 American football fields"
    )
    assert plain_words.size_words(1.4 * ACRE, "ft").endswith("about 1.1 American football fields")
    one = plain_words.size_words(57_600 * FOOT**2, "ft")
    assert one.endswith("about 1 American football field")
    # A square mile is 640 acres.
    assert "1,280 acres (2 square miles)" in plain_words.size_words(1280 * ACRE, "ft")
    assert plain_words.size_words(714_000.0, "m") == "71.4 hectares, about 100 football pitches"
    assert plain_words.size_words(2.5e6, "m").startswith("2.5 square kilometers, ")


def test_volumes_in_pools():
    # 50 x 25 x 2 m are 2500 m3, or 2.027 acre-feet.
    assert plain_words.volume_words(932 * ACRE_FOOT, "ft").endswith("2 m deep, 460 times")
    assert plain_words.volume_words(1.0 * ACRE_FOOT, "ft") == "1 acre-foot"
    assert plain_words.volume_words(2.0 * ACRE_FOOT, "ft") == "2 acre-feet"
    assert plain_words.volume_words(1.0, "m") == "1 cubic meter"
    assert plain_words.volume_words(2500.0, "m").endswith("2 m deep, 1 time")
    assert plain_words.volume_words(1.15e6, "m").startswith("1.15 million cubic meters, ")


def test_days_as_people_write_them():
    assert plain_words.days_words([]) == ""
    assert plain_words.days_words(["2025-05-17"]) == "on May 17, 2025"
    assert plain_words.days_words(["2026-06-20", "2025-05-17", "2025-05-18"], visits=2) == (
        "on 2 visits between May 17, 2025 and June 20, 2026"
    )


def test_a_paraboloid_of_a_hundred_acres_and_thirty_feet():
    # Shared with the statistics' own test: volume 1500 acre-feet, mean depth 15 ft, half of the
    # area shallower than 15 ft; a foot lower, 29/30 of the area and its square of the volume.
    from shapely.geometry import Point

    from lakefloor.algorithms.core.grid import Grid, Surface

    radius, cell = np.sqrt(100 * ACRE / np.pi), 4.0
    n = int(radius / cell) + 3
    grid = Grid(np.empty((2 * n + 1,) * 2), -(n + 0.5) * cell, (n + 0.5) * cell, cell, cell)
    q = np.hypot(*np.meshgrid(grid.x, grid.y)) / radius
    depth = grid.like(np.where(q < 1, 30 * FOOT * (1 - q**2), np.nan))
    statistics = lake_statistics(Surface(depth, None, None), Point(0, 0).buffer(radius, 180))
    text = " ".join(plain_words.lake_sentences(statistics, "ft"))
    assert "covers 100 acres, about 76 American football fields" in text
    assert (
        "30 feet deep, about the height of a 3-story house. On average it is 15 feet deep."
    ) in text
    assert "1,500 acre-feet" in text
    assert "50% of the lake is shallower than 15 feet." in text
    assert "not been mapped" not in text
    text = " ".join(
        plain_words.level_sentences(
            "ft", statistics, DatumFacts("dock gauge", 0.6096, (0.6096, 0.9144))
        )
    )
    assert "lake level of 2.00 ft (dock gauge)" in text
    assert "the gauge stood between 2.00 and 3.00 ft" in text
    assert "When the gauge shows more, add the difference." in text
    assert "3.3 acres of bottom (3.3% of the lake) would fall dry. 6.6% of the water" in text
    unread = " ".join(
        plain_words.level_sentences(
            "m", statistics, DatumFacts("water level of 2026-05-14", level_known=False)
        )
    )
    assert (
        "counted from the water level of 2026-05-14. The lake level at that time is not known."
    ) in unread
    stated = " ".join(plain_words.level_sentences("m", statistics, DatumFacts("full pool", 100.0)))
    assert "100.00 m (full pool). When the lake is higher, add the difference." in stated
    assert "gauge" not in unread + stated
    assert "half a meter" in unread


def test_how_sure():
    text = " ".join(
        plain_words.survey_sentences(
            "ft",
            SurveyFacts(
                dates=["2025-05-17"],
                used=1234,
                lanes=20,
                spacing=15.24,
                crossings=difference_statistics(np.linspace(-0.3048, 0.3048, 101)),
                between=True,
            ),
            0.06096,
            0.75,
        )
    )
    assert "at 1,234 places on May 17, 2025. The boat drove 20 lanes, about 50 feet apart." in text
    # The 95th percentile of evenly spread differences up to one foot.
    assert "that of another visit 101 times" in text
    assert "within 0.96 feet in 95 of 100" in text
    assert "right within 0.39 feet in 95 of 100" in text  # 1.96 times 0.2 ft
    assert "25% of the length" in text
    few = " ".join(
        plain_words.survey_sentences(
            "m", SurveyFacts(used=10, lanes=1, crossings=difference_statistics(np.zeros(3)))
        )
    )
    assert "drove 1 lane." in few
    assert "too seldom" in few
    assert plain_words.survey_sentences("m", SurveyFacts()) == []


def test_what_the_map_shows():
    text = " ".join(plain_words.map_sentences("ft", 1.0, 5.0, True))
    assert "one line every foot, and a heavier one with its depth every 5 feet." in text
    assert "drop-offs" in text
    text = " ".join(plain_words.map_sentences("m", 0.5, np.nan, False))
    assert "every 0.5 meters." in text
    assert "line" not in " ".join(plain_words.map_sentences("m", np.nan, np.nan, False)).replace(
        "outline", ""
    )
