"""Hard-soft transitions on edges of known place, width and contrast."""

import sys
from pathlib import Path

import numpy as np
import pytest
from scipy.spatial import cKDTree
from shapely.geometry import LineString

sys.path.insert(0, str(Path(__file__).parent))
import hard_lakes
from test_bottom_type import example

from lakefloor.algorithms.core.errors import Cancelled, LakefloorError
from lakefloor.algorithms.core.grid import Grid
from lakefloor.algorithms.core.hardness.bottom_type import bottom_type
from lakefloor.algorithms.core.hardness.hardness_map import HardnessMap
from lakefloor.algorithms.core.hardness.hardness_names import TRANSITION_ATTRIBUTES
from lakefloor.algorithms.core.hardness.transitions import find_transitions, hard_soft_transitions
from lakefloor.algorithms.core.soundings import Soundings

#: 10 to 90 percent of 0.5 (1 + tanh(x / w)) lie 2 artanh(0.8) w apart (calculus).
RISE = 2.0 * np.arctanh(0.8)


def grid_of(function, size=100.0, cell=1.0, west=1000.0, south=2000.0):
    n = int(size / cell)
    blank = Grid(np.zeros((n, n)), west, south + size, cell, cell)
    x, y = np.meshgrid(blank.x - west, blank.y - south)
    return blank.like(function(x, y))


def edge(x, y, at=50.0, width=4.0):
    """Soft in the west, hard in the east."""
    return 0.3 + 0.4 * hard_lakes.rise(x - at, width)


def test_a_straight_edge():
    hardness = grid_of(edge)
    lines = find_transitions(
        HardnessMap(hardness), [0.45], depth=grid_of(lambda x, y: 2.0 + 0.05 * y)
    )
    assert set(lines.attributes) == set(TRANSITION_ATTRIBUTES)
    assert len(lines) == 1
    xy, a = lines.coords[0], {k: v[0] for k, v in lines.attributes.items()}
    # The line is halfway, not at the threshold of 0.45, which lies 1 m west of it.
    assert xy[:, 0] == pytest.approx(1050.0, abs=0.15)
    assert a["contrast"] == pytest.approx(0.4, abs=0.01)
    assert a["width_m"] == pytest.approx(RISE * 4.0, rel=0.06)
    assert a["width_from"] == "surface"
    assert a["length_m"] == pytest.approx(99.0, abs=1.0)
    assert a["depth_m"] == pytest.approx(4.5, abs=0.05)
    assert (a["depth_from_m"], a["depth_to_m"]) == pytest.approx((2.0, 7.0), abs=0.1)
    assert (a["supported"], a["crossings"], a["hard_side"]) == (1, 0, "left")
    # Hard in the east on the left: southward.
    assert xy[0, 1] > xy[-1, 1]


def test_threshold_that_is_not_given_is_found():
    hardness = grid_of(edge)
    found = hard_soft_transitions(HardnessMap(hardness), min_length_m=20.0)
    (threshold,) = found.thresholds
    # Halfway between the two bottoms, after Otsu (1979).
    assert threshold == pytest.approx(0.5, abs=0.01)
    same = find_transitions(HardnessMap(hardness), [threshold], min_length_m=20.0)
    assert np.array_equal(found.lines.coords[0], same.coords[0])
    assert found.supported_m == pytest.approx(99.0, abs=1.0)
    assert found.unsupported_m == 0.0
    given = hard_soft_transitions(HardnessMap(hardness), (0.42, 0.58))
    assert given.thresholds == [0.42, 0.58]
    assert len(hard_soft_transitions(HardnessMap(hardness), []).lines) == 0
    for wrong in (lambda x, y: x, lambda x, y: np.nan * x):
        with pytest.raises(LakefloorError, match="not relative hardness"):
            hard_soft_transitions(HardnessMap(grid_of(wrong)))


def test_lengths_with_and_without_support():
    far = grid_of(lambda x, y: np.where(y < 40.0, 100.0, 1.0))
    found = hard_soft_transitions(HardnessMap(grid_of(edge), distance=far, spacing=20.0), [0.5])
    assert found.supported_m == pytest.approx(60.0, abs=3.0)
    assert found.unsupported_m == pytest.approx(40.0, abs=3.0)


@pytest.mark.parametrize("turns", [0, 1, 2, 3])
def test_hard_side_is_left_whichever_way(turns):
    hardness = grid_of(edge)
    turned = hardness.like(np.rot90(hardness.values, turns).copy())
    xy = find_transitions(HardnessMap(turned), [0.5]).coords[0]
    middle, along = xy[len(xy) // 2], xy[len(xy) // 2 + 3] - xy[len(xy) // 2 - 3]
    left = np.array([-along[1], along[0]]) / np.hypot(*along)
    ahead = turned.sample(*(middle + 15.0 * left)[:, None])
    assert ahead[0] == pytest.approx(0.7, abs=0.02)


def test_rings_round_hard_and_soft():
    def island(x, y, hard):
        inside = hard_lakes.rise(25.0 - np.hypot(x - 50.0, y - 50.0), 3.0)
        return 0.3 + 0.4 * (inside if hard else 1.0 - inside)

    for hard in (True, False):
        lines = find_transitions(HardnessMap(grid_of(lambda x, y, h=hard: island(x, y, h))), [0.5])
        ring = lines.coords[0]
        assert np.array_equal(ring[0], ring[-1])
        assert np.hypot(*(ring - [1050.0, 2050.0]).T) == pytest.approx(25.0, abs=0.5)
        assert lines.attributes["length_m"][0] == pytest.approx(2 * np.pi * 25.0, rel=0.02)
        x, y = ring.T
        area = 0.5 * np.sum(x[:-1] * y[1:] - x[1:] * y[:-1])
        assert (area > 0) == hard


def test_a_step_over_two_thresholds_is_one_line():
    one = find_transitions(HardnessMap(grid_of(edge)), [0.42, 0.58])
    assert len(one) == 1
    assert one.coords[0][:, 0] == pytest.approx(1050.0, abs=0.2)

    def stairs(x, y):
        return 0.2 + 0.25 * hard_lakes.rise(x - 25.0) + 0.25 * hard_lakes.rise(x - 75.0)

    two = find_transitions(HardnessMap(grid_of(stairs)), [0.325, 0.575])
    places = sorted(np.median(c[:, 0]) for c in two.coords)
    assert places == pytest.approx([1025.0, 1075.0], abs=0.3)
    assert two.attributes["contrast"] == pytest.approx([0.25, 0.25], abs=0.02)


def test_a_line_is_cut_where_uncertainty_swallows_the_contrast():
    hardness = grid_of(edge)
    sigma = grid_of(lambda x, y: np.where(y < 50.0, 0.02, 0.25))
    lines = find_transitions(HardnessMap(hardness, uncertainty=sigma, spacing=20.0), [0.5])
    assert sorted(lines.attributes["supported"]) == [0, 1]
    firm = lines.attributes["supported"].index(1)
    assert lines.coords[firm][:, 1].max() == pytest.approx(2050.0, abs=6.0)
    sure, unsure = (lines.attributes["confidence"][i] for i in (firm, 1 - firm))
    assert sure > 0.99
    # erf(0.4 / (2 sqrt 2 sqrt 2 0.25)) = erf(0.4) = 0.428 (table of the error function), times
    # the probability of lying within half a lane spacing.
    assert 0.2 < unsure < 0.43
    # 0.8 of the contrast over the width is the slope that turns hardness into place.
    assert lines.attributes["position_sd_m"][firm] == pytest.approx(
        0.02 * RISE * 4.0 / (0.8 * 0.4), rel=0.1
    )


def test_far_from_data_and_beyond_them():
    hardness = grid_of(lambda x, y: np.where(y > 80.0, np.nan, edge(x, y)))
    far = grid_of(lambda x, y: np.where(y > 40.0, 35.0, 5.0))
    lines = find_transitions(
        HardnessMap(
            hardness, uncertainty=grid_of(lambda x, y: 0.02 + 0.0 * x), distance=far, spacing=20.0
        ),
        [0.5],
    )
    assert max(c[:, 1].max() for c in lines.coords) < 2080.0
    supported = dict(zip(lines.attributes["supported"], lines.coords))
    assert supported[1][:, 1].max() == pytest.approx(2040.0, abs=6.0)
    assert supported[0][:, 1].min() == pytest.approx(2040.0, abs=6.0)


def test_faint_and_short_edges_are_left_out():
    hardness = grid_of(lambda x, y: 0.47 + 0.06 * hard_lakes.rise(x - 50.0))
    assert len(find_transitions(HardnessMap(hardness), [0.5])) == 0
    assert len(find_transitions(HardnessMap(hardness), [0.5], min_contrast=0.03)) == 1
    assert len(find_transitions(HardnessMap(grid_of(edge)), [0.5], min_length_m=150.0)) == 0
    assert len(find_transitions(HardnessMap(grid_of(edge)), [])) == 0
    assert len(find_transitions(HardnessMap(grid_of(lambda x, y: 0.3 + 0.0 * x)), [0.5])) == 0


def tracks(width, seed=0, shown=True, gain=0.7):
    """East-west lanes 10 m apart over the edge, logged with a gain of their own."""
    rng = np.random.default_rng(seed)
    run = np.arange(5.0, 95.0, 1.5)
    y = np.arange(10.0, 95.0, 10.0)
    x = np.concatenate([run if i % 2 else run[::-1] for i in range(len(y))])
    y = np.repeat(y, len(run))
    true = edge(x, y, width=width) if shown else 0.5 + 0.0 * x
    return Soundings.build(
        1000.0 + x,
        2000.0 + y,
        np.full(len(x), 3.0),
        hardness=gain * true + 0.1 + 0.02 * rng.standard_normal(len(x)),
        visit="a",
    )


def test_tracks_tell_the_width_that_the_surface_blurs():
    blurred = grid_of(lambda x, y: edge(x, y, width=10.0))
    lines = find_transitions(HardnessMap(blurred, spacing=10.0), [0.5], soundings=tracks(2.0))
    assert lines.attributes["width_from"] == ["soundings"]
    assert lines.attributes["width_m"][0] == pytest.approx(RISE * 2.0, rel=0.2)
    assert lines.attributes["crossings"] == [9]
    alone = find_transitions(HardnessMap(blurred, spacing=10.0), [0.5])
    assert alone.attributes["width_m"][0] > 3.0 * RISE * 2.0


def test_tracks_that_do_not_show_the_step_take_the_support():
    lines = find_transitions(
        HardnessMap(grid_of(edge), spacing=10.0), [0.5], soundings=tracks(4.0, shown=False)
    )
    assert set(lines.attributes["supported"]) == {0}
    assert sum(lines.attributes["crossings"]) == 0


def test_bad_parameters_and_cancel():
    hardness, small = grid_of(edge), grid_of(edge, size=50.0)
    for change, words in (
        ({"thresholds": [1.2]}, "between 0 and 1"),
        ({"min_contrast": 0.0}, "minimum contrast"),
        ({"min_length_m": -1.0}, "minimum length"),
        ({"mapped": HardnessMap(hardness, uncertainty=small)}, "Uncertainty has the shape"),
        ({"mapped": HardnessMap(hardness, distance=small)}, "Distance has the shape"),
    ):
        with pytest.raises(LakefloorError, match=words):
            find_transitions(**{"mapped": HardnessMap(hardness), "thresholds": [0.5], **change})

    def stop(fraction):
        raise Cancelled

    with pytest.raises(Cancelled):
        find_transitions(HardnessMap(hardness), [0.5], progress=stop)


def densified(lines):
    return np.concatenate(
        [
            [line.interpolate(d).coords[0] for d in np.arange(0.0, line.length)]
            for line in map(LineString, lines)
        ]
    )


def judge(lines, true, mapped, within):
    """Return median error, m, precision and recall of the supported lines.

    Precision: share of the length drawn that lies within ``within`` of a true line. Recall:
    share of the true length on the map that has a line within it.
    """
    firm = [c for c, s in zip(lines.coords, lines.attributes["supported"]) if s]
    drawn, true = densified(firm), densified(true)
    true = true[np.isfinite(mapped.sample(*true.T))]
    error, missed = cKDTree(true).query(drawn)[0], cKDTree(drawn).query(true)[0]
    return np.median(error), np.mean(error <= within), np.mean(missed <= within)


@pytest.mark.parametrize("noise", [0.03, 0.1])
def test_two_hard_grounds_are_ringed(noise):
    soundings = hard_lakes.survey(hard_lakes.patches, per_decade=-0.15, noise=noise)
    found = bottom_type(soundings, hard_lakes.depth_grid(), cell=4.0)
    lines = find_transitions(
        HardnessMap(
            found.hardness, uncertainty=found.uncertainty, distance=found.distance, spacing=20.0
        ),
        found.thresholds,
        soundings=soundings,
    )
    median, precision, recall = judge(lines, hard_lakes.patch_lines(), found.hardness, 10.0)
    # The aim is half the lane spacing, 10 m.
    assert median < 2.0
    # Without the tracks the surface alone still keeps to it.
    alone = find_transitions(
        HardnessMap(
            found.hardness, uncertainty=found.uncertainty, distance=found.distance, spacing=20.0
        ),
        found.thresholds,
    )
    assert judge(alone, hard_lakes.patch_lines(), found.hardness, 10.0)[0] < 6.0
    assert precision > 0.95
    assert recall > 0.9
    firm = np.array(lines.attributes["supported"]) == 1
    several = np.array(lines.attributes["crossings"]) > 4
    width = np.array(lines.attributes["width_m"])[firm & several]
    assert len(width) >= 2
    assert width == pytest.approx(RISE * 3.0, abs=1.0 if noise < 0.05 else 4.0)
    assert np.array(lines.attributes["contrast"])[firm] == pytest.approx(0.35, abs=0.08)


def test_example_lake():
    soundings, depth, shore = example()
    found = bottom_type(soundings, depth, shoreline=shore, cell=3.0)
    lines = find_transitions(
        HardnessMap(
            found.hardness,
            uncertainty=found.uncertainty,
            distance=found.distance,
            spacing=found.spacing,
        ),
        found.thresholds,
        depth=depth,
        soundings=soundings,
    )
    import truth

    median, precision, recall = judge(lines, truth.transition_lines(), found.hardness, 5.0)
    # Lanes lie 10 m apart where hardness was logged; the aim is half of it.
    assert median < 2.0
    assert precision > 0.9
    assert recall > 0.6
    # The rest has no soundings of both bottoms near it: where three of either lie within 9 m,
    # a little less than from lane to lane, all but nothing is missed.
    true = densified(truth.transition_lines())
    logged = soundings.select(soundings.accepted & np.isfinite(soundings.hardness))
    both = np.ones(len(true), dtype=bool)
    for bottom in (logged.hardness < 0.42, logged.hardness > 0.58):
        of = cKDTree(np.column_stack([logged.x, logged.y])[bottom])
        both &= of.query(true, k=3)[0][:, -1] <= 9.0
    assert found.spacing == pytest.approx(10.0, rel=0.25)
    firm = [c for c, s in zip(lines.coords, lines.attributes["supported"]) if s]
    missed = cKDTree(densified(firm)).query(true[both])[0] > 5.0
    assert both.sum() > 400
    assert missed.mean() < 0.02
