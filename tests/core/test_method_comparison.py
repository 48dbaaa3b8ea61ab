"""Comparison of gridding methods: lakes with known truth, hand-worked figures, standards."""

import sys
from pathlib import Path

import numpy as np
import pytest
from scipy.interpolate import LinearNDInterpolator
from scipy.ndimage import map_coordinates
from shapely.geometry import box

from lakefloor.algorithms.core.errors import Cancelled, LakefloorError
from lakefloor.algorithms.core.grid import Surface
from lakefloor.algorithms.core.soundings import Soundings, concatenate
from lakefloor.algorithms.core.surface import method_comparison as module
from lakefloor.algorithms.core.surface.gap_reach import half_gap, reach, weights_by_reach
from lakefloor.algorithms.core.surface.method_comparison import (
    COMPARED,
    compare_methods,
    supported_interval,
)

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "benchmarks"))
import made_lake

SIZE = 400.0


def bottom(x, y):
    return 8.0 + 1.5 * np.sin(x / 31.0) * np.cos(y / 27.0) + 0.01 * x


def lanes(depth=bottom, spacing=20.0, noise=0.03, seed=0, **known):
    rng = np.random.default_rng(seed)
    along = np.arange(0.0, SIZE + 0.1, 2.0)
    across = np.arange(0.0, SIZE + 0.1, spacing)
    x, y = (part.ravel() for part in np.meshgrid(along, across))
    number = np.repeat(np.arange(len(across)) + 1, len(along))
    z = depth(x, y) + noise * rng.standard_normal(len(x))
    return Soundings.build(x, y, z, **{"lane": number, "visit": "a", "uncert": noise, **known})


def rms(values):
    return float(np.sqrt(np.nanmean(np.square(values))))


@pytest.fixture(scope="module")
def square():
    return compare_methods(lanes(), cell=4.0)


def test_neighbouring_lanes_are_left_out_in_different_turns():
    s = lanes()
    # Sailed as racing round: the order of numbers is not that of the lanes.
    order = np.append(0, np.random.default_rng(2).permutation(21) + 1)
    number = module._lane_numbers(s.replace(lane=order[s.lane]))
    folds = module._lane_folds(s, number, 20.0)
    fold_of = np.array([[fold[s.y == y].all() for fold in folds] for y in np.unique(s.y)])
    # Each lane is out in one turn, wholly.
    np.testing.assert_array_equal(fold_of.sum(axis=1), 1)
    np.testing.assert_array_equal(np.sum(folds, axis=0), 1)
    assert not (fold_of[1:] & fold_of[:-1]).any()


def test_lanes_of_two_visits_are_different_lanes():
    s = concatenate([lanes(visit="a"), lanes(visit="b").replace(y=lanes().y + 10.0)])
    assert len(np.unique(module._lane_numbers(s))) == 42
    turn = s.replace(lane=np.where(s.x < 10, 0, s.lane))
    assert (module._lane_numbers(turn)[turn.x < 10] == 0).all()


def test_error_of_lanes_left_out_is_that_of_a_survey_with_half_the_lanes(square):
    # By scipy's linear interpolation over every second lane, at the others, no noise.
    s = lanes(noise=0.0)
    out = (s.lane % 2 == 0) & (s.x % 5 == 0)
    kept = s.lane % 2 == 1
    linear = LinearNDInterpolator(np.column_stack([s.x, s.y])[kept], s.depth[kept])
    expected = rms(linear(s.x[out], s.y[out]) - s.depth[out])
    assert square.scores["tin"].rmse == pytest.approx(np.hypot(expected, 0.02), rel=0.25)


@pytest.mark.parametrize("method", ["tin", "idw", "smooth"])
def test_expected_error_in_the_gaps_is_near_the_truth(square, method):
    surface = module.COMPARED[method](lanes(), cell=4.0)
    x, y = np.meshgrid(surface.depth.x, surface.depth.y)
    truth = rms(surface.depth.values - bottom(x, y))
    score = square.scores[method]
    # It holds the noise of the soundings: not below the truth by much, nor far above twice it.
    assert 0.8 * truth < score.rmse_here < 2.2 * np.hypot(truth, 0.03)
    assert score.rmse > 1.3 * score.rmse_here


def test_the_smooth_surface_wins_where_the_bottom_is_smooth(square):
    assert square.best == "smooth"
    assert square.clear
    assert square.by_lanes
    assert square.lanes == 21
    # Without a shoreline nothing lies beyond the outermost two lanes, of 81 blocks each.
    assert 2 * 81 <= square.unpredicted < 0.15 * square.left_out
    assert square.spacing == pytest.approx(20.0, rel=0.05)
    for score in square.scores.values():
        # Nearer soundings are predicted better.
        counted = [c["rmse"] for c in score.classes if c["count"] > 50]
        assert counted[0] < counted[-1]
        assert sum(c["count"] for c in score.classes) == square.left_out == len(square.distance)
        assert 0.85 < score.within <= 1.0
        # Normal errors: the 95 % bound is 1.96 RMSE; no law gives more than sqrt(20) (Markov).
        assert score.rmse < score.p95 < np.sqrt(20) * score.rmse


def test_figures_follow_from_the_misfits(square):
    for method, score in square.scores.items():
        misfit = square.misfit[method][square.whole]
        assert score.rmse == pytest.approx(rms(misfit))
        assert score.bias == pytest.approx(misfit.mean())
        assert np.mean(np.abs(misfit) <= score.p95) == pytest.approx(0.95, abs=0.01)


def test_figures_worked_by_hand():
    # Misfits 3, -1, 1, 1: squares 9 + 1 + 1 + 1 = 12, mean 4 / 4.
    rmse, bias, p95 = module._figures(np.array([3.0, -1.0, 1.0, 1.0]))
    assert (rmse, bias) == (pytest.approx(np.sqrt(3.0)), 1.0)
    # Sizes 1 1 1 3 at quantiles 0, 1/3, 2/3, 1: 0.95 lies 0.85 of the way from 1 to 3.
    assert p95 == pytest.approx(1.0 + 2.0 * 0.85)
    assert np.isnan(module._figures(np.empty(0))).all()


def test_clear_only_beyond_two_standard_errors_between_lanes():
    group = np.repeat(np.arange(4), 5)
    best = np.zeros(20)
    # All lanes agree: no doubt.
    assert module._clearly_better(best, np.ones(20), group)
    # One lane of four makes the whole difference: mean 1/4, its error sqrt(3)/8 = 0.22.
    assert not module._clearly_better(best, np.where(group == 0, 1.0, 0.0), group)


def test_intervals_by_the_rule_of_map_accuracy():
    # NMAS (1947): 90 % within half an interval, so RMSE <= CI / (2 * 1.644854): 1 ft needs
    # 0.3040 ft = 0.0927 m; 5 ft 0.463 m; 0.25 m 0.0760 m.
    assert supported_interval(0.0926) == {"ft": 1.0, "m": 0.5}
    assert supported_interval(0.0928) == {"ft": 2.0, "m": 0.5}
    assert supported_interval(0.0759)["m"] == 0.25
    assert supported_interval(0.0761)["m"] == 0.5
    assert supported_interval(0.46) == {"ft": 5.0, "m": 2.0}
    assert supported_interval(0.62) == {"ft": None, "m": None}


def test_on_a_rough_bottom_no_method_is_clearly_better():
    # A random field with a spectrum falling by the cube of the wave number, as of rough ground.
    rng = np.random.default_rng(0)
    wave = np.hypot(*np.meshgrid(np.fft.fftfreq(512), np.fft.fftfreq(512)))
    wave[0, 0] = 1.0
    field = np.fft.ifft2(np.fft.fft2(rng.standard_normal((512, 512))) * wave**-1.5).real
    field = 8.0 + 1.5 * (field - field.mean()) / field.std()

    def rough(x, y):
        return map_coordinates(field, [np.asarray(y) + 50.0, np.asarray(x) + 50.0], order=1)

    found = compare_methods(lanes(rough), methods=("tin", "smooth"), cell=5.0)
    assert not found.clear
    surface = COMPARED["tin"](lanes(rough), cell=5.0)
    x, y = np.meshgrid(surface.depth.x, surface.depth.y)
    truth = rms(surface.depth.values - rough(x, y))
    assert 0.8 * truth < found.scores["tin"].rmse_here < 1.4 * truth


def test_a_plane_is_predicted_exactly_by_the_tin():
    s = lanes(lambda x, y: 5.0 + 0.02 * x - 0.01 * y, noise=0.0, uncert=np.nan)
    found = compare_methods(s, methods=("tin", "idw"), cell=4.0)
    inner = found.misfit["tin"][np.abs(found.misfit["tin"]) < 1e-6]
    # All but where the outermost lane is out and the nearest cell stands in.
    assert len(inner) > 0.85 * found.left_out
    assert found.best == "tin"
    assert list(found.scores) == ["tin", "idw"]


def test_without_lanes_squares_are_left_out():
    found = compare_methods(lanes(lane=0), methods=("tin",), cell=4.0)
    assert not found.by_lanes
    assert found.lanes == 0
    assert not found.clear
    by_lanes = compare_methods(lanes(), methods=("tin",), cell=4.0)
    # A square that is left out leaves soundings at its four sides, a lane at two only, farther off:
    # without lanes the error comes out less.
    assert 0.7 < found.scores["tin"].rmse / by_lanes.scores["tin"].rmse < 1.0
    assert found.scores["tin"].rmse_here == pytest.approx(by_lanes.scores["tin"].rmse_here, rel=0.3)


def test_a_lake_with_shore_and_island():
    s, shore = made_lake.survey(40.0), made_lake.shoreline()
    found = compare_methods(s, methods=("tin", "smooth"), shoreline=shore, cell=10.0)
    surface = COMPARED["smooth"](s, shoreline=shore, cell=10.0)
    x, y = np.meshgrid(surface.depth.x, surface.depth.y)
    truth = rms(surface.depth.values - made_lake.true_depth(x, y))
    assert found.best == "smooth"
    # The truth is over all cells, the rim along the shore among them; lanes are left out inside.
    assert 0.75 < found.scores["smooth"].rmse_here / truth < 1.0


def test_same_input_same_figures(square):
    again = compare_methods(lanes(), methods=("tin", "idw"), cell=4.0)
    assert str(again.scores["idw"]) == str(square.scores["idw"])


def test_a_method_without_an_answer_is_compared_where_all_have_one(monkeypatch):
    def half(soundings, **options):
        surface = COMPARED["tin"](soundings, **options)
        x, _ = np.meshgrid(surface.depth.x, surface.depth.y)
        depth = np.where(x < SIZE / 2, surface.depth.values, np.nan)
        return Surface(surface.depth.like(depth), surface.uncertainty, surface.distance)

    monkeypatch.setitem(COMPARED, "half", half)
    found = compare_methods(lanes(), methods=("tin", "half"), cell=4.0)
    assert found.unpredicted > 0.4 * found.left_out
    assert str(found.scores["half"]) == str(found.scores["tin"])
    assert not found.clear


def test_refusals():
    with pytest.raises(LakefloorError, match="kriging cannot be compared"):
        compare_methods(lanes(), methods=("tin", "kriging"))
    with pytest.raises(LakefloorError, match="each once"):
        compare_methods(lanes(), methods=("tin", "tin"))
    with pytest.raises(LakefloorError, match="each once"):
        compare_methods(lanes(), methods=())
    with pytest.raises(LakefloorError, match="single lane"):
        compare_methods(lanes().select(lanes().lane == 1))
    few = lanes(spacing=200.0)
    with pytest.raises(LakefloorError, match="A comparison needs"):
        compare_methods(few.select(few.x < 50.0), methods=("tin",))
    with pytest.raises(LakefloorError, match="do not overlap"):
        compare_methods(lanes(), shoreline=box(5000, 0, 6000, 400))

    def stop(fraction):
        if fraction > 0.2:
            raise Cancelled

    with pytest.raises(Cancelled):
        compare_methods(lanes(), methods=("tin",), progress=stop)


def test_half_gap_between_two_lanes_is_half_their_distance():
    """Worked by hand: lanes 20 m apart leave circles of 10 m radius between them."""
    distance = np.minimum(np.arange(21.0), np.arange(21.0)[::-1])
    half = half_gap(np.tile(distance, (200, 1)), 1.0)
    # The radius goes in steps of a quarter; places hard by a lane are in the same gap.
    assert np.all(half[100, 1:-1] <= 10.0)
    assert np.all(half[100, 3:-3] > 10.0 / 1.25 - 1e-9)


def test_reach_is_the_half_gap_in_the_middle_and_nothing_on_the_lane():
    np.testing.assert_allclose(reach(np.array([0.0, 5.0, 10.0]), 10.0), [0.0, 75.0**0.5, 10.0])


def test_the_method_recommended_is_the_best_at_the_lanes_as_they_are():
    """Of TIN and IDW on a lake whose depth is known everywhere, where wide gaps favour IDW."""
    survey, shore = made_lake.survey(40.0, ping=4.0, seed=2), made_lake.shoreline(6.0)
    # Of nearly equal errors the spacing of the squares decides which is the smaller.
    found = compare_methods(survey, methods=("tin", "idw"), shoreline=shore, cell=8.0, spacing=38.5)

    def error(method):
        depth = module.COMPARED[method](survey, shoreline=shore, cell=8.0).depth
        return rms(depth.values - made_lake.true_depth(*np.meshgrid(depth.x, depth.y)))

    assert found.scores["idw"].rmse < found.scores["tin"].rmse
    assert error("tin") < error("idw")
    assert found.best == "tin"
    # Where the two errors disagree, neither is clearly better.
    assert not found.clear


def test_weights_are_those_of_linear_interpolation_over_the_cells():
    rng = np.random.default_rng(1)
    into, here, error = rng.uniform(0, 9, 400), rng.uniform(0, 12, 700), rng.normal(size=400)
    weight = weights_by_reach(into, here)
    assert weight.sum() == pytest.approx(1.0)
    parts = np.array_split(np.argsort(into), 400 // 30)
    at, square = ([v[rows].mean() for rows in parts] for v in (into, error**2))
    assert np.sum(weight * error**2) == pytest.approx(np.mean(np.interp(here, at, square)))
