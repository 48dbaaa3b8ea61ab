"""Visits fitted to what a lake database holds, whatever lake level was given for them."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from lakefloor.algorithms.core.correcting.datums import datum_of
from lakefloor.algorithms.core.correcting.gauge import LevelRecord
from lakefloor.algorithms.core.correcting.lake_level import reduce_to_datum
from lakefloor.algorithms.core.correcting.uncertainty_budget import uncertainty_budget
from lakefloor.algorithms.core.errors import LakefloorError
from lakefloor.algorithms.core.soundings import concatenate
from lakefloor.algorithms.core.visits.fit_to_stored import fit_to_stored
from lakefloor.algorithms.core.visits.unknown_level import water_of_the_day
from lakefloor.algorithms.core.wording.assumptions import assumed_sentences

from .made_visits import (
    DATUM,
    JULY,
    MAY,
    STORED,
    across,
    along,
    bottom,
    outing,
    reduced,
    rms,
    texts,
)


def fitted(incoming, stored=STORED, **options):
    return fit_to_stored(incoming, stored, datum=DATUM, fit=True, **options)


# July's water stood 0.8 m below that of May, which is the datum: 0.2 m on the gauge of the dock.
RIGHT = fitted(reduced(JULY, 0.2)).soundings


@pytest.mark.parametrize("wrong", [0.195, 0.3, -0.4])
def test_a_wrong_gauge_level_is_found(wrong):
    given_soundings = reduced(JULY, 0.2 - wrong)
    done = fitted(given_soundings)
    (row,) = done.offsets
    assert row.offset == pytest.approx(wrong, abs=4 * row.std_error)
    assert row.std_error < 0.03
    assert rms(done.soundings, 0.0) < 0.12
    assert datum_of(done.soundings) == DATUM
    pairs = texts(done.soundings)["2026-07-02"]
    assert float(pairs["level_offset_m"]) == pytest.approx(row.offset, abs=1e-4)
    assert float(pairs["level_offset_sd_m"]) == pytest.approx(row.std_error, abs=1e-4)
    assert pairs["level_from"] == "fit"
    # What the gauge said stays readable; the level is now the one that was found.
    assert float(pairs["given_level_m"]) == pytest.approx(0.2 - wrong)
    assert float(pairs["level_m"]) == pytest.approx(0.2 - wrong + row.offset, abs=1e-3)
    assert "given_datum" not in pairs
    assert "level" not in pairs
    np.testing.assert_allclose(
        done.soundings.uncert, np.hypot(given_soundings.uncert, row.std_error)
    )
    assert "whatever the lake level that was given" in done.route


@pytest.mark.parametrize(
    ("incoming", "kept"),
    [
        (JULY, {"level": "unknown"}),
        (water_of_the_day(JULY).soundings, {"level": "unknown"}),
        (reduced(JULY, 290.0, 288.0), {"given_level_m": "290.000", "given_datum_elev_m": "288"}),
        (
            reduce_to_datum(JULY, 7.0, datum_elevation_m=7.5, datum_name="dam").soundings,
            {"given_level_m": "7.000", "given_datum": "dam", "given_datum_elev_m": "7.5"},
        ),
        (reduce_to_datum(JULY, 3.0).soundings, {"given_datum": "lake level of 2026-07-02"}),
    ],
    ids=["not reduced", "water of the day", "other elevation", "other gauge", "by first visit"],
)
def test_any_visit_comes_to_the_same_depths(incoming, kept):
    done = fitted(incoming)
    np.testing.assert_allclose(done.soundings.depth, RIGHT.depth, atol=1e-6)
    assert datum_of(done.soundings) == DATUM
    pairs = texts(done.soundings)["2026-07-02"]
    assert kept.items() <= pairs.items()
    assert pairs["level_from"] == "fit"
    if "level" not in kept:
        # The level on the scale of the dock: depth below the water is depth at the datum plus it.
        level = float(pairs["level_m"]) - float(pairs["datum_elev_m"])
        np.testing.assert_allclose(JULY.depth - level, done.soundings.depth, atol=1e-3)


@settings(max_examples=15, deadline=None)
@given(st.floats(-5.0, 5.0))
def test_the_level_that_was_given_does_not_matter(wrong):
    done = fitted(reduced(JULY, 0.2 + wrong))
    np.testing.assert_allclose(done.soundings.depth, RIGHT.depth, atol=1e-6)
    assert done.offsets[0].offset == pytest.approx(float(RIGHT_OFFSET) - wrong, abs=1e-6)
    assert bool(done.notes) == (abs(done.offsets[0].offset) > 1.5)


RIGHT_OFFSET = fitted(reduced(JULY, 0.2)).offsets[0].offset


def test_in_a_database_without_datum_a_visit_loses_its_own():
    done = fit_to_stored(reduced(JULY, 0.5), MAY, datum=None, fit=True)
    np.testing.assert_allclose(done.soundings.depth, RIGHT.depth, atol=1e-6)
    pairs = texts(done.soundings)["2026-07-02"]
    assert not {"datum", "datum_elev_m", "level_m"} & set(pairs)
    assert pairs["given_level_m"] == "0.500"


def test_as_reduced_stays_as_it_was():
    wrong = reduced(JULY, 0.5)
    done = fit_to_stored(wrong, STORED, datum=DATUM)
    np.testing.assert_array_equal(done.soundings.depth, wrong.depth)
    assert done.offsets == ()


def test_several_visits_each_get_their_own_offset():
    august = outing("2026-08-09", 0.4, along(60.0, 10.0) + across(70.0, 3.0), seed=5)
    september = outing("2026-09-01", 0.1, across(55.0, 20.0), seed=6)
    both = concatenate([reduced(JULY, 0.2 - 0.3), reduced(august, 1.4 + 0.2), september])
    done = fitted(both)
    assert rms(done.soundings, 0.0) < 0.12
    found = {row.visit: row.offset for row in done.offsets}
    assert found["2026-07-02"] == pytest.approx(0.3, abs=0.05)
    assert found["2026-08-09"] == pytest.approx(-0.2, abs=0.05)
    # Nobody read a level for the last: its offset is that of its water.
    assert found["2026-09-01"] == pytest.approx(0.1, abs=0.05)
    pairs = texts(done.soundings)
    assert pairs["2026-09-01"]["level"] == "unknown"
    assert "level" not in pairs["2026-08-09"]
    np.testing.assert_array_equal(done.soundings.visit, both.visit)
    assert datum_of(done.soundings) == DATUM


def test_a_visit_that_is_partly_there_takes_the_offset_of_that_part():
    wrong = reduced(JULY, 0.2 - 0.3)
    first = fitted(wrong.select(slice(0, len(wrong) // 2)))
    again = fitted(wrong, concatenate([STORED, first.soundings]))
    (row,) = again.offsets
    assert row.places == 0
    assert row.offset == pytest.approx(first.offsets[0].offset, abs=1e-9)
    assert row.std_error == pytest.approx(first.offsets[0].std_error, abs=1e-4)
    half = len(first.soundings)
    np.testing.assert_allclose(again.soundings.depth[:half], first.soundings.depth, atol=1e-9)
    np.testing.assert_allclose(again.soundings.uncert[:half], first.soundings.uncert, atol=5e-5)
    # The part entered as it was: the rest goes beside it.
    plain = fitted(wrong, concatenate([STORED, wrong.select(slice(0, half))]))
    assert plain.offsets[0].offset == pytest.approx(0.0, abs=1e-12)


def test_fitted_once_more_it_stays_and_its_error_does_not_grow():
    once = fitted(reduced(JULY, 0.5))
    twice = fitted(once.soundings)
    np.testing.assert_allclose(twice.soundings.depth, once.soundings.depth, atol=1e-6)
    # The error is kept to a tenth of a millimeter.
    np.testing.assert_allclose(twice.soundings.uncert, once.soundings.uncert, atol=1e-5)
    assert texts(twice.soundings) == texts(once.soundings)


def test_too_few_meetings_are_refused_with_the_way_out():
    few = reduced(outing("2026-07-02", -0.8, [((10.0, 20.0), (10.0, 80.0))]), 0.2)
    with pytest.raises(LakefloorError) as refused:
        fitted(few)
    assert str(refused.value) == (
        "The visits cannot be fitted to the lake: visit '2026-07-02' meets the other visits of the "
        "lake database in 3 places. At least 5 are needed to find its level. Choose 'as reduced', "
        "run cross-lines over the tracks of both, or leave that visit out."
    )
    away = reduced(JULY.replace(x=JULY.x + 900.0), 0.2)
    with pytest.raises(LakefloorError, match="in 0 places"):
        fitted(away)


def test_in_a_new_database_there_is_nothing_to_fit_to():
    wrong = reduced(JULY, 0.5)
    done = fit_to_stored(wrong, fit=True)
    np.testing.assert_array_equal(done.soundings.depth, wrong.depth)
    (note,) = done.notes
    assert "no other visit to fit to" in note
    # What comes again in place of itself does not hold itself.
    alone = fit_to_stored(wrong, wrong, datum=DATUM, replaces=1, fit=True)
    assert alone.notes == done.notes
    both = concatenate([STORED, wrong])
    exchanged = fit_to_stored(wrong, both, datum=DATUM, replaces=2, fit=True)
    np.testing.assert_allclose(exchanged.soundings.depth, RIGHT.depth, atol=1e-6)


def test_rejected_soundings_move_along_and_a_visit_of_them_stops_nothing():
    wrong = reduced(JULY, 0.5)
    some = wrong.status.copy()
    some[::7] = "spike"
    done = fitted(wrong.replace(status=some))
    shift = wrong.depth - done.soundings.depth
    np.testing.assert_allclose(shift, shift[0], atol=1e-12)
    lost = wrong.replace(status=np.full(len(wrong), "spike", object))
    assert datum_of(fitted(lost).soundings) == DATUM


def test_a_level_between_readings_gives_way_to_the_fit():
    start = JULY.time.min()
    days = np.array([0, 300]) * np.timedelta64(86_400_000, "ms")
    readings = LevelRecord(start + days - days[1] // 2, np.array([0.0, 0.0]))
    between = reduce_to_datum(
        JULY, readings, datum_elevation_m=1.0, datum_name="dock", max_gap_d=400.0
    ).soundings
    assert between.uncert.max() > 0.13
    (row,) = (done := fitted(between)).offsets
    np.testing.assert_allclose(done.soundings.uncert, np.hypot(0.05, row.std_error), atol=2e-3)
    assert "level_sd_m" not in texts(done.soundings)["2026-07-02"]
    # The budget takes the same: the error of the offset, once.
    budget = uncertainty_budget(done.soundings, level_m=0.0, position_m=0.0, time_offset_s=0.0)
    level = dict((name, size) for name, size, _ in budget.terms)["lake level"]
    assert level == pytest.approx(row.std_error, abs=1e-4)


@pytest.mark.parametrize("radius", [0.0, 35.0, 50.0])
def test_a_dredged_hole_does_not_move_the_visit(radius):
    """1.8 m deeper over a sixth and a third of the places; the visits before know nothing of it."""
    off = []
    for seed in range(8):
        visit = outing("2026-07-02", -0.8, across(25.0, 3.0), seed=30 + seed)
        x, y = visit.x - 150.0, visit.y - 100.0
        dug = 1.8 * np.clip((radius - np.hypot(x, y)) / 5.0, 0.0, 1.0)
        done = fitted(reduced(visit.replace(depth=visit.depth + dug), 0.2 - 0.3))
        off.append(done.offsets[0].offset - 0.3)
        told = [note for note in done.notes if "the bottom has changed" in note]
        assert len(told) == (radius == 50.0) or radius == 35.0
        assert all(" differ by about 1.7" in note or " by about 1.8" in note for note in told)
    assert abs(np.mean(off)) < 0.012
    # Positions that wander by 1 m over slopes of 5% move a visit by some centimeters.
    assert np.max(np.abs(off)) < 0.04


def test_reports_tell_fitted_levels_from_levels_that_nobody_read():
    known, unknown = fitted(reduced(JULY, 0.5)).soundings, fitted(JULY).soundings
    assert assumed_sentences(known)[-1] == (
        "The lake level that was read is not used for 2026-07-02. Its depths are adjusted where "
        "tracks cross."
    )
    assert assumed_sentences(unknown)[-1].startswith("No lake level was read for 2026-07-02.")


def test_the_truth_is_met():
    error = RIGHT.depth - bottom(RIGHT.x, RIGHT.y)
    assert abs(error.mean()) < 0.03
    assert rms(MAY, 0.0) < 0.12


@pytest.mark.parametrize("share", [1.0, 0.5])
def test_a_visit_that_is_there_is_not_fitted_and_says_so(share):
    given_soundings = reduced(JULY, 0.5)
    there = given_soundings.select(slice(0, int(share * len(given_soundings))))
    done = fitted(given_soundings, concatenate([STORED, there]))
    np.testing.assert_array_equal(done.soundings.depth, given_soundings.depth)
    (note,) = done.notes
    assert note.startswith(
        "A part of visit" if share < 1.0 else "Visit '2026-07-02' is in the lake"
    )
    assert note.endswith("choose 'replace'.")
    assert "fitted" not in done.route


def test_a_shared_copy_is_not_advised_to_replace_its_log():
    bare = STORED.replace(
        time=np.full(len(STORED), np.datetime64("NaT"), "datetime64[ms]"),
        visit=np.full(len(STORED), "", object),
        lane=np.zeros(len(STORED), int),
    )
    assert fitted(bare, STORED).notes == ()
