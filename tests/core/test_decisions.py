"""Decisions on single soundings: the status that follows, and which pings are the same."""

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from lakefloor.algorithms.core.visits.by_hand import STATUS_KINDS, count_statuses
from lakefloor.algorithms.core.visits.decisions import (
    ACCEPT_PINGS,
    CLEAR_PINGS,
    NO_REASON,
    PING_DECISIONS,
    REJECT_PINGS,
    said_by_cleaning,
    same_rows,
    status_decided,
)

CLEANED = st.sampled_from(["accepted", "spike", "too shallow"])
BENEATH = st.sampled_from(
    ["superseded by June", "bottom changed 2025-10-12", "held back: visit switched off"]
)
BY_HAND = st.sampled_from(["held back: weeds", "rejected by hand: fish"])
REASON = st.sampled_from(["", "fish"])


@given(CLEANED, REASON)
def test_a_decision_wins_over_cleaning_and_is_taken_back(said, reason):
    rejected = status_decided(REJECT_PINGS, said, said, reason)
    assert rejected == f"rejected by hand: {reason or NO_REASON}"
    accepted = status_decided(ACCEPT_PINGS, rejected, said, reason)
    assert accepted == "accepted"
    for status in (said, rejected, accepted):
        assert status_decided(CLEAR_PINGS, status, said, "") == said


@given(st.sampled_from(PING_DECISIONS), BENEATH, REASON)
def test_what_is_not_mapped_for_another_reason_keeps_its_status(decision, status, reason):
    assert said_by_cleaning(status) == "accepted"
    assert status_decided(decision, status, "accepted", reason) == status
    # A sounding that cleaning rejected was mapped since a person accepted it.
    assert status_decided(CLEAR_PINGS, status, "spike", "") == "spike"


@given(BY_HAND, REASON)
def test_a_newer_word_of_a_person_counts(status, reason):
    assert status_decided(ACCEPT_PINGS, status, "accepted", reason) == "accepted"
    assert status_decided(REJECT_PINGS, status, "accepted", "x") == "rejected by hand: x"


@given(st.sampled_from(PING_DECISIONS), st.one_of(CLEANED, BENEATH, BY_HAND), CLEANED, REASON)
def test_nothing_of_a_visit_that_is_off_is_mapped(decision, status, said, reason):
    if status != "accepted":
        assert status_decided(decision, status, said, reason, off=True) != "accepted"


times = st.sampled_from([np.datetime64("NaT", "ms"), *np.arange(2).astype("datetime64[ms]")])
numbers = st.sampled_from([np.nan, 0.0, -0.0, 1.0])
pings = st.lists(st.tuples(times, numbers, numbers), max_size=12)


def columns(rows):
    time, x, y = zip(*rows) if rows else ([], [], [])
    return np.array(time, "datetime64[ms]"), np.array(x, float), np.array(y, float)


@given(pings, pings)
def test_pings_are_paired_as_a_list_of_them_would_be(held, asked):
    def key(ping):
        time, x, y = ping
        return (str(time), str(x + 0.0), str(y + 0.0))

    left = [(key(ping), row) for row, ping in enumerate(asked)]
    expected = []
    for ping in held:
        at = next((k for k, (other, _) in enumerate(left) if other == key(ping)), None)
        expected.append(-1 if at is None else left.pop(at)[1])
    assert same_rows(columns(held), columns(asked)).tolist() == expected


@given(st.lists(st.one_of(CLEANED, BENEATH, BY_HAND)))
def test_each_status_is_of_one_kind(status):
    counts = count_statuses(status)
    assert tuple(counts) == STATUS_KINDS
    assert sum(counts.values()) == len(status)
    assert counts["accepted"] == status.count("accepted")
