"""Every colour that a style draws with: for colour-blind eyes, in black and white, in sunlight.

Simulation: Machado et al. (2009); differences: CIEDE2000; contrast: WCAG 2.1. Limits of colour
difference are common practice: about 2.3 is just noticeable side by side, and 10 is plain.
"""

import importlib
import itertools
import pkgutil
import re
import sys
from pathlib import Path

import numpy as np
import pytest

from lakefloor.algorithms import _styling
from lakefloor.algorithms._styling import look

sys.path.insert(0, str(Path(__file__).parents[1]))
from color_vision import VISIONS, contrast, difference, lightness

#: As many bands as a depth-area table may have.
BANDS = 12
MODULES = [
    importlib.import_module(f"{_styling.__name__}.{info.name}")
    for info in pkgutil.iter_modules(_styling.__path__)
]
PALETTES = [
    pytest.param(kind, colors, id=f"{module.__name__.rpartition('.')[2]}: {name}")
    for module in MODULES
    for name, (kind, colors) in getattr(module, "PALETTES", {}).items()
]


def steps(stops, count=BANDS):
    return [look.ramp(stops).color(f).name() for f in np.linspace(0.0, 1.0, count)]


@pytest.mark.parametrize(("kind", "colors"), PALETTES)
def test_palette(kind, colors):
    if kind == "sequential":
        bands = steps(colors)
        _falls_in_lightness(bands)
        _neighbours_differ(bands)
    elif kind == "diverging":
        bands = steps(colors, 2 * BANDS - 1)
        _falls_in_lightness(bands[BANDS - 1 :])
        _falls_in_lightness(bands[BANDS - 1 :: -1])
        _neighbours_differ(bands)
        _differ([colors[0], colors[-1]], 20.0)
        assert abs(lightness(colors[0]) - lightness(colors[-1])) > 8.0
    elif kind == "categories":
        _differ(colors, 10.0)
        light = sorted(lightness(color) for color in colors)
        assert np.diff(light).min() > 5.0, f"two fills are alike in black and white: {light}"
    elif kind == "patterned":
        _differ(colors, 10.0)
    elif kind == "lines":
        # WCAG 2.1, 1.4.3 and 1.4.11: text 4.5 to 1, lines and symbols 3 to 1.
        for color in colors:
            assert contrast(color, look.WHITE) >= 4.5, color
            assert contrast(color, look.DEPTH_STOPS[0]) >= 3.0, color
    else:
        pytest.fail(f"unknown kind '{kind}'")


def _falls_in_lightness(bands):
    light = np.array([lightness(color) for color in bands])
    assert np.diff(light).max() < -2.0, light


def _neighbours_differ(bands):
    for vision in VISIONS:
        smallest = min(difference(a, b, vision) for a, b in zip(bands, bands[1:]))
        assert smallest > 2.3, f"{vision}: {smallest:.1f}"


def _differ(colors, least):
    for vision in VISIONS:
        for one, other in itertools.combinations(colors, 2):
            assert difference(one, other, vision) > least, (vision, one, other)


@pytest.mark.parametrize("module", MODULES, ids=lambda module: module.__name__)
def test_no_colour_is_left_undeclared(module):
    written = re.findall(r'"(#[0-9a-fA-F]{6})"', Path(module.__file__).read_text("utf-8"))
    declared = {
        color.lower() for _, colors in getattr(module, "PALETTES", {}).values() for color in colors
    } | {look.WHITE}
    assert {color.lower() for color in written} <= declared


def test_contours_and_their_labels_are_read_in_sunlight():
    # WCAG 2.1, level AAA: 7 to 1 for text; 1.4.11: 3 to 1 for lines on any depth.
    assert contrast(look.INK, look.WHITE) >= 7.0
    for band in steps(look.DEPTH_STOPS):
        assert contrast(look.INK, band) >= 3.0


def test_a_poor_palette_is_seen():
    # Two colours that deuteranopes take for one, and a ramp that is level in grey.
    assert difference("#b04a00", "#5f7a00", "deuteranopia") < 12.0
    with pytest.raises(AssertionError):
        _differ(["#a85400", "#6a7600"], 10.0)
    with pytest.raises(AssertionError):
        _falls_in_lightness(steps(("#ff0000", "#7f5a00", "#00741f")))
