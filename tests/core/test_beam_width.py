"""The width of a beam from depths that a pole measured, on echoes counted ray by ray."""

import numpy as np
import pytest

from lakefloor.algorithms.core.correcting.first_return import plane_first_return
from lakefloor.algorithms.core.errors import LakefloorError
from lakefloor.algorithms.core.soundings import Soundings
from lakefloor.algorithms.core.surface.beam_width import FEWEST, find_beam_width, telling_places
from lakefloor.algorithms.core.surface.frame import frame

SPACING = 20.0


def bottom(x, y):
    """Depth of a basin with a hump, m: sides of up to 50 %, flat ground in between."""
    away = np.hypot(x / 1.3, y)
    basin = 14.0 / (1.0 + np.exp((away - 110.0) / 7.0))
    hump = 7.0 * np.exp(-(((x - 40.0) ** 2 + (y + 30.0) ** 2) / 16.0**2))
    return 2.0 + basin - hump


def heard(x, y, beam_deg):
    """Depths by rays, each to the bottom where it meets it, in steps of half a degree."""
    nearest = bottom(x, y)
    for off in np.radians(np.arange(0.5, beam_deg / 2.0 + 0.01, 0.5)):
        for course in np.radians(np.arange(0.0, 360.0, 7.5)):
            reach = bottom(x, y)
            for _ in range(12):
                reach = bottom(
                    x + reach * np.tan(off) * np.sin(course),
                    y + reach * np.tan(off) * np.cos(course),
                )
            nearest = np.minimum(nearest, reach / np.cos(off))
    return nearest


def survey(beam_deg, seed=1, jitter=0.0):
    rng = np.random.default_rng(seed)
    lanes = np.arange(-140.0, 141.0, SPACING)
    along = np.arange(-180.0, 181.0, 2.0)
    y, x = (a.ravel() for a in np.meshgrid(lanes, along, indexing="ij"))
    lane = np.repeat(np.arange(len(lanes)), len(along))
    depth = heard(x, y, beam_deg) + rng.normal(0.0, 0.04, len(x))
    moved = rng.normal(0.0, jitter, (2, len(x)))
    return Soundings.build(
        x + moved[0], y + moved[1], depth, uncert=0.05, lane=lane, corrections="draft_m=0;level_m=0"
    )


def framed(soundings):
    return frame(soundings, cell=2.5, spacing=SPACING, max_gap=3.0 * SPACING)


def poles(places, seed, shift=0.0):
    """Measured depths at places, read to 8 cm at places off by a meter."""
    rng = np.random.default_rng(seed)
    x, y = places.x, places.y
    off = rng.normal(0.0, 1.0, (2, len(x)))
    return x + off[0], y + off[1], bottom(x, y) + rng.normal(0.0, 0.08, len(x)) + shift


def test_rays_agree_with_the_closed_form_of_a_plane(monkeypatch):
    slope = np.tan(np.radians(20.0))
    monkeypatch.setitem(globals(), "bottom", lambda x, y: 10.0 + slope * x)
    found = heard(np.zeros(1), np.zeros(1), 20.0)
    assert found[0] == pytest.approx(float(plane_first_return(10.0, slope, 20.0)), abs=0.01)


@pytest.fixture(scope="module")
def frames():
    return {
        deg: framed(survey(deg, seed=int(deg) + 3, jitter=1.0)) for deg in (0.0, 8.0, 12.0, 20.0)
    }


@pytest.mark.parametrize("deg", [0.0, 8.0, 12.0, 20.0])
@pytest.mark.parametrize("level_known", [True, False])
def test_thirty_depths_tell_the_width(frames, deg, level_known):
    f = frames[deg]
    places = telling_places(f, count=30)
    assert 20 <= len(places.x) <= 30
    within, widths = 0, []
    for seed in range(6):
        x, y, depth = poles(places, seed, 0.0 if level_known else 0.4)
        found = find_beam_width(f, x, y, depth, level_known=level_known)
        within += found.low_deg <= deg <= found.high_deg
        widths.append(found.beam_deg)
        if not level_known:
            assert found.common_m == pytest.approx(0.4, abs=0.12)
    assert within >= 5
    # 30 depths tell it to some ten degrees.
    assert abs(np.median(widths) - deg) <= 6.0


def test_the_survey_alone_tells_nothing(frames):
    """Depths of the map itself agree with it under any width."""
    f = frames[20.0]
    places = telling_places(f, count=30)
    narrow = find_beam_width(f, places.x, places.y, places.depth, level_known=True)
    assert narrow.beam_deg <= 3.0
    assert narrow.low_deg == 0.0


def test_one_wrong_reading_does_not_decide(frames):
    f = frames[12.0]
    places = telling_places(f, count=30)
    x, y, depth = poles(places, 1)
    right = find_beam_width(f, x, y, depth, level_known=True)
    depth[3] += 5.0
    wrong = find_beam_width(f, x, y, depth, level_known=True)
    assert abs(wrong.beam_deg - right.beam_deg) <= 8.0
    assert wrong.low_deg <= 12.0 <= wrong.high_deg


def test_wide_beams_are_told_from_below_only(frames):
    """On ground of 20 degrees beams of more than 40 degrees read alike."""
    f = framed(survey(60.0, seed=5))
    x, y, depth = poles(telling_places(f, count=30), 2)
    found = find_beam_width(f, x, y, depth, level_known=True)
    assert found.low_deg > 6.0
    assert found.high_deg == np.inf
    assert not found.determinable


def test_places_are_steep_apart_and_within_reach(frames):
    f = frames[12.0]
    places = telling_places(f, count=10, deepest_m=9.0)
    assert len(places.x) == 10
    assert (places.depth <= 9.0).all()
    steep = places.effect >= 0.1
    assert steep.sum() == 7
    assert (places.slope[steep] > 0.15).all()
    assert (places.slope[~steep] < 0.03).all()
    gaps = np.hypot(*(v[:, None] - v for v in (places.x, places.y)))
    assert gaps[np.triu_indices(10, 1)].min() >= 2.0 * SPACING


def test_flat_ground_has_no_telling_place():
    rng = np.random.default_rng(0)
    s = survey(0.0)
    f = framed(s.replace(depth=4.0 + 0.002 * s.x + rng.normal(0.0, 0.03, len(s))))
    assert len(telling_places(f).x) == 0


def test_too_few_depths_on_the_map_are_refused(frames):
    x = np.array([0.0, 20.0, 5000.0])
    with pytest.raises(LakefloorError, match=f"2 measured depths lie .* {FEWEST} are needed"):
        find_beam_width(frames[12.0], x, np.zeros(3), np.ones(3))
