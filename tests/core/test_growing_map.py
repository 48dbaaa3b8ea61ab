"""The map that grows: what it draws is the careful surface, window by window."""

import numpy as np
import pytest

from lakefloor.algorithms.core.correcting.corrections import correct_depths
from lakefloor.algorithms.core.growing.growing_map import HALO_CELLS, GrowingMap
from lakefloor.algorithms.core.growing.level_fit import LevelFit
from lakefloor.algorithms.core.growing.live_depths import LiveDepths
from lakefloor.algorithms.core.growing.settings import WINDOW_CELLS, MapSettings
from lakefloor.algorithms.core.soundings import ACCEPTED, Soundings
from lakefloor.algorithms.core.surface.frame import frame
from lakefloor.algorithms.core.surface.smooth_surface import draw_smooth, learn_smooth

from .made_surveys import Habit, blob, lanes

#: Seeds of lakes that were not looked at while the map was made.
SEEDS = (41, 57, 83)
EAST, NORTH, SPACING = 500_000.0, 5_000_000.0, 20.0


def bottom(x, y, seed):
    """A rough bottom of known depth, m."""
    draw = np.random.default_rng([seed, 7])
    depth = 6.0 + np.zeros_like(x)
    for _ in range(9):
        length, turn, phase = draw.uniform(60, 400), draw.uniform(0, np.pi), draw.uniform(0, 6.3)
        along = (x * np.cos(turn) + y * np.sin(turn)) * 2 * np.pi / length
        depth += length / 300.0 * np.sin(along + phase)
    return np.maximum(depth, 1.0)


def survey(seed, radius=330.0):
    """Return a lake, its soundings in order of time, and the settings learned from all of them."""
    draw = np.random.default_rng(seed)
    lake = blob(draw, radius)
    x, y = lanes(draw, lake, SPACING, habit=Habit(white=0.2, slow=0.3)).T
    depth = bottom(x, y, seed) + draw.normal(0.0, 0.05, len(x))
    time = np.datetime64("2026-07-09T14:00:00", "ms") + np.arange(len(x)) * np.timedelta64(1, "s")
    made = Soundings.build(
        x + EAST,
        y + NORTH,
        depth,
        time=time,
        lane=1 + np.cumsum(np.abs(np.diff(y, prepend=y[0])) > SPACING / 2.0),
        hardness=np.clip(0.2 + 0.05 * depth, 0, 1),
    )
    f = frame(made, spacing=SPACING)
    learned = learn_smooth(f)
    settings = MapSettings(32615, f.grid.dx, f.spacing, f.max_gap, learned)
    return made, f, learned, settings


def all_of(growing):
    pictures = {}
    while (picture := growing.draw_next()) is not None:
        pictures[picture.key] = picture
        for key, contours in picture.neighbors:
            if key in pictures:
                pictures[key].contours[:] = contours
    return pictures


def places(picture):
    n = np.arange(WINDOW_CELLS) + 0.5
    return np.meshgrid(picture.west + n * picture.cell, picture.north - n * picture.cell)


@pytest.fixture(scope="module", params=SEEDS)
def lake(request):
    made, f, learned, settings = survey(request.param)
    growing = GrowingMap(settings)
    for start in range(0, len(made), 97):
        growing.add(made.select(slice(start, start + 97)), start + 1)
    return request.param, made, draw_smooth(f, learned), settings, all_of(growing)


def _compared(lake):
    """Return differences from the careful surface, its sigma, and both errors, between lanes."""
    seed, _, careful, _, pictures = lake
    found = []
    for picture in pictures.values():
        x, y = places(picture)
        row, col = (np.rint(v).astype(int) for v in careful.depth.rows_cols(x, y))
        shape = careful.depth.shape
        there = (row >= 0) & (row < shape[0]) & (col >= 0) & (col < shape[1])
        there[there] &= careful.distance.values[row[there], col[there]] < 0.6 * SPACING
        there &= np.isfinite(picture.depth)
        at = row[there], col[there]
        truth = bottom(x[there] - EAST, y[there] - NORTH, seed)
        depth = careful.depth.values[at]
        found.append(
            np.column_stack(
                [
                    picture.depth[there] - depth,
                    careful.uncertainty.values[at],
                    picture.depth[there] - truth,
                    depth - truth,
                    picture.sigma[there],
                ]
            )
        )
    return np.concatenate(found).T


def test_it_is_as_near_to_the_truth_as_the_careful_surface(lake):
    difference, sigma, own, careful, _ = _compared(lake)
    assert np.sqrt(np.mean(own**2)) <= 1.05 * np.sqrt(np.mean(careful**2))
    assert np.sqrt(np.mean((difference / sigma) ** 2)) < 0.35


def test_its_uncertainty_holds_as_much_of_the_truth(lake):
    _, stated, own, careful, sigma = _compared(lake)
    held = np.mean(np.abs(own) <= 2.0 * sigma)
    as_held = np.mean(np.abs(careful) <= 2.0 * stated)
    # One of these bottoms has edges, where the careful surface is too sure as well.
    assert held >= min(0.9, as_held - 0.01)


def test_contours_meet_those_of_the_neighbors(lake):
    """What ends on an edge between two windows goes on in the other, at the same place."""
    _, _, _, settings, pictures = lake
    ends = {}
    for picture in pictures.values():
        for level, _, xy in picture.contours:
            if np.array_equal(xy[0], xy[-1]):
                continue
            for place in (xy[0], xy[-1]):
                where = (round(level, 6), *np.round(place, 6))
                ends[where] = ends.get(where, 0) + 1
    centers = settings.cell / 2.0
    met = alone = 0
    for (_, x, y), count in ends.items():
        # Lines pass from one window to the other on the first centers of the eastern or southern.
        on_edge = min((x - centers) % settings.side, (y + centers) % settings.side)
        if on_edge > 1e-4:
            continue
        key = tuple(np.floor([(x + 1e-3) / settings.side, (-y + 1e-3) / settings.side]).astype(int))
        if key in pictures:
            met, alone = met + (count >= 2), alone + (count < 2)
    assert met > 10
    assert alone <= 0.05 * met


def test_the_order_in_which_soundings_come_does_not_matter(lake):
    _, made, _, settings, pictures = lake
    growing = GrowingMap(settings)
    growing.add(made, 1)
    again = all_of(growing)
    assert set(again) == set(pictures)
    for key, picture in again.items():
        np.testing.assert_allclose(picture.depth, pictures[key].depth, atol=2e-3, equal_nan=True)


def test_it_grows_without_renaming_its_windows(lake):
    _, made, _, settings, pictures = lake
    growing = GrowingMap(settings)
    west = made.select(made.x < np.median(made.x))
    growing.add(west, 1)
    before = all_of(growing)
    growing.add(made.select(made.x >= np.median(made.x)), 2)
    after = {**before, **all_of(growing)}
    assert set(before) <= set(after)
    assert {k: (p.west, p.north) for k, p in after.items()} == {
        k: (p.west, p.north) for k, p in pictures.items()
    }


def test_earlier_soundings_are_drawn_with_those_of_today(lake):
    _, made, careful, settings, _ = lake
    today = np.arange(len(made)) % 40 == 0
    growing = GrowingMap(settings, made.select(~today))
    assert growing.is_idle
    growing.add(made.select(today), 1)
    picture = max(all_of(growing).values(), key=lambda p: np.isfinite(p.depth).sum())
    x, y = places(picture)
    there = np.isfinite(picture.depth)
    depth = careful.depth.sample(x[there], y[there])
    near = careful.distance.sample(x[there], y[there]) < SPACING
    assert np.nanmedian(np.abs(picture.depth[there] - depth)[near]) < 0.03


def test_a_level_moves_the_soundings_of_today_alone(lake):
    _, made, _, settings, pictures = lake
    growing = GrowingMap(settings)
    growing.add(made, 1)
    all_of(growing)
    growing.shift(0.5)
    for key, picture in all_of(growing).items():
        moved = picture.depth - pictures[key].depth
        assert np.nanmedian(moved) == pytest.approx(0.5, abs=0.01)


def test_none_starves():
    settings = MapSettings(32615, 2.0, 20.0, 50.0)
    growing = GrowingMap(settings)
    side = settings.side

    def ping(col, stamp):
        x = np.array([(col + 0.4) * side, (col + 0.45) * side])
        growing.add(Soundings.build(x, np.full(2, -0.5 * side), [5.0, 5.1]), stamp)

    for col in range(5):
        ping(col, col + 1)
    drawn = []
    for stamp in range(6, 30):
        ping(9, stamp)
        drawn.append(growing.draw_next().key[0])
    assert set(drawn) == {0, 1, 2, 3, 4, 9}
    assert drawn[0] == 9
    assert drawn.count(9) >= len(drawn) // 2


def test_a_shoreline_ends_the_map_and_is_shore():
    draw = np.random.default_rng(5)
    lake = blob(draw, 200.0)
    x, y = lanes(draw, lake, SPACING).T
    s = Soundings.build(x, y, np.full(len(x), 4.0))
    growing = GrowingMap(MapSettings("EPSG:32615", 2.0, SPACING, 50.0, shoreline=lake))
    growing.add(s, 1)
    for picture in all_of(growing).values():
        x, y = places(picture)
        wet = np.isfinite(picture.depth)
        from shapely import geometry, prepared

        inside = prepared.prep(lake.buffer(2.0 * picture.cell))
        assert all(
            inside.contains(geometry.Point(a, b)) for a, b in zip(x[wet][::97], y[wet][::97])
        )


def test_a_single_lane_is_drawn_with_usual_settings():
    x = np.arange(0.0, 400.0, 2.0)
    growing = GrowingMap(MapSettings(32615, 2.0, 20.0, 50.0))
    growing.add(Soundings.build(x, np.full(len(x), -100.0), 5.0 + 0.01 * x), 3)
    pictures = all_of(growing)
    assert pictures
    assert max(p.stamp for p in pictures.values()) == 3
    assert all((p.sigma[np.isfinite(p.depth)] > 0).all() for p in pictures.values())


def test_windows_are_drawn_with_what_was_learned_last(lake):
    """Windows that were drawn before enough was known are drawn again."""
    _, made, _, settings, _ = lake
    unknown = MapSettings(32615, settings.cell, settings.spacing, settings.max_gap)
    growing = GrowingMap(unknown)
    growing.add(made.select(slice(0, 200)), 1)
    first = all_of(growing)
    growing.add(made.select(made.y > made.y.max() - 150.0), 2)
    assert set(first) <= set(all_of(growing))


def test_earlier_soundings_are_learned_from_before_the_boat_runs(lake):
    _, made, _, settings, _ = lake
    unknown = MapSettings(32615, settings.cell, settings.spacing, settings.max_gap)
    growing = GrowingMap(unknown, made)
    assert growing.is_idle
    growing.add(made.select(slice(0, 20)), 1)
    usual = GrowingMap(unknown)
    usual.add(made.select(slice(0, 300)), 1)
    sigma, before = (next(iter(all_of(g).values())).sigma for g in (growing, usual))
    assert np.nanmedian(sigma) < np.nanmedian(before)


def test_the_coarse_surface_is_of_everything(lake):
    _, made, careful, settings, _ = lake
    half = len(made) // 2
    growing = GrowingMap(settings, made.select(slice(0, half)))
    growing.add(made.select(slice(half, None)), 1)
    surface = growing.surface(8.0)
    x, y = np.meshgrid(surface.depth.x, surface.depth.y)
    known = np.isfinite(surface.depth.values) & (surface.distance.values < 10.0)
    depth = careful.depth.sample(x[known], y[known])
    assert np.nanmedian(np.abs(surface.depth.values[known] - depth)) < 0.1


def test_a_sounding_reaches_as_far_as_the_maximum_gap_over_window_edges():
    settings = MapSettings(32615, 2.0, 20.0, 200.0)
    x = settings.side - np.arange(2.0, 60.0, 2.0)
    growing = GrowingMap(settings)
    growing.add(Soundings.build(x, np.full(len(x), -250.0), 5.0 + 0.01 * x), 1)
    pictures = all_of(growing)
    east = pictures[(1, 0)]
    # The easternmost sounding lies one cell within the western window.
    assert np.isfinite(east.depth[125, :98]).all()
    assert np.isnan(east.depth[125, 102:]).all()


def test_the_halo_is_wide_enough_for_the_usual_cell():
    # The suggested cell is about an eighth of the lane spacing.
    assert HALO_CELLS >= 6 * 8


# -- depths and level ---------------------------------------------------------


def _track(depth, step=1.0):
    lat = 45.0 + np.arange(len(depth)) * step / 111_132.0
    return Soundings.build(np.full(len(depth), -93.0), lat, depth, corrections="from=transducer")


def test_the_draft_is_added_and_places_are_projected():
    known = LiveDepths(32615, draft_m=0.4).take(_track(np.array([3.0, 3.1])))
    np.testing.assert_allclose(known.depth, [3.4, 3.5])
    # pyproj's own result for this place, as in core.crs.project.
    assert (round(known.x[0]), round(known.y[0])) == (500000, 4982950)
    np.testing.assert_array_equal(known.raw_depth, [3.0, 3.1])


@pytest.mark.parametrize(
    "said",
    [
        "from=transducer",
        "from=surface",
        "from=keel",
        "from=unknown",
        "from=transducer;offset_m=0.400",
        "from=transducer;offset_m=-0.200",
        "",
    ],
)
def test_depths_count_from_where_they_do_at_home(said):
    depth = np.array([3.0, 3.2, 3.1])
    raw = depth - max(float(said.partition("offset_m=")[2] or 0.0), 0.0)
    track = _track(depth).replace(corrections=np.full(3, said, dtype=object))
    logged = Soundings.build(track.x, track.y, depth, raw_depth=raw, corrections=track.corrections)
    home = correct_depths(logged, draft_m=0.3, assumed_speed_ms=1480.0, real_speed_ms=1480.0)
    live = LiveDepths(32615, draft_m=0.3).take(track)
    np.testing.assert_allclose(live.depth, home.soundings.depth, atol=1e-9)


def test_a_spike_waits_and_a_step_is_confirmed():
    live = LiveDepths(32615)
    spike = live.take(_track(np.array([5.0, 5.0, 1.2, 5.1, 5.0])))
    assert (spike.status == ACCEPTED).tolist() == [True, True, False, True, True]
    step = live.take(_track(np.array([5.0, 9.0, 9.1, 9.0])))
    assert (step.status == ACCEPTED).tolist() == [True, False, True, True]
    assert live.spikes == 2


def test_a_steep_slope_is_no_spike():
    depth = np.linspace(3.0, 15.0, 30)
    known = LiveDepths(32615).take(_track(depth, step=1.0))
    assert (known.status == ACCEPTED).all()


@pytest.mark.parametrize("level", [-0.35, 0.0, 0.62])
def test_the_level_is_found_where_tracks_meet(level):
    earlier, *_ = survey(29)
    some = earlier.select(np.arange(len(earlier)) % 7 == 0)
    x, y = some.x + 0.7, some.y - 0.4
    today = some.replace(x=x, y=y, depth=bottom(x - EAST, y - NORTH, 29) + level)
    fit = LevelFit(earlier)
    fit.add(today)
    shift, sigma, count = fit.fitted()
    assert count >= 30
    assert shift == pytest.approx(-level, abs=2.0 * sigma)


def test_no_level_from_too_few_places():
    made, *_ = survey(29)
    fit = LevelFit(made)
    fit.add(made.select(slice(0, 12)))
    assert fit.fitted() is None
    assert LevelFit(None).fitted() is None


@pytest.mark.parametrize("field", ["x", "y", "depth"])
@pytest.mark.parametrize("value", [np.nan, np.inf])
def test_a_sounding_without_place_or_depth_spoils_no_others(field, value):
    count = np.arange(60)
    made = Soundings.build(EAST + count, NORTH + np.zeros(60), np.full(60, 5.0))
    column = getattr(made, field).copy()
    column[7] = value
    settings = MapSettings(32615, 1.0, SPACING, 3 * SPACING)
    grown = GrowingMap(settings, made.replace(**{field: column}))
    grown.add(made.replace(**{field: column}), 1)
    pictures = []
    while not grown.is_idle:
        pictures.append(grown.draw_next())
    known = np.concatenate([p.depth[np.isfinite(p.depth)] for p in pictures if p is not None])
    assert len(known)
    np.testing.assert_allclose(known, 5.0, atol=0.01)
