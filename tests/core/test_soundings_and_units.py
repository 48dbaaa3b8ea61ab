"""The table of soundings, its texts of corrections, and units of measure."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import constants

from lakefloor.algorithms.core import units
from lakefloor.algorithms.core.errors import LakefloorError
from lakefloor.algorithms.core.soundings import (
    Soundings,
    concatenate,
    distinct,
    parse_corrections,
    with_corrections,
)

WORDS = st.text(
    st.characters(blacklist_characters=";=", min_codepoint=33, max_codepoint=0x2FF),
    min_size=1,
    max_size=8,
)


def test_units_are_those_of_scipy():
    for ours, scipys in (
        (units.FOOT, constants.foot),
        (units.INCH, constants.inch),
        (units.US_SURVEY_FOOT, constants.survey_foot),
        (units.FATHOM, 6.0 * constants.foot),
        (units.KNOT, constants.knot),
        (units.MPH, constants.mph),
        (units.KMH, constants.kmh),
        (units.ACRE, constants.acre),
        (units.ACRE_FOOT, constants.acre * constants.foot),
    ):
        assert ours == pytest.approx(scipys, rel=1e-14)
    fahrenheit = np.array([32.0, 68.0, -40.0])
    np.testing.assert_allclose(
        units.fahrenheit_to_celsius(fahrenheit),
        constants.convert_temperature(fahrenheit, "F", "C"),
        atol=1e-12,
    )


def test_a_table_holds_copies_and_fills_what_was_not_logged():
    x = np.arange(3.0)
    made = Soundings.build(x, x + 1.0, [1.0, np.nan, 3.0], visit="a")
    x[:] = 9.0
    assert made.x.tolist() == [0.0, 1.0, 2.0]
    assert made.raw_depth.tolist()[::2] == [1.0, 3.0]
    assert made.accepted.tolist() == [True, False, True]
    assert np.isnat(made.time).all()
    assert made.lane.tolist() == [0, 0, 0]
    assert len(Soundings.build([], [], [])) == 0


def test_what_no_table_can_hold():
    with pytest.raises(LakefloorError, match=r"'speed' has shape \(2,\), expected \(3,\)"):
        Soundings.build(np.zeros(3), np.zeros(3), np.zeros(3), speed=np.zeros(2))
    with pytest.raises(TypeError, match="unknown soundings fields"):
        Soundings.build([0.0], [0.0], [0.0], colour="blue")
    with pytest.raises(TypeError, match="never changed"):
        Soundings.build([0.0], [0.0], [0.0]).replace(raw_depth=np.zeros(1))


@given(st.lists(st.booleans(), min_size=1, max_size=20))
def test_rows_chosen_and_their_rest_are_all(chosen):
    chosen = np.array(chosen)
    made = Soundings.build(np.arange(len(chosen)), np.zeros(len(chosen)), np.ones(len(chosen)))
    once = made.replace(visit=np.broadcast_to(np.array(["a"], dtype=object), chosen.shape))
    both = concatenate([once.select(chosen), once.select(~chosen)])
    assert sorted(both.x.tolist()) == made.x.tolist()
    assert both.visit.tolist() == ["a"] * len(chosen)


@given(st.dictionaries(WORDS, WORDS, max_size=4), st.dictionaries(WORDS, WORDS, max_size=4))
def test_corrections_read_back_what_was_written(before, added):
    texts = np.full(2, ";".join(f"{k}={v}" for k, v in before.items()), dtype=object)
    kept = texts.copy()
    got = with_corrections(texts, **added)
    assert [parse_corrections(text) for text in got] == [{**before, **added}] * 2
    assert (texts == kept).all()


def test_corrections_of_each_row():
    got = with_corrections(
        np.array(["from=keel", "draft_m=0.1"], dtype=object),
        draft_m=np.array(["0.2", "0.3"], dtype=object),
    )
    assert got.tolist() == ["from=keel;draft_m=0.2", "draft_m=0.3"]


@pytest.mark.parametrize(
    ("name", "unit"),
    [
        ("depth_ft", "ft"),
        ("Water level (m)", "m"),
        ("stage[us-ft]", "us-ft"),
        ("level_cm", "cm"),
        ("depth", None),
        ("item", None),
        ("", None),
        ("ft_depth", None),
    ],
)
def test_unit_at_the_end_of_a_name(name, unit):
    assert units.unit_in_name(name) == unit


def test_a_correction_is_taken_out_again():
    texts = np.array(["a=1;b=2", "b=3", ""], dtype=object)
    kept = np.array(["5", None, None], dtype=object)
    assert list(with_corrections(texts, b=None, c=kept)) == ["a=1;c=5", "", ""]


@given(st.lists(st.sampled_from(["b", "a", "", "accepted", "accepted ", "ä"])))
def test_distinct_texts_are_those_of_numpy(texts):
    names, number = np.unique(np.array(texts, dtype=str), return_inverse=True)
    for column in (texts, np.array(texts, dtype=object)):
        found, row = distinct(column)
        assert found == names.tolist()
        assert row.tolist() == number.ravel().tolist()


def test_one_text_for_all_rows_stays_one():
    found, row = distinct(np.broadcast_to(np.array(["a"], dtype=object), (5,)))
    assert (found, row.tolist()) == (["a"], [0] * 5)
