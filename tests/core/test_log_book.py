"""What the log-book of a lake says of a visit, and what a person set aside."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from shapely.geometry import MultiPolygon, Point, Polygon, box

from lakefloor.algorithms.core.correcting.corrections import correct_depths
from lakefloor.algorithms.core.soundings import Soundings
from lakefloor.algorithms.core.visits import by_hand
from lakefloor.algorithms.core.visits.by_hand import (
    VisitPart,
    carried_over,
    concerned,
    day_of_change,
    status_after,
)
from lakefloor.algorithms.core.visits.log_book import (
    FITTED,
    GAUGE_READINGS,
    LEVEL_UNKNOWN,
    NOT_REDUCED,
    ONE_LEVEL,
    VisitFacts,
    facts_of,
)


def log(*corrections):
    n = len(corrections)
    return Soundings.build(
        np.arange(n), np.zeros(n), np.full(n, 3.0), corrections=np.array(corrections, object)
    )


@pytest.mark.parametrize(
    ("corrections", "expected"),
    [
        (["from=surface"], (None, None, NOT_REDUCED, None)),
        (["datum=dock;datum_elev_m=1;level_m=1.200"] * 3, (None, 1.2, ONE_LEVEL, None)),
        (
            ["draft_m=0.3;datum=dock;datum_elev_m=1;level_m=1.200"] * 3
            + ["draft_m=0.3;datum=dock;datum_elev_m=1;level_m=1.240"],
            (0.3, 1.21, GAUGE_READINGS, None),
        ),
        (["datum=water level of 2024-05-14;level=unknown"], (None, None, LEVEL_UNKNOWN, None)),
        (
            ["datum=dock;datum_elev_m=1;level=unknown;level_offset_m=-0.31;level_offset_sd_m=0.02"],
            (None, None, FITTED, (-0.31, 0.02)),
        ),
        (
            ["draft_m=0.4;datum=dock;datum_elev_m=1;level_m=1.2;level_offset_m=0.1"],
            (0.4, 1.2, ONE_LEVEL, (0.1, None)),
        ),
        (["draft_m=odd;level_m=inf"], (None, None, NOT_REDUCED, None)),
    ],
)
def test_what_follows_from_corrections(corrections, expected):
    facts = facts_of(log(*corrections))
    draft, level, way, offset = expected
    assert (facts.draft_m, facts.level_m, facts.level_from) == (draft, level, way)
    assert (facts.offset_m, facts.offset_sd_m) == (offset or (None, None))


def test_a_level_that_was_given_and_fitted_anew_is_fitted():
    facts = facts_of(log("level_m=1.005;level_from=fit;given_level_m=1.200;level_offset_m=0.195"))
    assert (facts.level_from, facts.level_m, facts.offset_m) == (FITTED, 1.005, 0.195)


def test_the_draft_that_depths_were_corrected_with_is_the_one_of_the_log_book():
    raw = Soundings.build(np.arange(5.0), np.zeros(5), np.full(5, 4.0), water_temp=15.0)
    assert facts_of(correct_depths(raw, draft_m=0.35).soundings).draft_m == 0.35


text = st.text(
    st.characters(blacklist_categories=("Cs", "Cc"), blacklist_characters=";"), min_size=1
).map(str.strip)
number = st.one_of(st.none(), st.floats(-100, 100))
words = st.one_of(st.none(), text.filter(bool))
facts = st.builds(
    VisitFacts,
    st.lists(text.filter(bool), max_size=3).map(tuple),
    words, words, number, number, number, words, number, number, number, words,
)  # fmt: skip


@given(facts, facts)
def test_facts_come_back_from_the_table_and_newer_ones_win(a, b):
    assert VisitFacts.of_columns(a.columns()) == a
    new = a.updated(b)
    for name in ("owner", "beam_deg", "draft_m", "remark"):
        given_ = getattr(b, name)
        assert getattr(new, name) == (getattr(a, name) if given_ is None else given_)
    assert a.updated(VisitFacts()) == a
    assert set(a.extended(b).files) == set(a.files) | set(b.files)
    assert not a.contradicts(a)
    assert a.told().offset_m is None


def test_values_that_are_none_of_their_column_are_refused():
    good = VisitFacts(owner="Ada", beam_deg=20.0).columns()
    assert VisitFacts.of_columns([None, "Ada", None, 20, *good[4:]]).beam_deg == 20.0
    for k, value in ((1, 5), (3, "wide"), (10, b"x")):
        with pytest.raises((TypeError, ValueError)):
            VisitFacts.of_columns([*good[:k], value, *good[k + 1 :]])


# -- parts ---------------------------------------------------------------------------------------

TIME = np.array(["2024-05-14T14:00", "2024-05-14T15:00", "NaT"], "datetime64[ms]")


def test_a_part_in_time():
    here = np.zeros(3)
    start, stop = TIME[0], TIME[1]
    for part, expected in (
        (VisitPart(), [True, True, True]),
        (VisitPart(start=start, stop=stop), [True, False, False]),
        (VisitPart(start=stop), [False, True, False]),
        (VisitPart(stop=start, untimed=True), [False, False, True]),
    ):
        assert part.holds(here, here, TIME).tolist() == expected


RING = Polygon([(0, 0), (10, 0), (12, 7), (5, 11), (-2, 6)], [[(3, 3), (6, 3), (6, 6), (3, 6)]])


@given(st.lists(st.tuples(st.floats(-5, 30), st.floats(-5, 15)), min_size=1, max_size=30))
def test_a_part_in_place_is_that_of_shapely(points):
    area = MultiPolygon([RING, box(20, 0, 25, 5)])
    part = VisitPart.of(VisitPart(area).written())
    x, y = np.array(points).T
    held = part.holds(x, y, np.full(len(x), np.datetime64("NaT", "ms")))
    for (a, b), inside in zip(points, held):
        if area.boundary.distance(Point(a, b)) > 1e-9:
            assert inside == area.contains(Point(a, b))


def test_soundings_without_a_place_lie_in_no_area():
    nan = np.array([np.nan, 5.0, np.inf])
    assert not VisitPart(box(0, 0, 9, 9)).holds(nan, nan[::-1], TIME)[[0, 2]].any()


def test_which_statuses_an_action_concerns():
    status = np.array(
        [
            "accepted",
            "spike",
            "superseded by june",
            "held back: weeds",
            "rejected by hand: turn",
            "bottom changed 2025-10-12",
            "superseded by bottom changed",
        ],
        object,
    )
    mapped_or_by_hand = [True, False, False, True, True, True, False]
    for action in (by_hand.HOLD_BACK, by_hand.REJECT):
        assert concerned(action, status).tolist() == mapped_or_by_hand
    for day, rows in (("2025-10-11", [0, 5]), ("2025-10-12", [0]), ("2025-10-13", [0])):
        assert np.flatnonzero(concerned(by_hand.MARK_CHANGED, status, day)).tolist() == rows
    assert concerned(by_hand.ACCEPT, status).tolist() == [False, *mapped_or_by_hand[1:]]
    assert concerned(by_hand.REMOVE, status).all()
    superseded = concerned(by_hand.ACCEPT_SUPERSEDED, status)
    assert np.flatnonzero(superseded).tolist() == [2, 6]
    assert status_after(by_hand.ACCEPT_SUPERSEDED, "") == "accepted"
    assert day_of_change(status_after(by_hand.MARK_CHANGED, "2025-10-12")) == np.datetime64(
        "2025-10-12"
    )
    assert day_of_change("bottom changed one day") is None


def test_only_what_a_person_set_aside_is_carried_over():
    new = Soundings.build(np.zeros(4), np.zeros(4), np.ones(4)).replace(
        status=np.array(["accepted", "spike", "accepted", "accepted"], object)
    )
    before = np.array(["held back: weeds", "held back: weeds", "spike", ""], object)
    assert carried_over(new, before).status.tolist() == [
        "held back: weeds",
        "spike",
        "accepted",
        "accepted",
    ]
