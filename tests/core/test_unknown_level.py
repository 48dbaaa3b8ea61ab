"""Visits without a known lake level: levelled to each other, fitted to a store, or refused."""

import numpy as np
import pytest

from lakefloor.algorithms.core.correcting.datums import datum_of
from lakefloor.algorithms.core.correcting.lake_level import reduce_to_datum
from lakefloor.algorithms.core.errors import LakefloorError
from lakefloor.algorithms.core.soundings import Soundings, concatenate
from lakefloor.algorithms.core.visits.fit_to_stored import fit_to_stored
from lakefloor.algorithms.core.visits.unknown_level import (
    FEWEST_MEETINGS,
    MOST_ERROR_M,
    water_of_the_day,
)
from lakefloor.algorithms.core.visits.unlike_levels import unlike_levels

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

# -- one visit ----------------------------------------------------------------


def test_one_visit_counts_from_the_water_of_its_day():
    done = water_of_the_day(MAY)
    assert done.datum == datum_of(done.soundings) == ("water level of 2026-05-14", None)
    np.testing.assert_array_equal(done.soundings.depth, MAY.depth)
    pairs = texts(done.soundings)["2026-05-14"]
    assert pairs["level"] == "unknown"
    assert "datum_elev_m" not in pairs
    assert "level_m" not in pairs
    assert "the only day" in done.route
    with pytest.raises(LakefloorError, match="already reduced"):
        water_of_the_day(done.soundings)
    with pytest.raises(LakefloorError, match="no soundings"):
        water_of_the_day(MAY.select(slice(0, 0)))


@pytest.mark.parametrize(
    ("visit", "time", "name"),
    # The name of an evening outing holds the local day, its times may be past midnight UTC.
    [
        ("2026-05-13", "2026-05-14T01:00", "water level of 2026-05-13"),
        ("trip", "2026-05-14T01:00", "water level of 2026-05-14"),
        ("trip", "NaT", "water level of visit 'trip'"),
        ("a; b", "NaT", "water level of visit 'a, b'"),
        ("", "NaT", "water level of an unnamed visit"),
    ],
)
def test_day_of_the_datum(visit, time, name):
    one = Soundings.build(
        [0.0, 1.0], [0.0, 0.0], [3.0, 3.0], visit=visit, time=np.datetime64(time, "ms")
    )
    assert water_of_the_day(one).datum == (name, None)


@pytest.mark.parametrize(
    ("visit", "stated", "code", "day"),
    # 01:00 UTC is the evening before in Minnesota, by its clocks (-5 h) and by the sun.
    [
        ("trip", ";utc_offset_h=-5", None, "2026-05-13"),
        ("trip", "", 32615, "2026-05-13"),
        ("trip", "", None, "2026-05-14"),
        # The name that a visit got before its zone was known.
        ("2026-05-14", ";utc_offset_h=-5", None, "2026-05-13"),
        ("2026-05-14", "", 32615, "2026-05-14"),
    ],
)
def test_day_of_the_datum_is_that_of_the_lake(visit, stated, code, day):
    one = Soundings.build(
        [4e5, 4e5 + 1.0],
        [5.1e6, 5.1e6],
        [3.0, 3.0],
        visit=visit,
        time=np.datetime64("2026-05-14T01:00", "ms"),
        corrections=f"from=surface{stated}",
    )
    assert water_of_the_day(one, code=code).datum == (f"water level of {day}", None)
    assert water_of_the_day(one, each=True, code=code).datum[0].endswith(day)
    assert fit_to_stored(one, code=code).datum[0].endswith(day)
    reduced = reduce_to_datum(one, 300.0, code=code)
    assert reduced.datum == (f"lake level of {day}", 300.0)


def test_visits_of_one_day_are_on_one_water():
    evening = outing(
        "2026-05-14",
        0.0,
        [((0.0, 300.0), (300.0, 300.0))],
        seed=4,
        visit="2026-05-14 (2)",
        clock="21:00:00",
    )
    done = water_of_the_day(concatenate([MAY, evening]))
    assert datum_of(done.soundings) == ("water level of 2026-05-14", None)
    assert done.offsets == ()
    both = water_of_the_day(concatenate([evening, JULY, MAY]))
    assert [row.visit for row in both.offsets] == ["2026-07-02"]
    assert rms(both.soundings, 0.0) < 0.12
    assert set(both.soundings.visit) == {"2026-05-14", "2026-05-14 (2)", "2026-07-02"}


# -- several visits -----------------------------------------------------------


@pytest.mark.parametrize("order", [(0, 1), (1, 0)])
def test_two_outings_far_apart_in_level_fit_each_other(order):
    parts = [MAY, JULY]
    both = concatenate([parts[i] for i in order])
    done = water_of_the_day(both)
    assert done.datum == ("water level of 2026-05-14", None)
    assert datum_of(done.soundings) == done.datum
    (row,) = done.offsets
    assert row.visit == "2026-07-02"
    assert row.offset == pytest.approx(-0.8, abs=4 * row.std_error + 0.03)
    assert row.std_error <= MOST_ERROR_M
    assert row.places >= FEWEST_MEETINGS
    # The rule is 0.35 m; the noise alone is 0.05 m, positions on slopes add as much.
    assert rms(done.soundings, 0.0) < 0.12
    assert rms(both, 0.0) > 0.3
    pairs = texts(done.soundings)
    assert float(pairs["2026-07-02"]["level_offset_m"]) == pytest.approx(row.offset, abs=1e-4)
    assert float(pairs["2026-07-02"]["level_offset_sd_m"]) == pytest.approx(row.std_error, abs=1e-4)
    assert float(pairs["2026-05-14"]["level_offset_m"]) == 0.0
    july = done.soundings.visit == "2026-07-02"
    np.testing.assert_allclose(done.soundings.uncert[july], np.hypot(0.05, row.std_error))


@pytest.mark.parametrize("seed", range(8))
def test_any_two_outings_are_right_or_refused(seed):
    """From rich to poor crossings, noisy or not: never more than 0.35 m rms from the truth."""
    rng = np.random.default_rng(seed)
    spacing, noise = rng.uniform(20.0, 250.0), rng.uniform(0.03, 0.4)
    first = outing("2026-05-14", 0.0, along(spacing), seed=10 + seed, noise=0.05)
    second = outing(
        "2026-07-02", -0.8, across(spacing, rng.uniform(0.0, 20.0)), seed=50 + seed, noise=noise
    )
    both = concatenate([first, second])
    try:
        done = water_of_the_day(both)
    except LakefloorError as refused:
        told = str(refused)
        shift = 0.0
    else:
        told = "'2026-07-02' Give gauge readings"
        error = done.soundings.depth - bottom(both.x, both.y)
        shift = error[both.visit == "2026-07-02"].mean()
    assert "'2026-07-02'" in told
    assert "Give gauge readings" in told
    assert abs(shift) < 0.35


def test_visits_that_do_not_meet_are_refused():
    away = outing("2026-07-02", -0.8, [((0.0, y + 500.0), (300.0, y + 500.0)) for y in (0, 20)])
    with pytest.raises(LakefloorError, match=r"visit '2026-07-02' has no place.*Give gauge"):
        water_of_the_day(concatenate([MAY, away]))
    with pytest.raises(LakefloorError, match=r"visit '2026-07-09' meets the other visits in 0 pl"):
        water_of_the_day(
            concatenate([MAY, JULY, away.replace(visit=np.full(len(away), "2026-07-09", object))])
        )


def test_too_few_places_are_refused():
    few = outing("2026-07-02", -0.8, [((10.0, 20.0), (10.0, 80.0))])
    with pytest.raises(LakefloorError, match=r"in 3 places\. At least 5 are needed"):
        water_of_the_day(concatenate([MAY, few]))


def test_a_pair_of_visits_that_only_meet_each_other_is_refused():
    def moved(part, visit):
        return part.replace(x=part.x + 2000.0, visit=np.full(len(part), visit, object))

    pair = [moved(MAY, "2026-08-01"), moved(JULY, "2026-08-02")]
    with pytest.raises(LakefloorError, match="is not tied to the first visit by places"):
        water_of_the_day(concatenate([MAY, JULY, *pair]))


def test_offsets_that_are_too_uncertain_are_refused():
    wild = outing("2026-07-02", -0.8, across(120.0), seed=3, noise=1.5)
    with pytest.raises(LakefloorError, match=r"only to 0\.\d\d m \(standard error\)"):
        water_of_the_day(concatenate([MAY, wild]))


def test_each_visit_may_stay_at_its_own_water():
    done = water_of_the_day(concatenate([MAY, JULY]), each=True)
    assert done.datum is None
    assert {p["datum"] for p in texts(done.soundings).values()} == {
        "water level of 2026-05-14",
        "water level of 2026-07-02",
    }
    np.testing.assert_array_equal(done.soundings.depth, np.r_[MAY.depth, JULY.depth])


def test_a_visit_of_rejected_soundings_stops_nothing():
    lost = JULY.replace(status=np.full(len(JULY), "spike", object))
    done = water_of_the_day(concatenate([lost, MAY]))
    assert done.datum == ("water level of 2026-05-14", None)
    assert datum_of(done.soundings) == done.datum


def test_an_offset_that_no_lake_has_is_told():
    deep = JULY.replace(depth=JULY.depth + 4.0)
    (note,) = [n for n in water_of_the_day(concatenate([MAY, deep])).notes if "seldom" in n]
    assert "differs by +3.1" in note


# -- a store ------------------------------------------------------------------


NEW = water_of_the_day(JULY).soundings


@pytest.mark.parametrize("incoming", [JULY, NEW], ids=["not reduced", "water of the day"])
def test_a_visit_without_a_level_is_fitted_to_the_store(incoming):
    done = fit_to_stored(incoming, STORED, datum=DATUM)
    (row,) = done.offsets
    assert row.offset == pytest.approx(-0.8, abs=4 * row.std_error + 0.03)
    assert rms(done.soundings, 0.0) < 0.12
    assert datum_of(done.soundings) == DATUM
    pairs = texts(done.soundings)["2026-07-02"]
    assert pairs["level"] == "unknown"
    assert "level_m" not in pairs
    assert "fitted to the lake database" in done.route
    np.testing.assert_allclose(done.soundings.uncert, np.hypot(0.05, row.std_error))


def test_a_visit_at_the_datum_of_the_store_stays_as_it_is():
    known = reduced(JULY, 0.2)
    done = fit_to_stored(known, STORED, datum=DATUM)
    assert done.offsets == ()
    assert done.route == ""
    np.testing.assert_array_equal(done.soundings.depth, known.depth)


def test_a_level_without_a_wish_for_a_datum_takes_that_of_the_store():
    # Level 0.2 m on the gauge, the store's datum at 1.0 m: 0.8 m deeper at the datum.
    own = reduce_to_datum(JULY, 0.2).soundings
    done = fit_to_stored(own, STORED, datum=DATUM)
    np.testing.assert_allclose(done.soundings.depth, reduced(JULY, 0.2).depth, atol=1e-9)
    assert datum_of(done.soundings) == DATUM
    assert done.offsets == ()
    assert "reduced to the datum of the lake database, 'dock' at 1 m" in done.route


def test_a_visit_with_a_level_is_fitted_to_a_store_without_one():
    store = water_of_the_day(MAY)
    done = fit_to_stored(reduced(JULY, 5.0, 4.0), store.soundings, datum=store.datum)
    assert datum_of(done.soundings) == ("water level of 2026-05-14", None)
    assert rms(done.soundings, 0.0) < 0.12
    assert "level_m" not in texts(done.soundings)["2026-07-02"]


def test_what_does_not_meet_the_store_is_refused():
    away = NEW.replace(x=NEW.x + 900.0)
    with pytest.raises(
        LakefloorError,
        match=r"'2026-07-02' meets the other visits of the lake database "
        r"in 0 places.*Give gauge",
    ):
        fit_to_stored(away, STORED, datum=DATUM)
    with pytest.raises(LakefloorError, match="in 0 places"):
        fit_to_stored(away, STORED.select(slice(0, 0)), datum=DATUM)


def test_the_same_log_again_or_a_longer_one_takes_the_offset_that_was_found():
    half = NEW.select(slice(0, len(NEW) // 2))
    first = fit_to_stored(half, STORED, datum=DATUM)
    store = concatenate([STORED, first.soundings])
    again = fit_to_stored(NEW, store, datum=DATUM)
    np.testing.assert_allclose(again.soundings.depth[: len(half)], first.soundings.depth, atol=1e-9)
    (row,) = again.offsets
    assert row.offset == pytest.approx(first.offsets[0].offset)
    assert row.std_error == pytest.approx(first.offsets[0].std_error, abs=1e-4)


def test_a_visit_that_is_exchanged_does_not_hold_itself():
    store = concatenate([STORED, fit_to_stored(NEW, STORED, datum=DATUM).soundings])
    deeper = NEW.replace(depth=NEW.depth + 0.3)
    done = fit_to_stored(deeper, store, datum=DATUM, replaces=2)
    assert done.offsets[0].offset == pytest.approx(-0.5, abs=0.1)
    assert done.offsets[0].places > 0
    # Alone in its store, it defines the datum again.
    own = water_of_the_day(MAY)
    alone = fit_to_stored(own.soundings, own.soundings, datum=own.datum, replaces=1)
    assert datum_of(alone.soundings) == own.datum
    assert alone.offsets == ()


def test_first_visits_of_a_new_store():
    one = fit_to_stored(JULY)
    assert datum_of(one.soundings) == ("water level of 2026-07-02", None)
    two = fit_to_stored(water_of_the_day(concatenate([JULY, MAY]), each=True).soundings)
    assert datum_of(two.soundings) == ("water level of 2026-05-14", None)
    assert rms(two.soundings, 0.0) < 0.12
    np.testing.assert_array_equal(two.soundings.raw_depth, np.r_[JULY.raw_depth, MAY.raw_depth])
    mixed = fit_to_stored(concatenate([NEW, STORED]))
    assert datum_of(mixed.soundings) == DATUM
    assert rms(mixed.soundings, 0.0) < 0.12
    sure = fit_to_stored(STORED)
    assert sure.soundings is STORED


def test_visits_levelled_together_keep_their_differences():
    august = outing("2026-08-09", 0.4, along(60.0, 10.0), seed=5)
    pair = water_of_the_day(concatenate([JULY, august])).soundings
    done = fit_to_stored(pair, STORED, datum=DATUM)
    (row,) = done.offsets
    assert row.visit == "water level of 2026-07-02"
    assert row.offset == pytest.approx(-0.8, abs=4 * row.std_error + 0.03)
    np.testing.assert_allclose(pair.depth - done.soundings.depth, row.offset, atol=1e-12)
    assert rms(done.soundings, 0.0) < 0.12
    # The offset between the two and that of both add up.
    found = [float(p["level_offset_m"]) for p in texts(done.soundings).values()]
    assert found == pytest.approx([-0.8, 0.4], abs=0.06)


@pytest.mark.parametrize(
    ("unit", "said"),
    [(1.0, []), (0.3048, ["'2026-08-01' by +0.56 m"]), (0.0, ["'2026-08-01' by +0.80 m"])],
)
def test_visits_at_levels_in_a_wrong_unit_or_at_one_level_are_warned_of(unit, said):
    """0.8 m taken for 0.8 ft leaves 0.56 m, and one level for both days the whole of it."""
    first, second = outing("2026-05-14", 0.2, along(20.0)), outing("2026-08-01", 1.0, across(20.0))
    levels = {"2026-05-14": 0.2 * unit, "2026-08-01": 1.0 * unit}
    reduced = reduce_to_datum(concatenate([first, second]), levels, datum_elevation_m=0.0)
    notes = unlike_levels(reduced.soundings)
    assert len(notes) == len(said)
    for note, words in zip(notes, said):
        offset = float(note.split("'2026-08-01' by ")[1].split(" m")[0])
        assert offset == pytest.approx(float(words.split("by ")[1][:-2]), abs=0.03)
        assert "Check the level unit" in note


def test_visits_at_levels_that_do_not_meet_are_not_judged():
    first = outing("2026-05-14", 0.2, along(20.0))
    second = outing("2026-08-01", 1.0, along(20.0, 7.0))
    levels = {"2026-05-14": 0.0, "2026-08-01": 0.0}
    assert unlike_levels(reduce_to_datum(concatenate([first, second]), levels).soundings) == []
