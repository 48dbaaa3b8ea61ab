"""The colour arithmetic of the palette tests, against the published tables."""

import sys
from pathlib import Path

import numpy as np
import pytest

sys.path.insert(0, str(Path(__file__).parents[1]))
from color_vision import MACHADO, ciede2000, contrast, difference, lightness, seen


@pytest.mark.parametrize(
    ("one", "other", "expected"),
    [
        # Sharma, Wu and Dalal (2005), table 1.
        ((50, 2.6772, -79.7751), (50, 0, -82.7485), 2.0425),
        ((50, 3.1571, -77.2803), (50, 0, -82.7485), 2.8615),
        ((50, -1.3802, -84.2814), (50, 0, -82.7485), 1.0000),
        ((50, 0, 0), (50, -1, 2), 2.3669),
        ((50, 2.49, -0.001), (50, -2.49, 0.0009), 7.1792),
        ((50, 2.49, -0.001), (50, -2.49, 0.0011), 7.2195),
        ((50, -0.001, 2.49), (50, 0.0009, -2.49), 4.8045),
        ((50, 2.5, 0), (73, 25, -18), 27.1492),
        ((60.2574, -34.0099, 36.2677), (60.4626, -34.1751, 39.4387), 1.2644),
        ((22.7233, 20.0904, -46.694), (23.0331, 14.973, -42.5619), 2.0373),
        ((2.0776, 0.0795, -1.135), (0.9033, -0.0636, -0.5514), 0.9082),
    ],
)
def test_color_difference_of_the_published_pairs(one, other, expected):
    assert ciede2000(one, other) == pytest.approx(expected, abs=5e-5)
    assert ciede2000(other, one) == pytest.approx(expected, abs=5e-5)


def test_grey_stays_grey_and_red_and_green_meet():
    # Rows that sum to 1 leave greys as they are: a property the paper states.
    for matrix in MACHADO.values():
        assert np.sum(matrix, axis=1) == pytest.approx(1.0, abs=2e-6)
    assert seen("#808080", "protanopia") == pytest.approx(seen("#808080", "normal"), abs=1e-5)
    # A red and a green that only their red and green parts tell from each other.
    assert difference("#b04a00", "#5f7a00") > 40
    assert difference("#b04a00", "#5f7a00", "deuteranopia") < 12


def test_lightness_and_contrast_of_black_grey_and_white():
    assert lightness("#ffffff") == pytest.approx(100.0, abs=0.01)
    assert lightness("#000000") == pytest.approx(0.0, abs=0.01)
    # WCAG 2.1: 21 to 1 is the most; #767676 is the lightest grey with 4.5 to 1 on white.
    assert contrast("#000000", "#ffffff") == pytest.approx(21.0)
    assert contrast("#767676", "#ffffff") > 4.5 > contrast("#777777", "#ffffff")
