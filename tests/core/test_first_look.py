"""Visits are looked at before they enter a store: honest ones pass, faulty ones are found."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from shapely.geometry import box

from lakefloor.algorithms.core.soundings import Soundings, concatenate, each_visit
from lakefloor.algorithms.core.visits.findings import Finding, open_findings, refusal
from lakefloor.algorithms.core.visits.first_look import first_look
from lakefloor.algorithms.core.visits.near_pairs import NearPlaces, pairs_of, places_of
from lakefloor.algorithms.core.visits.store_content import fingerprint
from lakefloor.algorithms.core.visits.store_visits import Visit, box_of
from lakefloor.algorithms.core.visits.unknown_level import Offset
from lakefloor.algorithms.core.visits.visit_dates import doubtful_dates
from lakefloor.algorithms.core.visits.visit_offset import fit_visit
from lakefloor.algorithms.core.visits.visit_place import doubtful_place

from .outings import REDUCED, SOUTH, WEST, Lake, outing, store_of

NOW = np.datetime64("2026-09-01T12:00", "ms")
DAY = "2026-07-09"
LAKE = Lake()
EARLIER = store_of(LAKE, 1)
OUTLINE = box(WEST, SOUTH, WEST + LAKE.size, SOUTH + LAKE.size)


def described(soundings, datum=("dock gauge", 1.0)):
    """Return what a store says of the visits among soundings."""
    visits = []
    for number, (name, rows) in enumerate(each_visit(soundings)):
        part = soundings.select(rows)
        visits.append(
            Visit(
                number,
                name,
                fingerprint(part.time, part.raw_depth),
                len(part),
                0,
                part.time.min(),
                part.time.max(),
                box_of(part),
                datum,
                None,
            )
        )
    return visits


def look(visit, earlier=EARLIER, **options):
    options = {"now": NOW, **options}
    return first_look(visit, described(earlier), earlier, **options)


def codes(looked):
    return [f.code for f in open_findings(looked.findings)]


def honest(seed):
    """Return a store and how an honest visit to its lake was driven, varied by seed."""
    rng = np.random.default_rng(770 + seed)
    size = float(rng.choice([300.0, 700.0, 1200.0]))
    deepest = min(float(rng.choice([4.0, 9.0, 18.0])), size / 45.0)
    lake = Lake(size, deepest, float(rng.choice([0.5, 1.0, 2.0])), seed)
    store = store_of(lake, seed, visits=int(rng.integers(1, 4)), lanes=int(rng.choice([5, 8, 12])))
    driven = {
        "lanes": int(rng.choice([1, 2, 4, 10])),
        "angle": float(rng.choice([0.0, 15.0, 45.0, 90.0])),
        "noise": rng.uniform(0.05, 0.10),
        "position": rng.uniform(2.0, 3.0),
        "weeds": float(rng.choice([0.0, 0.1])),
    }
    return lake, store, driven


# -- false alarms and misses ---------------------------------------------------------------------


def test_one_of_twenty_honest_visits_at_most_is_doubted():
    """Gauge read to 0.03 m on every day, receivers off by 2 to 3 m, weeds on a tenth, few lanes."""
    doubted, fair = [], 0
    for seed in range(40):
        lake, store, driven = honest(seed)
        (looked,) = look(outing(lake, DAY, 5000 + seed, **driven), store)
        doubted += [(seed, codes(looked))] * bool(codes(looked))
        fair += np.isfinite(looked.offset)
    assert len(doubted) <= 2, doubted
    assert fair >= 30  # the others meet the store in too few places, and say so


@pytest.mark.parametrize("bias", [0.2, -0.2, 0.3, -0.3])
def test_a_visit_off_by_a_constant_is_found(bias):
    """With gauges read without error, so that the bias is known."""
    for seed in range(10):
        lake = Lake(float([400, 700, 1000][seed % 3]), [6.0, 9.0, 14.0][seed % 3], 1.0, seed)
        store = store_of(lake, seed, gauge=0.0, lanes=8)
        visit = outing(lake, DAY, 90 + seed, angle=30.0, gauge=0.0, bias=bias, lanes=6, weeds=0.05)
        (looked,) = look(visit, store)
        assert codes(looked) == ["offset"], (seed, looked)
        (found,) = open_findings(looked.findings)
        assert found.value == pytest.approx(bias, abs=max(0.06, 4.0 * found.error))
        assert found.unit == "m"
        assert 0.0 < found.error < 0.06
        assert ("deeper" if bias > 0 else "shallower") in found.sentence
        assert "draft" in found.sentence
        assert "'fit to the lake'" in found.sentence


def test_the_standard_error_of_the_offset_holds():
    """Of offsets that are 0 by construction most lie within two standard errors."""
    ratios = []
    for seed in range(24):
        lake, _, driven = honest(seed)
        store = store_of(lake, seed, gauge=0.0, lanes=8)
        visit = outing(lake, DAY, 300 + seed, **{**driven, "gauge": 0.0})
        fit = fit_visit(places_of(store, visit, pairs_of(store, visit)))
        if np.isfinite(fit.offset):
            ratios.append(fit.offset / fit.offset_sd)
    assert len(ratios) >= 18
    assert np.mean(np.abs(ratios) < 2.0) >= 0.8
    assert np.max(np.abs(ratios)) < 4.5


@pytest.mark.parametrize("trend", [0.05, -0.05])
def test_a_wrong_sound_speed_is_known_by_its_growth_with_depth(trend):
    found = 0
    for seed in range(8):
        lake = Lake(700.0, 12.0, 1.0, seed)
        store = store_of(lake, seed, gauge=0.0, lanes=8)
        (looked,) = look(outing(lake, DAY, 60 + seed, trend=trend, angle=20.0), store)
        assert codes(looked), (seed, looked)
        first = open_findings(looked.findings)[0]
        found += first.code == "trend"
        if first.code == "trend":
            assert first.value == pytest.approx(100.0 * trend, abs=1.5)
            assert "sound speed" in first.sentence
            assert first.unit == "%"
    assert found >= 7


@pytest.mark.parametrize(
    ("factor", "word", "read"),
    [
        (1.0 / 0.3048, "feet", "meters"),
        (0.3048, "meters", "feet"),
        (1.8288, "meters", "fathoms"),
        (1.0 / 1.8288, "fathoms", "meters"),
    ],
)
@pytest.mark.parametrize("fitted", [False, True])
def test_a_wrong_unit_is_named(factor, word, read, fitted):
    """The draft of 0.3 m was added in meters; where no level is known the fit hides the mean."""
    visit = outing(LAKE, DAY, 7)
    depth = (visit.depth - 0.3) * factor + 0.3
    if fitted:
        off = float(np.median(depth) - np.median(visit.depth))
        text = f"{REDUCED};level=unknown;level_offset_m={off:.4f}"
        visit = visit.replace(corrections=np.full(len(visit), text, object))
        depth = depth - off
    (looked,) = look(visit.replace(depth=depth), fits=[Offset(DAY, 9.0, 0.02, 60, 0.5)] * fitted)
    assert codes(looked) == ["unit"]
    sentence = open_findings(looked.findings)[0].sentence
    assert f"{word} were read as {read}" in sentence
    assert f"with the depth unit {word}" in sentence


def test_a_wrong_unit_is_known_on_a_flat_bottom_too():
    flat = EARLIER.replace(depth=np.full(len(EARLIER), 4.0))
    visit = outing(LAKE, DAY, 7)
    (looked,) = look(visit.replace(depth=np.full(len(visit), 4.0 / 0.3048)), flat)
    assert codes(looked) == ["unit"]
    (looked,) = look(visit.replace(depth=np.full(len(visit), 4.5)), flat)
    assert codes(looked) == ["offset"]


def test_a_visit_fitted_to_the_lake_has_no_offset_to_find():
    visit = outing(LAKE, DAY, 7, bias=0.3)
    assert codes(look(visit)[0]) == ["offset"]
    text = f"{REDUCED};level=unknown;level_offset_m=-0.1"
    (looked,) = look(visit.replace(corrections=np.full(len(visit), text, object)))
    assert codes(looked) == []
    assert looked.offset == pytest.approx(0.3, abs=0.1)


def test_an_offset_that_may_be_chance_is_a_note():
    """One short lane across a steep shore: a shift of its positions would look the same."""
    lake = Lake(700.0, 14.0, 2.0, 3)
    store = store_of(lake, 3, gauge=0.0, lanes=8)
    driven = {"lanes": 1, "across": (0.3, 0.4), "part": (0.05, 0.5)}
    visit = outing(lake, DAY, 9, gauge=0.0, bias=0.25, angle=45.0, **driven)
    (looked,) = look(visit, store)
    assert codes(looked) == []
    (note,) = (f for f in looked.findings if f.code == "offset")
    assert "may be chance" in note.sentence
    assert note.error > 0.03


def test_another_gain_of_hardness_is_a_note():
    (looked,) = look(outing(LAKE, DAY, 7, gain=1.5))
    assert codes(looked) == []
    (note,) = (f for f in looked.findings if f.code == "hardness")
    assert note.value == looked.hardness_gain == pytest.approx(1.5, abs=0.1)
    assert "Bottom type adjusts" in note.sentence
    (plain,) = look(outing(LAKE, DAY, 7))
    assert plain.hardness_gain == pytest.approx(1.0, abs=0.1)
    assert "hardness" not in [f.code for f in plain.findings]


@pytest.mark.parametrize(
    ("fit", "said"),
    [
        (Offset(DAY, 0.4, 0.02, 60, 0.3), []),
        (Offset(DAY, 1.4, 0.02, 60, 0.0), []),
        (Offset(DAY, -1.6, 0.02, 60, 0.0), ["moved by 1.60 m (standard error 0.02 m)"]),
        (Offset(DAY, 0.9, 0.02, 60, 0.35), ["35% of the 60 places"]),
        (Offset(DAY, 9.0, 0.001, 60, 0.71), ["71%", "(standard error 0.001 m)"]),
        (Offset("water level of 2026-07-09", -1.6, 0.02, 60, 0.0), ["moved by 1.60 m"]),
        (Offset(DAY, 0.2, 0.02, 0, 0.0), []),
    ],
)
def test_a_fitted_level_that_may_be_wrong_is_a_finding(fit, said):
    """Crossings cannot tell a hole over most of a visit from its level."""
    (looked,) = look(outing(LAKE, DAY, 7), fits=[fit])
    assert set(codes(looked)) <= {"level"}
    assert len(codes(looked)) == len(said)
    sentences = " ".join(f.sentence for f in open_findings(looked.findings))
    assert all(text in sentences for text in said)


def test_depths_of_one_visit_alone_draw_no_trend():
    """Errors of position on a steep rim are those of both visits: no line leans on one of them."""
    rng = np.random.default_rng(5)
    true = np.concatenate([rng.uniform(1.0, 3.5, 60), np.full(240, 3.5)])
    old, new = (true + rng.normal(0.0, 0.3, 300) for _ in range(2))
    zero, alone = np.zeros(300), np.arange(300)
    places = NearPlaces(
        new - old, old, new, zero, zero, zero > 1.0, alone, alone, alone, alone, alone
    )
    fit = fit_visit(places)
    assert abs(fit.trend) < 3.0 * fit.trend_sd
    assert fit.trend == pytest.approx(0.0, abs=0.05)


def test_a_trend_counts_by_what_it_does_at_the_usual_depth():
    """2.5% are 0.05 m in 2 m of water, however deep one hole is."""
    lake = Lake(700.0, 2.2, 1.0, 4)
    store = store_of(lake, 4, gauge=0.0, lanes=8)
    (looked,) = look(outing(lake, DAY, 60, trend=0.025, angle=20.0, gauge=0.0), store)
    assert codes(looked) == []


# -- what contradicts ----------------------------------------------------------------------------


def _within(visit, radius):
    middle = 0.5 * LAKE.size
    return np.hypot(visit.x - WEST - middle, visit.y - SOUTH - middle) < radius


@pytest.mark.parametrize("radius", [80.0, 170.0])
def test_a_dredged_hole_decides_neither_offset_nor_trend(radius):
    visit = outing(LAKE, DAY, 3, gauge=0.0)
    hole = _within(visit, radius)
    plain, dredged = look(visit)[0], look(visit.replace(depth=visit.depth + 1.5 * hole))[0]
    assert codes(plain) == []
    assert codes(dredged) == ["contradicted"]
    assert dredged.offset == pytest.approx(plain.offset, abs=0.02)
    assert dredged.contradicted > 0.6 * hole.mean() * dredged.compared
    assert plain.contradicted < 0.02 * plain.compared


def test_positions_that_are_off_contradict_and_the_way_out_is_said():
    visit = outing(LAKE, DAY, 3)
    (looked,) = look(visit.replace(x=visit.x + 60.0))
    assert codes(looked) == ["contradicted"]
    sentence = open_findings(looked.findings)[0].sentence
    assert "CRS" in sentence
    assert "some deeper and some shallower" in sentence
    # Nor does it enter where newer soundings win: they would take the place of right ones.
    assert codes(look(visit.replace(x=visit.x + 60.0), newer_wins=True)[0]) == ["contradicted"]


@pytest.mark.parametrize(("height", "word"), [(-1.0, "shallower"), (1.2, "deeper")])
def test_stretches_in_one_direction_are_found_with_their_ways_out(height, word):
    """Weeds or a fill over a fifth of the lanes, or a dredged hole."""
    visit = outing(LAKE, DAY, 3, gauge=0.0)
    changed = visit.replace(depth=visit.depth + height * _within(visit, 140.0))
    (looked,) = look(changed)
    assert codes(looked) == ["contradicted"]
    (found,) = open_findings(looked.findings)
    assert 15.0 < found.value < 25.0
    assert found.unit == "%"
    assert f"read {word} for whole stretches" in found.sentence
    assert "choose 'newer wins'" in found.sentence
    assert "'Set soundings aside'" in found.sentence
    # Chosen, that way is open, and the finding stays as a note.
    (chosen,) = look(changed, newer_wins=True)
    assert codes(chosen) == []
    assert "contradicted" in [f.code for f in chosen.findings]


def test_weeds_here_and_there_are_no_stretch():
    """A fifth of the soundings stand above the bottom, one beside the other at random."""
    for seed in range(6):
        (looked,) = look(outing(LAKE, DAY, 30 + seed, gauge=0.0, weeds=0.2))
        assert codes(looked) == []


def test_where_nothing_is_to_compare_with_nothing_is_said_of_the_bottom():
    visit = outing(LAKE, DAY, 3, part=(0.05, 0.3))
    (looked,) = look(visit, EARLIER.select(EARLIER.x > WEST + 0.6 * LAKE.size))
    assert {f.code for f in looked.findings} <= {"unmet", "share"}


# -- what is there already -----------------------------------------------------------------------


def test_a_visit_that_comes_again_is_known_and_finds_itself():
    again = outing(LAKE, "2024-06-10", 1000)
    (looked,) = look(again.replace(depth=again.depth + 0.5))
    assert (looked.known, looked.soundings, codes(looked)) == (len(again), len(again), [])
    assert "0% of its soundings are new, 100% are in the database" in looked.findings[-1].sentence


@pytest.mark.parametrize("first", ["half", "every other"])
def test_a_part_of_a_visit_that_is_there_is_not_compared(first):
    visit = outing(LAKE, DAY, 3)
    rows = np.arange(len(visit))
    there = rows < len(visit) // 2 if first == "half" else rows % 2 == 0
    (looked,) = look(visit, concatenate([EARLIER, visit.select(there)]))
    assert (looked.known, codes(looked)) == (int(there.sum()), [])


def test_what_is_replaced_is_no_measure():
    """Corrected again, a visit is compared with the others only."""
    again = outing(LAKE, "2024-06-10", 1000)
    (looked,) = look(again.replace(depth=again.depth + 0.4), replaces=True)
    assert codes(looked) == ["offset"]
    assert looked.known == len(again)
    alone = EARLIER.select(EARLIER.visit == "2024-06-10")
    (looked,) = look(again.replace(depth=again.depth + 0.4), alone, replaces=True)
    assert codes(looked) == []


def test_a_log_read_with_another_time_zone_is_a_twin():
    again = outing(LAKE, "2024-06-10", 1000)
    (looked,) = look(again.replace(time=again.time + np.timedelta64(5, "h")))
    assert codes(looked) == ["twin"]
    assert "choose 'replace'" in looked.findings[0].sentence


def test_the_right_week_replaces_the_wrong_one():
    """Entered with a wrong week, read again and exchanged: no finding is in the way."""
    right = outing(LAKE, DAY, 7, gauge=0.0)
    wrong = right.replace(time=right.time - WEEKS)
    (looked,) = look(right, concatenate([EARLIER, wrong]), replaces=True)
    assert codes(looked) == []
    (looked,) = look(right, wrong, replaces=True)
    assert codes(looked) == []
    assert looked.compared == 0


def test_another_datum_is_said_and_no_depth_compared():
    visit = outing(LAKE, DAY, 7, bias=1.0)
    other = REDUCED.replace("datum_elev_m=1", "datum_elev_m=2")
    (looked,) = look(visit.replace(corrections=np.full(len(visit), other, object)))
    assert codes(looked) == ["datum"]
    assert np.isnan(looked.offset)
    assert "'dock gauge' at 2 m" in looked.findings[0].sentence


# -- several at once -----------------------------------------------------------------------------


def test_visits_are_looked_at_against_those_before_them():
    first = outing(LAKE, "2026-07-01", 3, gauge=0.0)
    wrong = outing(LAKE, "2026-07-08", 4, angle=60.0, gauge=0.0, bias=0.3)
    last = outing(LAKE, "2026-07-15", 5, angle=120.0, gauge=0.0)
    together = concatenate([last, wrong, first])
    looked = first_look(together, [], EARLIER.select(slice(0, 0)), now=NOW)
    assert [(each.visit, codes(each)) for each in looked] == [
        ("2026-07-01", []),
        ("2026-07-08", ["offset"]),
        ("2026-07-15", []),
    ]
    assert [f.code for f in looked[0].findings] == ["share"]


def test_a_message_lists_the_first_findings():
    many = [Finding("a", "offset", True, f"Sentence {k}.") for k in range(9)]
    many.insert(0, Finding("a", "share", False, "A note."))
    assert refusal(many) == " ".join(f"Sentence {k}." for k in range(6)) + " The log lists 3 more."
    assert refusal(many[:1]) == ""


# -- place ---------------------------------------------------------------------------------------


def test_a_visit_to_another_lake_is_found_without_an_outline():
    visit = outing(LAKE, DAY, 7)
    (looked,) = look(visit.replace(x=visit.x + 5000.0))
    assert codes(looked) == ["lake"]
    assert "km from all others" in looked.findings[0].sentence
    # A bay next door, and an arm as far off as the lake was seen to reach.
    for east in (800.0, 1500.0):
        (looked,) = look(visit.replace(x=visit.x + east))
        assert codes(looked) == []
        assert "unmet" in [f.code for f in looked.findings]


def test_an_outline_decides():
    visit = outing(LAKE, DAY, 7)
    away = visit.replace(x=visit.x + 5000.0)
    (looked,) = look(away, shoreline=OUTLINE)
    assert codes(looked) == ["outline"]
    assert looked.findings[0].value == pytest.approx(100.0)
    arm = OUTLINE.union(box(WEST, SOUTH, WEST + 6000.0, SOUTH + 700.0))
    assert codes(look(away, shoreline=arm)[0]) == []
    (looked,) = look(visit.replace(x=visit.x + 250.0), shoreline=OUTLINE)
    assert not [f for f in open_findings(looked.findings) if f.code == "outline"]
    (note,) = (f for f in looked.findings if f.code == "outline")
    assert 20.0 < note.value < 45.0
    # A first visit can be looked at so, too.
    (first,) = first_look(away, [], away.select(slice(0, 0)), now=NOW, shoreline=OUTLINE)
    assert codes(first) == ["outline"]


def test_soundings_without_a_place_have_no_distance():
    nowhere = Soundings.build([np.nan], [np.nan], [3.0])
    assert doubtful_place(nowhere, "a", [(0.0, 0.0, 1.0, 1.0)], OUTLINE) == []


# -- dates ---------------------------------------------------------------------------------------

SEASONS = [np.datetime64(day, "ms") for day in ("2024-06-10", "2025-06-11", "2026-06-20")]
WEEKS = np.timedelta64(1024 * 7, "D")


def dated(day, others=SEASONS, now=NOW):
    time = np.array([day, day], "datetime64[ms]") + np.arange(2) * np.timedelta64(1, "s")
    found = doubtful_dates("a", time, others, now)
    return [f.code for f in found], " ".join(f.sentence for f in found)


@pytest.mark.parametrize("day", ["2026-08-30", "2026-09-01T20:00", "2023-05-01", "2017-07-01"])
def test_dates_that_can_be_are_not_doubted(day):
    assert dated(day)[0] == []
    assert dated(day, [])[0] == []


@pytest.mark.parametrize(("spans", "told"), [(1, "1,024"), (2, "2,048")])
def test_a_roll_over_of_the_gps_week_is_known(spans, told):
    """IS-GPS-200, 20.3.3.3.1.1: the week number is transmitted modulo 1024."""
    day = np.datetime64("2026-07-09") - spans * WEEKS
    for others in (SEASONS, []):
        code, text = dated(day, others)
        assert code == ["rollover"]
        assert f"{told} weeks before 2026-07-09" in text
        assert f"set to {spans}" in text
    code, text = dated(np.datetime64("2026-07-09") + spans * WEEKS)
    assert code == ["rollover"]
    assert f"set to -{spans}" in text


def test_a_first_visit_of_another_year_may_be_old():
    """Nearly twenty years old, and no other visit: 1,024 weeks later is not near the clock."""
    assert dated("2004-07-09", [])[0] == []


def test_a_date_in_the_future_and_one_with_day_and_month_exchanged():
    code, text = dated("2026-11-20")
    assert code == ["future"]
    assert "80 days in the future" in text
    assert "clock" in text
    code, text = dated("2026-12-07")
    assert code == ["future"]
    assert "it is 2026-07-12" in text


def test_a_date_is_told_as_the_lake_counts_it():
    """A morning in Tasmania is the evening before in UTC."""
    time = np.array(["2027-06-01T22:00"], "datetime64[ms]")
    (found,) = doubtful_dates("2027-06-02", time, [], NOW)
    assert "is dated 2027-06-02" in found.sentence
    (found,) = doubtful_dates("2026-05-01 north", time, [], NOW)
    assert "is dated 2027-06-01" in found.sentence


def test_a_date_long_before_all_others_is_doubted():
    code, text = dated("2000-01-01")
    assert code == ["date"]
    assert "24 years before all others" in text
    assert dated("2015-01-01")[0] == []


def test_a_few_wrong_times_do_not_date_a_visit():
    time = np.array([DAY] * 9 + ["2060-01-01", "NaT"], "datetime64[ms]")
    assert doubtful_dates("a", time, SEASONS, NOW) == []
    assert doubtful_dates("a", time[-1:], SEASONS, NOW) == []


# -- what must not matter, and what is not there ---------------------------------------------------


@settings(max_examples=10, deadline=None)
@given(st.integers(0, 2**32 - 1))
def test_the_order_of_rows_does_not_matter(seed):
    visit = outing(LAKE, DAY, 3, lanes=4, bias=0.25)
    order = np.random.default_rng(seed).permutation(len(visit))
    one, two = look(visit)[0], look(visit.select(order))[0]
    assert codes(one) == codes(two) == ["offset"]
    assert one.offset == pytest.approx(two.offset, abs=1e-6)
    assert (one.known, one.compared, one.contradicted) == (
        two.known,
        two.compared,
        two.contradicted,
    )


@pytest.mark.parametrize("what", ["placeless", "rejected", "single", "untimed"])
def test_odd_visits_are_looked_at_without_an_error(what):
    visit = outing(LAKE, DAY, 3)
    visit = {
        "placeless": visit.replace(x=np.full(len(visit), np.nan)),
        "rejected": visit.replace(status=np.full(len(visit), "spike", object)),
        "single": visit.select(slice(0, 1)),
        "untimed": visit.replace(time=np.full(len(visit), np.datetime64("NaT", "ms"))),
    }[what]
    (looked,) = look(visit)
    assert codes(looked) == []
    assert np.isfinite(looked.offset) == (what == "untimed")


def test_rejected_soundings_count_for_nothing():
    visit = outing(LAKE, DAY, 3)
    bad = np.arange(len(visit)) % 3 == 0
    status = np.where(bad, "spike", "accepted").astype(object)
    spoiled = visit.replace(depth=np.where(bad, 99.0, visit.depth), status=status)
    (looked,) = look(spoiled)
    assert codes(looked) == []
    assert looked.contradicted < 20


@pytest.mark.filterwarnings("error")
@pytest.mark.parametrize("sign", [0.0, -1.0], ids=["all zero", "positive up"])
def test_a_wrong_column_or_sign_is_not_called_a_sound_speed(sign):
    visit = outing(LAKE, DAY, 3, angle=30.0, gauge=0.0)
    (looked,) = look(visit.replace(depth=sign * visit.depth))
    message = refusal(looked.findings)
    assert "the sign of its depths" in message
    assert "sound speed" not in message


def test_positions_in_another_country_are_doubted_before_the_lake():
    visit = outing(LAKE, DAY, 3, angle=30.0, gauge=0.0)
    for away, word in ((50_000.0, "probably it is of another lake"), (5e6, "order of latitude")):
        (looked,) = look(visit.replace(x=visit.x + away))
        assert codes(looked) == ["lake"]
        assert word in refusal(looked.findings)
