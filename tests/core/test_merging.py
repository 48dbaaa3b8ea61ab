"""Merging a friend's soundings: what is known already, and by how much levels differ."""

import numpy as np
import pytest

from lakefloor.algorithms.core.errors import LakefloorError
from lakefloor.algorithms.core.exchange.shared_copy import coarse_soundings
from lakefloor.algorithms.core.soundings import Soundings, concatenate, parse_corrections
from lakefloor.algorithms.core.visits.joining import join_levels
from lakefloor.algorithms.core.visits.merging import (
    known_soundings,
    merge_soundings,
    same_datum,
    shifted,
)


def bottom(x, y):
    return 4.0 + 0.02 * x + np.sin(x / 40.0) + 0.5 * np.cos(y / 30.0)


def survey(name, day, across, offset=0.0, seed=0, shift=0.0, datum="pool"):
    """Lanes 20 m apart over a square of 200 m, with 3 cm of noise."""
    rng = np.random.default_rng(seed)
    lanes = []
    for k in range(11):
        t = np.arange(0.0, 201.0, 2.0)
        u = np.full(t.size, 20.0 * k + shift)
        lanes.append(np.column_stack([t, u] if across else [u, t])[:: 1 if k % 2 else -1])
    x, y = np.concatenate(lanes).T
    depth = bottom(x, y) + offset + rng.normal(0.0, 0.03, x.size)
    time = np.datetime64(f"{day}T14:00:00", "ms") + np.arange(x.size) * np.timedelta64(1000, "ms")
    return Soundings.build(
        500_000.0 + x,
        5_000_000.0 + y,
        depth,
        time=time,
        visit=name,
        corrections=f"datum={datum};datum_elev_m=290",
    )


OWN = survey("may", "2025-05-01", True)
OTHER = survey("june", "2025-06-01", False, offset=0.25, seed=1, datum="other")


@pytest.mark.parametrize("unit", ["store", "visit"])
def test_offset_is_found_with_its_error(unit):
    joint = join_levels(OWN, OTHER, unit=unit)
    assert joint.observations[0] > 50
    assert abs(joint.offset[0] - 0.25) < 4 * joint.std_error[0]
    assert joint.std_error[0] < 0.02
    assert joint.after < 0.1 < joint.before
    level = shifted(OTHER, joint, ("pool", 290.0))
    assert np.mean(level.depth - bottom(level.x - 5e5, level.y - 5e6)) == pytest.approx(0, abs=0.02)
    assert np.array_equal(level.raw_depth, OTHER.raw_depth)
    assert same_datum(OWN, level)
    assert not same_datum(OWN, OTHER)
    assert float(parse_corrections(level.corrections[0])["merge_offset_m"]) == pytest.approx(
        joint.offset[0], abs=1e-4
    )


def test_each_visit_has_its_own_offset():
    july = survey("may", "2025-07-01", False, offset=-0.4, seed=2, shift=7.0)
    joint = join_levels(OWN, concatenate([OTHER, july]), unit="visit")
    assert dict(zip(joint.visit, joint.offset)) == pytest.approx(
        {"june": 0.25, "may": -0.4}, abs=0.03
    )


def test_store_merged_with_itself_is_level():
    joint = join_levels(OWN, OWN)
    assert joint.offset[0] == pytest.approx(0.0, abs=1e-9)
    assert known_soundings(OWN, OWN).there.all()


def test_copy_without_times_is_compared_by_place():
    x, y, depth = coarse_soundings(OTHER.x, OTHER.y, OTHER.depth, cell=None)
    joint = join_levels(OWN, Soundings.build(x, y, depth, visit="friend"))
    assert joint.offset[0] == pytest.approx(0.25, abs=max(4 * joint.std_error[0], 0.02))


def test_soundings_of_a_copy_are_known_again():
    x, y, depth = coarse_soundings(OWN.x, OWN.y, OWN.depth - 0.0, cell=None)
    copy = Soundings.build(x, y, depth)
    raw = OWN.raw_depth + 0.3
    own = Soundings.build(OWN.x, OWN.y, OWN.depth, raw_depth=raw, time=OWN.time)
    known = known_soundings(copy, own)
    assert known.there.mean() > 0.999
    other = Soundings.build(OTHER.x, OTHER.y, OTHER.depth)
    assert not known_soundings(other, own).there.any()


def test_corrected_log_is_known_by_what_was_logged():
    corrected = OWN.replace(depth=OWN.depth + 0.1, visit=np.full(len(OWN), "x", object))
    known = known_soundings(corrected.select(slice(None, None, 2)), OWN)
    assert known.there.all()
    assert np.array_equal(known.visit, np.arange(0, len(OWN), 2))


def test_far_apart_is_undetermined_and_refused():
    far = OTHER.replace(x=OTHER.x + 5000.0)
    joint = join_levels(OWN, far)
    assert np.isnan(joint.offset[0])
    assert "cannot be found" in joint.notes[0]
    with pytest.raises(LakefloorError, match="cannot be found"):
        shifted(far, joint)


def test_large_offset_is_doubted():
    joint = join_levels(OWN, OTHER.replace(depth=OTHER.depth * 3.2808))
    assert any("same lake" in note for note in joint.notes)
    with pytest.raises(LakefloorError, match="Unit"):
        join_levels(OWN, OTHER, unit="lake")


@pytest.mark.parametrize("level", ["store", "visit"])
def test_what_is_new_enters_at_the_level_of_ones_own(level):
    again = OWN.replace(depth=OWN.depth + 0.25, visit=np.full(len(OWN), "erster Mai", object))
    both = concatenate([again, OTHER])
    steps = []
    merged = merge_soundings(OWN, both, level=level, progress=steps.append)
    assert merged.adjusted
    assert set(merged.soundings.visit) == {"june"}
    assert len(merged.soundings) == len(OTHER)
    assert merged.joint.offset == pytest.approx(0.25, abs=0.02)
    assert merged.after < 0.1 < merged.before
    assert same_datum(OWN, merged.soundings)
    assert np.array_equal(merged.soundings.raw_depth, OTHER.raw_depth)
    assert merged.places == merged.joint.observations.sum()
    assert steps == sorted(steps)
    assert steps[-1] == 1.0


def test_a_copy_that_holds_a_log_of_mine_has_the_offset_of_that_log():
    """A friend's copy at another datum; the friend's sounder reads 8 cm deeper than mine."""
    friends = OTHER.replace(x=OTHER.x + 0.4, y=OTHER.y + 0.3, depth=OTHER.depth - 0.25 + 0.08)
    for mine in (OWN, OWN.select(slice(0, 200))):
        both = concatenate([mine, friends])
        copy = Soundings.build(both.x, both.y, np.round(both.depth + 0.6, 3), visit="copy")
        merged = merge_soundings(OWN, copy, copy_name="copy")
        assert len(merged.soundings) == len(friends)
        assert merged.offset == pytest.approx(0.6, abs=1e-3)
        assert merged.std_error < 2e-3
    # Without a log of mine in it, the sounder's error cannot be told from the datum's.
    alone = Soundings.build(friends.x, friends.y, friends.depth + 0.6, visit="copy")
    merged = merge_soundings(OWN, alone, copy_name="copy")
    assert merged.offset == pytest.approx(0.68, abs=0.02)


def test_the_error_of_an_offset_holds_what_slow_shifts_of_positions_make():
    """Copies from one side of a bowl, shifted by 1 m each way: by what the slope makes of it."""
    rng = np.random.default_rng(7)
    z = []
    for seed in range(24):
        side = survey("may", "2025-07-01", False, offset=0.3, seed=30 + seed)
        side = side.select(side.x < 500_100.0)
        away = rng.normal(0.0, 1.0, 2)
        copy = Soundings.build(side.x + away[0], side.y + away[1], side.depth, visit="copy")
        merged = merge_soundings(OWN, copy, copy_name="copy")
        z.append((merged.offset - 0.3) / merged.std_error)
    # Two in 24 beyond two standard errors, or more, come with a probability of 0.31.
    assert np.mean(np.abs(z) < 2.0) > 0.9
    assert 0.5 < np.sqrt(np.mean(np.square(z))) < 1.5


def test_largest_offset_keeps_its_sign_and_error():
    july = survey("july", "2025-07-01", False, offset=-0.4, seed=2, shift=7.0)
    merged = merge_soundings(OWN, concatenate([OTHER, july]), level="visit")
    k = list(merged.joint.visit).index("july")
    assert merged.offset == merged.joint.offset[k] == pytest.approx(-0.4, abs=0.03)
    assert merged.std_error == merged.joint.std_error[k] > 0
    assert (merged.before, merged.after) == (merged.joint.before, merged.joint.after)


def test_nothing_new_adds_nothing():
    merged = merge_soundings(OWN, OWN.select(slice(0, 100)))
    assert len(merged.soundings) == 0
    assert not merged.adjusted
    assert merged.places == 0
    assert np.isnan([merged.offset, merged.std_error, merged.before, merged.after]).all()


def test_same_datum_without_places_enters_as_it_is():
    far = survey("june", "2025-06-01", False, seed=1)
    far = far.replace(x=far.x + 5000.0)
    merged = merge_soundings(OWN, far)
    assert not merged.adjusted
    assert np.array_equal(merged.soundings.depth, far.depth)
    assert "cannot be found" in merged.notes[0]
    assert "No offset is removed" in merged.notes[-1]
    assert np.isnan(merged.offset)


def test_refusals_say_what_was_found():
    far = OTHER.replace(x=OTHER.x + 5000.0)
    with pytest.raises(LakefloorError, match="cannot be found") as refused:
        merge_soundings(OWN, far)
    assert "Places where tracks meet: 0, needed: 5" in refused.value.notes[0]
    unreduced = OWN.replace(corrections=np.full(len(OWN), "", object))
    with pytest.raises(LakefloorError, match="not reduced to a datum, but the other"):
        merge_soundings(unreduced, OTHER)
    few = OTHER.select(slice(0, 60))
    assert merge_soundings(OWN, few, least=2).adjusted
    with pytest.raises(LakefloorError, match="cannot be found"):
        merge_soundings(OWN, few, least=50)


def test_copy_is_named_and_takes_on_the_datum():
    copy = Soundings.build(
        OTHER.x, OTHER.y, OTHER.depth, visit=np.where(np.arange(len(OTHER)) < 9, "June", " ")
    )
    merged = merge_soundings(OWN, copy, level="none", copy_name="friend")
    assert list(dict.fromkeys(merged.soundings.visit)) == ["June", "friend"]
    assert np.array_equal(merged.soundings.depth, OTHER.depth)
    assert parse_corrections(merged.soundings.corrections[0]) == {
        "from": "unknown",
        "datum": "pool",
        "datum_elev_m": "290",
    }
    other = merge_soundings(OWN, OTHER, level="none").soundings
    assert np.array_equal(other.corrections, OTHER.corrections)
    unreduced = OWN.replace(corrections=np.full(len(OWN), "", object))
    free = merge_soundings(unreduced, copy, level="none", copy_name="friend").soundings
    assert set(free.corrections) == {"from=unknown"}
