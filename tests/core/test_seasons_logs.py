"""The logs of the seasons: their noise is as stated, and files say what was logged."""

from dataclasses import replace

import numpy as np
import pytest
from shapely.geometry import box

from lakefloor.algorithms.core.reading.logs import read_logs
from lakefloor.algorithms.core.soundings import Soundings
from lakefloor.tests.seasons import friends, log_files, outings
from lakefloor.tests.seasons.judge import Drawn, Judge, Ledger
from lakefloor.tests.seasons.lakes import LAKES
from lakefloor.tests.seasons.outings import FOOT, Gear, Plan, outing, readings, slow_noise

START = np.datetime64("2022-05-20T15:00", "ms")
QUIET = Gear(noise=0.0, share=0.0, spikes=0.0)


def _log(name="weka", gear=Gear(), seed=4, number=7, **plan):  # noqa: B008
    lake = LAKES[name]()
    return outing(lake, Plan(START, 30.0, lake.spacing, **plan), gear, seed, number)


def test_a_seed_gives_the_same_log_again_and_another_one_another():
    one, again, other = _log(), _log(), _log(seed=5)
    for name in ("number", "x", "lon", "depth", "hardness", "time"):
        assert (getattr(one, name) == getattr(again, name)).all()
    assert (one.x == other.x).all()
    assert not (one.depth == other.depth).all()


def test_slow_noise_has_its_deviation_and_lasts():
    noise = slow_noise(np.random.default_rng(1), 400_000, 1.5, 50.0)
    assert noise.std() == pytest.approx(1.5, rel=0.05)
    # A first-order process falls to 1/e over its time constant.
    for steps in (25, 50, 100):
        together = np.mean(noise[steps:] * noise[:-steps]) / noise.var()
        assert together == pytest.approx(np.exp(-steps / 50.0), abs=0.05)


def test_positions_err_by_what_is_stated():
    square = []
    for seed in range(12):
        log = _log(gear=Gear(gps=2.0), seed=seed)
        x, y = log.lake.to_utm(log.lon, log.lat)
        square.append(np.mean((x - log.x) ** 2 + (y - log.y) ** 2))
    assert np.sqrt(np.mean(square)) == pytest.approx(2.0, rel=0.1)


def test_what_is_logged_is_the_water_below_the_transducer_at_the_assumed_speed():
    log = _log(gear=replace(QUIET, draft=0.5, bias=0.2))
    level = log.lake.level(log.when)
    # Time of travel at the true speed, times the assumed one.
    travel = (log.truth + level - 0.5) / np.interp(log.temp, *outings.SOUND.T)
    deep = log.truth > 1.5
    assert np.abs(log.depth - (travel * 1500.0 + 0.2))[deep].max() < 0.04


def test_noise_of_the_sounder_and_spikes_are_as_stated():
    gear = Gear(noise=0.04, share=0.005, spikes=0.02)
    log, quiet = _log(gear=gear), _log(gear=QUIET)
    error = (log.depth - quiet.depth) / np.hypot(0.04, 0.005 * quiet.depth)
    spike = np.abs(error) > 6.0
    assert error[~spike].std() == pytest.approx(1.0, abs=0.05)
    assert spike.mean() == pytest.approx(0.02, abs=0.006)


def test_lanes_keep_their_spacing_and_the_part_asked_for():
    lake = LAKES["alder"]()
    west, south, east, north = lake.shore.bounds
    half = box(west, south, 0.5 * (west + east), north)
    log = _log("alder", crosses=0, part=half)
    assert log.x.max() < 0.5 * (west + east) + 2.5
    assert np.isfinite(log.truth).all()
    turn = np.radians(-30.0)
    across = log.x * np.sin(turn) + log.y * np.cos(turn)
    lanes = np.sort(across[np.abs(np.gradient(across)) < 0.3])
    apart = np.diff(lanes)[np.diff(lanes) > 5.0]
    assert np.median(apart) == pytest.approx(lake.spacing, rel=0.15)


def test_weeds_make_their_depths_shallower_and_no_others():
    lake = LAKES["tarn"]()
    plan = Plan(START, 30.0, lake.spacing)
    clear, weedy = (outing(lake, plan, QUIET, 4, 7, weeds) for weeds in (None, (0.8, 3.0)))
    less = clear.depth - weedy.depth
    stand = (clear.truth > 0.8) & (clear.truth < 3.0)
    assert (less[stand] > 0.2).mean() > 0.1
    assert np.abs(less[~stand]).max() < 0.011


@pytest.mark.parametrize("suffix", log_files.WRITERS)
@pytest.mark.parametrize("name", ["alder", "weka"])
def test_files_read_back_as_they_were_logged(name, suffix, tmp_path):
    log = _log(name)
    reading = read_logs(log_files.write(log, tmp_path / f"log.{suffix}"), target_epsg=log.lake.epsg)
    s = reading.soundings
    assert len(s) == len(log)
    assert np.array([f.unread for f in reading.files]).tolist() == [{}]
    x, y = log.lake.to_utm(log.lon, log.lat)
    assert np.hypot(s.x - x, s.y - y).max() < 0.02
    assert (s.time == log.time).all()
    assert np.abs(s.depth - log.depth).max() < 1e-6
    assert np.abs(s.water_temp - log.temp)[1:-1].max() < 0.06
    if suffix != "nmea":
        assert np.abs(s.hardness - log.hardness).max() < 1e-6


def test_faults_of_logs():
    log = _log()
    assert FOOT == 0.3048
    assert log.in_feet().depth * 0.3048 == pytest.approx(log.depth)
    assert (log.time - log.rolled_back().time == np.timedelta64(1024, "W")).all()
    first, second = log.halves()
    assert np.concatenate([first.number, second.number]).tolist() == log.number.tolist()
    assert first.time.max() < second.time.min()
    assert np.isnat(log.without_times().time).all()


def test_a_log_without_times_or_unit_is_written_so(tmp_path):
    path = log_files.write(_log().without_times(), tmp_path / "log.txt", depth_name="depth")
    head = path.read_text(encoding="ascii").splitlines()[0]
    assert head == "latitude,longitude,depth,hardness,water_temp_c"


def test_gauge_readings_are_the_level_in_steps():
    lake = LAKES["puma"]()
    times, level = readings(lake, [START], 0.1 * FOOT)
    assert level[0] / (0.1 * FOOT) == pytest.approx(round(level[0] / (0.1 * FOOT)))
    assert level[0] == pytest.approx(412.0 + lake.level(times)[0], abs=0.0153)


def test_the_ledger_counts_what_is_there_twice():
    ledger, n = Ledger(), 50
    rng = np.random.default_rng(2)
    s = Soundings.build(rng.uniform(0, 100, n), rng.uniform(0, 100, n), rng.uniform(2, 9, n))
    number, when = np.arange(n), np.full(n, START)
    ledger.enter(s, number, s.depth, when)
    moved = s.replace(x=s.x + 500.0)
    ledger.enter(moved, number, s.depth, when)
    assert ledger.duplicates(s) == 0
    stored = Soundings(*(np.concatenate([a, b[:7]]) for a, b in zip(_fields(s), _fields(moved))))
    assert ledger.duplicates(stored) == 7
    assert ledger.numbers(stored).tolist() == [*range(50), *range(7)]
    assert ledger.numbers(s.replace(y=s.y + 900.0)).tolist() == [None] * n


def _fields(soundings):
    return list(vars(soundings).values())


def test_copies_keep_the_numbers_of_their_pings():
    x = np.array([3.0, 1.0, 12.0, 13.0])
    s = Soundings.build(x, np.zeros(4), [4.0, 2.0, 6.0, 8.0], status=["accepted"] * 3 + ["spike"])
    copy, numbers = friends.bare_copy(s, np.array([10, 11, 12, 13]))
    assert (copy.x.tolist(), numbers.tolist()) == ([1.0, 3.0, 12.0], [11, 10, 12])
    assert np.isnat(copy.time).all()
    higher, _ = friends.at_datum(copy, numbers, 0.6)
    assert higher.depth.tolist() == pytest.approx([2.6, 4.6, 6.6])
    assert friends.clipped(copy, numbers, box(0, -1, 5, 1))[1].tolist() == [11, 10]
    assert friends.thinned(copy, numbers, 2)[1].tolist() == [11, 12]
    coarse, group = friends.coarsened(copy, 10.0)
    assert (coarse.x.tolist(), coarse.depth.tolist()) == ([5.0, 15.0], [3.0, 6.0])
    assert group.tolist() == [0, 0, 1]


def test_the_judge_sees_an_error_as_large_as_it_is():
    lake = LAKES["tarn"]()
    judge = Judge(lake)
    truth = lake.depth(judge.x, judge.y, START)
    sd = np.full(truth.size, 0.06)
    right, wrong = (Drawn(None, truth + error, sd, 1.0) for error in (0.0, 0.13))
    wrong.depth[::2] = np.nan
    assert judge.rmse(right, START) == 0.0
    assert judge.before_and_after(right, wrong, START) == pytest.approx((0.0, 0.13))
    assert judge.within(right, START) == 1.0
    assert judge.within(wrong, START) == 0.0
    area = judge.hole.sum() * judge.cell**2
    assert area == pytest.approx(np.pi * lake.dredging.radius**2, rel=0.05)
