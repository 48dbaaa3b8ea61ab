"""Depths in layered water, against sums of layers and numerical integration."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.integrate import quad

from lakefloor.algorithms.core.correcting.corrections import correct_depths
from lakefloor.algorithms.core.correcting.sound_speed import fresh_water_sound_speed
from lakefloor.algorithms.core.correcting.uncertainty_budget import uncertainty_budget
from lakefloor.algorithms.core.correcting.water_column import TemperatureProfile
from lakefloor.algorithms.core.errors import LakefloorError
from lakefloor.algorithms.core.soundings import Soundings, parse_corrections

FOOT = 0.3048
WARM, COLD = (75.0 - 32.0) / 1.8, (45.0 - 32.0) / 1.8
LAYERS = TemperatureProfile.of(np.array([0, 20, 20, 60]) * FOOT, [WARM, WARM, COLD, COLD])


def travel(profile, start, depth):
    """Seconds down, by adaptive integration between the readings."""

    def slowness(z):
        return 1.0 / float(
            fresh_water_sound_speed(np.interp(z, profile.depth, profile.temperature))
        )

    edges = [start, *[z for z in profile.depth if start < z < depth], depth]
    return sum(quad(slowness, a, b, epsabs=1e-13)[0] for a, b in zip(edges, edges[1:]))


def two_layers(depth, start=0.0):
    """Seconds down through 20 ft of warm water and cold water below."""
    warm, cold = (float(fresh_water_sound_speed(t)) for t in (WARM, COLD))
    edge = 20.0 * FOOT
    return (min(depth, edge) - start) / warm + max(depth - edge, 0.0) / cold


def test_pure_water_at_twenty_degrees():
    """1482.4 m/s at 20 degrees Celsius (Marczak 1997; from memory)."""
    assert float(fresh_water_sound_speed(20.0)) == pytest.approx(1482.4, abs=0.1)


def test_what_one_temperature_errs_by():
    """75 F down to 20 ft and 45 F below: the surface's speed is 1.2 ft too deep at 50 ft."""
    warm = float(fresh_water_sound_speed(WARM))
    assert warm * two_layers(50.0 * FOOT) / FOOT - 50.0 == pytest.approx(1.21, abs=0.01)
    mean = 50.0 * FOOT / two_layers(50.0 * FOOT)
    # One mean of the column to 50 ft, at 20 ft.
    assert mean * two_layers(20.0 * FOOT) / FOOT - 20.0 == pytest.approx(-0.48, abs=0.05)


@pytest.mark.parametrize("draft", [0.0, 0.3])
@pytest.mark.parametrize("feet", [3.0, 19.9, 20.0, 20.1, 35.0, 50.0, 90.0])
def test_right_to_a_hundredth_of_a_foot(feet, draft):
    depth = feet * FOOT
    logged = 1500.0 * two_layers(depth, draft)
    s = Soundings.build([0.0], [0.0], [logged], water_temp=WARM, visit="July")
    found = correct_depths(s, draft_m=draft, profiles={"July": LAYERS}).soundings
    assert float(found.depth[0]) / FOOT == pytest.approx(feet, abs=0.01)


@settings(max_examples=60)
@given(
    readings=st.lists(
        st.tuples(st.floats(0.0, 25.0), st.floats(3.0, 28.0)),
        min_size=1,
        max_size=8,
        unique_by=lambda r: round(r[0], 2),
    ),
    start=st.floats(0.0, 1.0),
    depth=st.floats(1.5, 40.0),
)
def test_any_profile_against_integration(readings, start, depth):
    profile = TemperatureProfile.of(*zip(*readings))
    found = profile.below(np.array([travel(profile, start, depth)]), np.array([start]))
    assert float(found[0]) == pytest.approx(depth - start, abs=0.002)


def test_a_visit_has_its_own_profile_and_the_others_that_of_the_lake():
    cold = TemperatureProfile.of([0.0], [5.0])
    s = Soundings.build(
        np.zeros(3),
        np.zeros(3),
        np.full(3, 10.0),
        visit=np.array(["May", "July", "October"], dtype=object),
        water_temp=np.array([8.0, 24.0, np.nan]),
    )
    found = correct_depths(s, draft_m=0.0, profiles={"July": LAYERS, "": cold}).soundings
    one = 10.0 / 1500.0
    assert found.depth[0] == found.depth[2] == pytest.approx(one * fresh_water_sound_speed(5.0))
    assert found.depth[1] == pytest.approx(float(LAYERS.below([one], [0.0])[0]))
    only_july = correct_depths(s, draft_m=0.0, profiles={"July": LAYERS}).soundings
    assert only_july.depth[0] == pytest.approx(one * float(fresh_water_sound_speed(8.0)))
    # What was measured down the water is not allowed for again.
    kept = [parse_corrections(str(c)).get("sound_speed_from") for c in only_july.corrections]
    assert kept == [None, "profile", None]
    assert only_july.uncert[1] < correct_depths(s, draft_m=0.0).soundings.uncert[1]
    assert only_july.uncert[2] > only_july.uncert[1]


def test_the_budget_knows_of_the_profile():
    s = Soundings.build(
        np.arange(5.0), np.zeros(5), np.full(5, 15.0), water_temp=WARM, visit="July"
    )
    terms = []
    for profiles in ({}, {"": LAYERS}):
        corrected = correct_depths(s, profiles=profiles).soundings
        budget = uncertainty_budget(corrected)
        terms.append({name: rms for name, rms, _ in budget.terms})
    name = next(n for n in terms[0] if "speed" in n.lower())
    assert terms[1][name] < 0.7 * terms[0][name]


def test_starting_again_from_raw_depths():
    s = Soundings.build([0.0], [0.0], [12.0], water_temp=WARM, visit="July")
    once = correct_depths(s, profiles={"": LAYERS}).soundings
    again = correct_depths(once, from_raw=True).soundings
    np.testing.assert_array_equal(again.depth, correct_depths(s).soundings.depth)
    assert "profile" not in str(again.corrections[0])


def test_the_summary_says_what_layers_may_add():
    s = Soundings.build([0.0], [0.0], [50.0 * FOOT], water_temp=WARM, visit="July")
    alone = correct_depths(s, draft_m=0.0).summary["layered_m"]["July"]
    assert 0.2 < alone < 0.6
    known = correct_depths(s, draft_m=0.0, profiles={"": LAYERS})
    assert known.summary["layered_m"]["July"] == 0.0


@pytest.mark.parametrize(
    ("depth", "temperature", "says"),
    [
        ([], [], "no row with a depth and a temperature"),
        ([np.nan], [8.0], "no row with a depth and a temperature"),
        ([-1.0, 2.0], [8.0, 8.0], "-1 m is above the surface"),
        ([2.0, 2.0, 2.0], [8.0, 9.0, 10.0], "2 m comes more than twice"),
        ([2.0], [75.0], "75 °C is outside 0 to 40 °C"),
    ],
)
def test_readings_that_cannot_be(depth, temperature, says):
    with pytest.raises(LakefloorError, match=says):
        TemperatureProfile.of(depth, temperature)
