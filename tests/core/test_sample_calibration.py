"""Thresholds from samples, and kappa against a published table."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from lakefloor.algorithms.core.errors import LakefloorError
from lakefloor.algorithms.core.hardness.sample_calibration import (
    best_thresholds,
    calibrate,
    cohen_kappa,
    read_class,
)


def test_kappa_of_a_published_error_matrix():
    # Congalton (1991), Remote Sensing of Environment 37(1), 35-46, figure 1 and table 2 (from
    # memory): 434 samples, 74 % agreement, kappa 0.65.
    agreement, kappa = cohen_kappa([[65, 4, 22, 24], [6, 81, 5, 8], [0, 11, 85, 19], [4, 7, 3, 90]])
    assert agreement == pytest.approx(321 / 434)
    assert kappa == pytest.approx(0.65, abs=0.005)
    # By hand: 0.7 agree, 0.5 by chance.
    assert cohen_kappa([[20, 5], [10, 15]]) == pytest.approx((0.7, 0.4))


@settings(max_examples=80, deadline=None)
@given(
    st.lists(st.tuples(st.integers(0, 12), st.integers(0, 2)), min_size=3, max_size=14),
    st.integers(2, 3),
)
def test_thresholds_have_the_fewest_samples_on_the_wrong_side(rows, classes):
    h = np.array([r[0] for r in rows]) / 12.0
    c = np.array([r[1] for r in rows]) % classes

    def wrong(limits):
        return int((np.searchsorted(limits, h, side="right") != c).sum())

    found = best_thresholds(h, c, classes)
    assert (np.diff(found) >= 0).all()
    cuts = np.arange(-0.5, 14.0) / 12.0
    every = ([a] for a in cuts) if classes == 2 else ([a, b] for a in cuts for b in cuts if a <= b)
    least = min(wrong(limits) for limits in every)
    assert wrong(found) == least
    if len(set(c)) == classes and least == 0:
        assert wrong(found) == 0


def test_confusion_is_told_without_the_sample_itself():
    h = np.r_[np.linspace(0.2, 0.4, 10), np.linspace(0.6, 0.8, 10), 0.75, np.nan]
    c = np.r_[np.zeros(10, int), np.full(10, 2), 0, 2]
    found = calibrate(h, c)
    assert found.present == ("soft", "hard")
    assert found.thresholds == pytest.approx([0.5])
    # Ten soft and ten hard are told right; the soft one at 0.75 is told hard.
    assert found.confusion.tolist() == [[10, 1], [0, 10]]
    assert found.agreement == pytest.approx(20 / 21)
    assert (found.used, found.off) == (21, 1)


def test_too_few_or_contradictory_samples_are_refused():
    h = np.r_[np.full(6, 0.3), np.full(4, 0.7)]
    with pytest.raises(LakefloorError, match=r"6 soft, 0 medium, 4 hard"):
        calibrate(h, np.r_[np.zeros(6, int), np.full(4, 2)])
    with pytest.raises(LakefloorError, match="Two classes or more"):
        calibrate(np.full(20, 0.3), np.zeros(20, int))
    with pytest.raises(LakefloorError, match="do not have a higher hardness"):
        calibrate(np.r_[np.full(6, 0.7), np.full(6, 0.3)], np.repeat([0, 2], 6))


@pytest.mark.parametrize(
    ("text", "number"),
    [
        ("soft", 0),
        (" Medium ", 1),
        ("HARD", 2),
        ("1", 0),
        (3, 2),
        (2.0, 1),
        ("rock", -1),
        (None, -1),
        ("4", -1),
    ],
)
def test_class_words(text, number):
    assert read_class(text) == number
