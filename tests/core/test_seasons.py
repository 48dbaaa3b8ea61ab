"""A short season on the smallest lake: what a lake database promises, by the exact truth.

The other promises, and the larger lakes, are in ``tests/benchmarks/bench_seasons.py``.
"""

from itertools import takewhile

import numpy as np
import pytest

pytest.importorskip("osgeo", reason="GDAL makes the file of a new lake database")

from lakefloor.tests.seasons import chain
from lakefloor.tests.seasons.chain import Handling
from lakefloor.tests.seasons.five_years import addition, five_years
from lakefloor.tests.seasons.judge import WORSE
from lakefloor.tests.seasons.lakes import LAKES
from lakefloor.tests.seasons.seasons import Step, World

# All of them need the season, which takes most of the time.
pytestmark = pytest.mark.slow

SEED = 1
#: The last step of the short season.
LAST = "no gauge"


@pytest.fixture(scope="module")
def season(tmp_path_factory):
    """The world after a short season, and the records of its steps by name."""
    world = World(LAKES["tarn"](), SEED, tmp_path_factory.mktemp("season"), smoothing=12.0)
    records = {}
    for step in five_years(world):
        records.update({record.name: record for record in world.do(step)})
        if step.name == LAST:
            break
    return world, records


def test_sound_visits_enter_and_nothing_is_there_twice(season):
    _, records = season
    again = records["first log again"]
    others = {r.state for name, r in records.items() if name != "first log again"}
    assert others == {"entered"}
    assert {r.change.duplicates for r in records.values()} == {0}
    assert (again.state, again.change.rows, again.change.duplicates) == ("already there", 0, 0)


def test_no_sound_visit_makes_the_map_worse(season):
    _, records = season
    compared = [r for r in records.values() if np.isfinite(r.before)]
    assert len(compared) > 3
    for record in compared:
        assert record.after <= (1.0 + WORSE) * record.before, record.name
    assert compared[-1].after < 0.8 * compared[0].before


def test_depths_enter_at_their_true_level(season):
    _, records = season
    for record in records.values():
        if record.state == "entered":
            assert abs(record.change.level) < 0.03, record.name
            assert not record.change.dates_wrong
            assert not record.change.off_lake


def test_an_unknown_level_is_found(season):
    world, records = season
    ((offset, error),) = records[LAST].outcome.offsets.values()
    assert error < 0.03
    # The level of the day is what was taken off, but for the noise.
    when = world.day(2022, 0)
    assert offset == pytest.approx(float(world.lake.level(when)), abs=max(0.02, 3.0 * error))


def test_most_of_the_map_is_within_twice_its_uncertainty(season):
    _, records = season
    assert records[LAST].within > 0.93


def test_a_visit_removed_and_put_back_is_as_before(season):
    world, _ = season
    before, map_before = world.stored(), world.map
    removed = Step(2, "removed", world.day(2022, 1), kind="remove", copy=(world.first_name,))
    (record,) = world.do(removed)
    assert record.after > record.before
    (record,) = world.do(addition(world, 2, "put back", [world.first]))
    assert (record.state, record.change.duplicates) == ("entered", 0)
    after = world.stored()
    assert sorted(_rows(before)) == sorted(_rows(after))
    assert np.nanmax(np.abs(world.map.depth - map_before.depth)) < 0.01


def _rows(soundings):
    return zip(
        soundings.x.tolist(), soundings.y.tolist(), soundings.depth.tolist(), soundings.status
    )


def test_a_step_that_does_harm_is_seen_and_taken_back(season):
    world, _ = season
    log = world.outing(world.day(2022, 2), 75)
    wrong = Handling(world.gauge(log, wrong=0.4))
    rows = len(world.stored())
    step = addition(world, 2, "gauge 0.4 m wrong", [log], handling=wrong, sound=False)
    (record,) = world.do(step)
    if record.state == "entered":
        assert record.taken_back
        assert record.change.level == pytest.approx(-0.4, abs=0.03)
        assert any(fault.startswith("worse by") for fault in record.faults)
        assert record.perfect < record.after
    else:
        assert record.outcome.refusal or record.outcome.findings
    assert len(world.stored()) == rows


def test_the_same_seed_gives_the_same_season(season, tmp_path):
    _, records = season
    world = World(LAKES["tarn"](), SEED, tmp_path, smoothing=12.0)
    steps = takewhile(lambda step: step.name != "first log again", five_years(world))
    for step in steps:
        (record,) = world.do(step)
        assert record.rmse == pytest.approx(records[record.name].rmse, rel=1e-9)
    assert chain.visits(world.path) == ["2021-05-09", "2021-05-16"]
