"""Sound speed against four published polynomials, IAPWS-95 and TEOS-10."""

import numpy as np
import pytest

from lakefloor.algorithms.core.correcting.sound_speed import fresh_water_sound_speed
from lakefloor.algorithms.core.errors import LakefloorError
from lakefloor.algorithms.core.units import fahrenheit_to_celsius

TEMPERATURES = np.array([4.0, 5.0, 10.0, 15.0, 20.0, 25.0, 30.0])

# Ascending powers of temperature in degrees Celsius.
POLYNOMIALS = {
    # Bilaniuk and Wong (1993), JASA 93, 1609; erratum (1996), JASA 99, 3257; 148 points, ITS-90.
    "Bilaniuk and Wong": (
        1402.38744,
        5.03836171,
        -5.81172916e-2,
        3.34638117e-4,
        -1.48259672e-6,
        3.16585020e-9,
    ),
    # Del Grosso and Mader (1972), JASA 52, 1442, table III, column 4.
    "Del Grosso and Mader": (
        1402.38754,
        5.03711129,
        -5.80852166e-2,
        3.34198834e-4,
        -1.47800417e-6,
        3.14643091e-9,
    ),
    # Chen and Millero (1977), JASA 62, 1129, at zero salinity and pressure, recast to ITS-90 by
    # Wong and Zhu (1995), JASA 97, 1732 (attribution from memory).
    "Chen and Millero": (1402.388, 5.03830, -5.81090e-2, 3.3432e-4, -1.47797e-6, 3.1419e-9),
}

# m/s at TEMPERATURES, each worked out once with the formula or library named.
TABLES = {
    "Marczak (1997), JASA 102, 2776": (
        [1421.6331, 1426.1695, 1447.2890, 1465.9599, 1482.3795, 1496.7277, 1509.1672],
        6e-5,
    ),
    "TEOS-10, gsw.sound_speed_t_exact(0, t, 0)": (
        [1421.6449, 1426.1797, 1447.2842, 1465.9383, 1482.3528, 1496.7087, 1509.1612],
        0.05,
    ),
    "IAPWS-95 at 0.101325 MPa, package iapws": (
        [1421.6351, 1426.1694, 1447.2722, 1465.9295, 1482.3462, 1496.7014, 1509.1538],
        0.05,
    ),
}


@pytest.mark.parametrize("source", TABLES)
def test_tables(source):
    expected, tolerance = TABLES[source]
    np.testing.assert_allclose(
        fresh_water_sound_speed(TEMPERATURES), expected, rtol=0, atol=tolerance
    )


@pytest.mark.parametrize("source", POLYNOMIALS)
def test_other_published_polynomials(source):
    t = np.linspace(0.0, 30.0, 301)
    expected = np.polynomial.polynomial.polyval(t, POLYNOMIALS[source])
    np.testing.assert_allclose(fresh_water_sound_speed(t), expected, rtol=0, atol=0.05)


def test_teos10_by_the_gibbs_sea_water_library():
    # The exact Gibbs function, not the library's 75-term ocean fit, which is 0.1 m/s off in
    # fresh water near freezing.
    gsw = pytest.importorskip("gsw")
    t = np.linspace(0.0, 30.0, 61)
    np.testing.assert_allclose(
        fresh_water_sound_speed(t), gsw.sound_speed_t_exact(0.0, t, 0.0), rtol=0, atol=0.05
    )


def test_digit_swap_of_circulating_copies_is_not_repeated():
    # With -5.779136e-2 in place of -5.799136e-2 the speed at 20 degrees is 1482.4595 m/s.
    assert abs(float(fresh_water_sound_speed(20.0)) - 1482.4595) > 0.07


@pytest.mark.parametrize(
    ("fahrenheit", "speed"),
    # Marczak (1997) at whole degrees Fahrenheit, worked with numpy.
    [(33, 1405.167), (40, 1423.663), (55, 1457.951), (65, 1477.145), (80, 1501.079)],
)
def test_whole_degrees_fahrenheit(fahrenheit, speed):
    assert float(fresh_water_sound_speed(fahrenheit_to_celsius(fahrenheit))) == pytest.approx(
        speed, abs=6e-4
    )


def test_fahrenheit_by_mistake_is_refused_with_the_right_value():
    with pytest.raises(LakefloorError, match=r"75 °C is outside.*Fahrenheit, enter 23\.9"):
        fresh_water_sound_speed([20.0, 75.0])
    with pytest.raises(LakefloorError, match="-3 °C is outside"):
        fresh_water_sound_speed(-3.0)


def test_unknown_temperature_stays_unknown():
    assert np.isnan(fresh_water_sound_speed(np.nan))


def test_speed_of_a_cold_layer_by_hand():
    assert float(fresh_water_sound_speed(fahrenheit_to_celsius(45.0))) == pytest.approx(
        1435.872, abs=6e-4
    )
