"""Soundings of every odd sort: each routine answers or refuses in words, and leaves them alone."""

import warnings

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from lakefloor.algorithms.core.cleaning.cleaning import clean
from lakefloor.algorithms.core.correcting.corrections import correct_depths
from lakefloor.algorithms.core.correcting.gauge import level_record
from lakefloor.algorithms.core.correcting.lake_level import reduce_to_datum
from lakefloor.algorithms.core.correcting.time_offset import find_time_offset
from lakefloor.algorithms.core.correcting.uncertainty_budget import uncertainty_budget
from lakefloor.algorithms.core.errors import LakefloorError
from lakefloor.algorithms.core.lanes import number_lanes
from lakefloor.algorithms.core.soundings import ACCEPTED, Soundings
from lakefloor.algorithms.core.spacing import lane_spacing
from lakefloor.algorithms.core.visits.bottom_change import bottom_change
from lakefloor.algorithms.core.visits.crossing_report import report_crossings
from lakefloor.algorithms.core.visits.crossings import find_crossings, join_crossings
from lakefloor.algorithms.core.visits.level_network import apply_offsets, level_visits
from lakefloor.algorithms.core.visits.overlaps import find_overlaps
from lakefloor.algorithms.core.visits.store_content import Logged, find_known

GAUGE = level_record(np.array(["2026-07-01", "2027-08-01"], "M8[ms]"), [1.0, 2.0])


def odd(seed) -> Soundings:
    """Tracks over the turn of a year: at one place, on lines, doubled, shuffled, full of holes."""
    rng = np.random.default_rng(seed)
    n = int(rng.choice([0, 1, 2, 3, 5, 12, 40, 150]))
    i = np.arange(n)
    x, y = [
        lambda: rng.integers(0, 5, (2, n)).astype(float),
        lambda: rng.normal(0.0, 30.0, (2, n)),
        lambda: (3.0 * (i % 20), 15.0 * (i // 20)),
        lambda: (20.0 * np.cos(i / 7.0), 20.0 * np.sin(i / 5.0)),
        lambda: (np.where(i % 2, -50.0, 50.0), 1.0 * i),
    ][rng.integers(5)]()
    depth = np.round(6.0 + 3.0 * np.sin(x / 20.0) + rng.normal(0.0, 0.1, n), 1)
    step = int(rng.choice([0, 100, 1000, 60_000]))
    time = np.datetime64("2026-12-31T23:59", "ms") + (step * i).astype("m8[ms]")
    for values, strange in (
        (x, [np.nan, 1e9]),
        (y, [np.nan]),
        (time, [np.datetime64("NaT")]),
        (depth, [np.nan, 0.0, -1.0, 99.9 * 0.3048, np.inf, 500.0]),
    ):
        rows = rng.random(n) < rng.choice([0.0, 0.0, 0.1, 1.0])
        values[rows] = rng.choice(strange, np.count_nonzero(rows))
    order = [i, rng.permutation(n), rng.integers(0, max(n, 1), n)][rng.choice(3, p=[0.6, 0.2, 0.2])]
    visit = np.array([f"v{k}" for k in rng.integers(0, rng.choice([1, 2, 4]), n)], dtype=object)
    return Soundings.build(
        x[order],
        y[order],
        depth[order],
        time=time[order],
        visit=visit,
        lane=rng.integers(0, 3, n),
        speed=np.where(rng.random(n) < 0.5, np.nan, 2.0),
        water_temp=np.where(rng.random(n) < 0.3, np.nan, 20.0),
        uncert=np.where(rng.random(n) < 0.3, np.nan, 0.1),
    )


def levelled(s, unit):
    met = join_crossings([find_crossings(s), find_overlaps(s)])
    return apply_offsets(s, level_visits(s, met, unit=unit))


ROUTINES = {
    "clean": lambda s: clean(s).soundings,
    "clean anew": lambda s: clean(clean(s).soundings, anew=True, min_speed=0.5).soundings,
    "correct": lambda s: correct_depths(s, time_offset_s=0.7, temperature_c=12.0).soundings,
    "correct by log": lambda s: correct_depths(s, skip_without_temperature=True).soundings,
    "reduce": lambda s: reduce_to_datum(s, GAUGE, hold=True, max_gap_d=1e4).soundings,
    "budget": lambda s: uncertainty_budget(s).soundings,
    "level visits": lambda s: levelled(s, "visit"),
    "level lanes": lambda s: levelled(s, "lane"),
    "offset": find_time_offset,
    "change": lambda s: bottom_change(s, s.select(np.arange(len(s))[::2])).areas(),
    "crossings": lambda s: report_crossings(find_crossings(s)),
    "overlaps": lambda s: find_overlaps(s, find_crossings(s)),
    "known": lambda s: find_known(
        s, [Logged(np.zeros(len(s), int), s.x, s.y, s.time, s.raw_depth, s.depth)]
    ),
    "spacing": lane_spacing,
    "lanes": lambda s: number_lanes(s.x, s.y, s.time, s.visit),
}


@pytest.mark.parametrize("name", ROUTINES)
@settings(max_examples=25, deadline=None)
@given(seed=st.integers(0, 2**32 - 1))
def test_an_answer_or_a_refusal_in_words(name, seed):
    soundings = odd(seed)
    fields = soundings.__dataclass_fields__
    before = {field: getattr(soundings, field).copy() for field in fields}
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        try:
            got = ROUTINES[name](soundings)
        except LakefloorError:
            got = None
    for field in fields:
        np.testing.assert_array_equal(getattr(soundings, field), before[field], err_msg=field)
    if isinstance(got, Soundings):
        np.testing.assert_array_equal(got.raw_depth, before["raw_depth"])
        np.testing.assert_array_equal(got.visit, before["visit"])
        assert np.isfinite(got.depth[got.status == ACCEPTED]).all() or "clean" not in name
        assert not np.isinf(got.uncert[got.accepted]).any()
