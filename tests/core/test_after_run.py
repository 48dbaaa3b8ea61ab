"""What is said after a run: few sentences, true to the numbers, in the reader's unit."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from lakefloor.algorithms.core.wording.after_run import said_after_run

#: Numbers of the example lake's runs, with what they mean beside them.
MAP = {
    "smoothsurface:AREA_M2": 4046.8564224 * 60,  # sixty acres (NIST SP 811, appendix B)
    "smoothsurface:MAX_DEPTH": 0.3048 * 36,
    "smoothsurface:MEDIAN_UNCERTAINTY": 0.3048 * 0.25,
    "smoothsurface:P95_UNCERTAINTY": 0.3048,
    "smoothsurface:SOUNDINGS": 9412,
    "depthcontours:SUPPORTED_SHARE": 0.86,
    "breaklines:DROP_OFFS": 1,
    "breaklines:LENGTH_M": 1609.344,
}


def texts(*given):
    return [said.text for said in said_after_run(*given)]


def test_a_map_in_feet():
    assert texts("map", MAP, "ft") == [
        "The map covers 60.0 acres down to 36.0 ft, from 9,412 soundings.",
        "At a typical place, the depth is right within 0.5 ft, at the weakest 5% within 2.0 ft or "
        "more (95% confidence).",
        "86% of the length of the contours is supported; the rest is dashed.",
        "1 drop-off with 1.0 miles in all.",
        "Plan the next outing: it finds the lanes that help most.",
    ]


def test_a_map_in_meters():
    said = texts("map", MAP, "m")
    assert said[0] == "The map covers 24.3 ha down to 11.0 m, from 9,412 soundings."
    assert said[3] == "1 drop-off with 1.6 km in all."


@pytest.mark.parametrize(
    ("share", "words"), [(1.0, "all contours"), (0.997, "99%"), (0.0, "0% of the length")]
)
def test_nearly_all_is_not_all(share, words):
    said = texts("map", {**MAP, "depthcontours:SUPPORTED_SHARE": share}, "m")
    assert words in said[2]


def test_a_visit_that_was_there_already():
    numbers = {"addtodatabase:ADDED": 0, "addtodatabase:ALREADY_THERE": 12}
    assert texts("visits", numbers)[0] == (
        "All of these soundings were in the lake database already."
    )


def test_the_last_of_many_sentences_says_what_is_next():
    numbers = {
        "addtodatabase:ADDED": 80,
        "addtodatabase:CONTRADICTED_PCT": 1.0,
        "addtodatabase:VISIT_OFFSET": 0.1,
        "addtodatabase:OFFSET_UNCERTAINTY": 0.02,
        "addtodatabase:PATCH_COUNT": 2,
        "cleansoundings:TOTAL": 100,
        "cleansoundings:REJECTED": 20,
        "readlogs:UNREAD_COUNT": 1,
    }
    said = texts("visits", numbers)
    assert len(said) == 5
    assert said[-1].startswith("Map the lake next")


def test_links_name_layers_that_the_step_leaves():
    from lakefloor.algorithms._lake.steps import ROLES

    numbers = {
        **MAP,
        "cleansoundings:TOTAL": 100,
        "cleansoundings:REJECTED": 20,
        "addtodatabase:ADDED": 80,
        "addtodatabase:PATCH_COUNT": 2,
        "candidatespots:SPOTS": 3,
        "candidatespots:BEST_SCORE": 0.8,
        "nextouting:GAPS_COUNT": 2,
        "nextouting:GAP_AREA": 100.0,
        "nextouting:LANES": 1,
    }
    for step in ("visits", "map", "structure", "outing"):
        for said in said_after_run(step, numbers):
            assert said.role in ("", *ROLES)
        # What is next is said once, last, and without a link that stands above already.
        assert said.role == ""


NUMBERS = st.one_of(st.none(), st.floats(), st.integers(0, 10**7), st.just("nothing"))
NAMES = {
    "visits": ("cleansoundings:TOTAL", "cleansoundings:REJECTED", "addtodatabase:ADDED"),
    "map": ("smoothsurface:AREA_M2", "smoothsurface:MAX_DEPTH", "depthcontours:SUPPORTED_SHARE"),
    "structure": ("candidatespots:SPOTS", "bottomtype:HARD_PERCENT", "bottomtype:SOFT_PERCENT"),
    "outing": ("nextouting:GAPS_COUNT", "nextouting:GAP_AREA", "nextouting:LANES"),
}


@given(st.sampled_from(sorted(NAMES)), st.lists(NUMBERS, min_size=3, max_size=3))
def test_whatever_lacks_is_not_spoken_of(step, values):
    said = said_after_run(step, dict(zip(NAMES[step], values)))
    assert len(said) <= 5
    for each in said:
        assert "nan" not in each.text.lower()
        assert "inf" not in each.text.lower()
        assert each.text.endswith(".")


def test_a_step_by_hand_has_nothing_to_say():
    assert said_after_run("shoreline", {"smoothsurface:AREA_M2": math.pi}) == []


def test_gaps_without_room_for_a_lane_are_not_called_no_need():
    numbers = {"nextouting:GAPS_COUNT": 2, "nextouting:GAP_AREA": 2000.0, "nextouting:LANES": 0}
    said = [each.text for each in said_after_run("outing", numbers, "m")]
    assert said == [
        "2 survey gaps with 0.2 ha in all.",
        "None of them has room for a lane. Look at the structure of the bottom next.",
    ]
