"""Styles of depth surfaces and of their difference."""

from __future__ import annotations

from .._i18n import tr
from .look import DEPTH_STOPS, stretch, value_range

# Brown and blue part for every common kind of color blindness; the blue is darker in gray too.
_CHANGE_STOPS = ("#a0561a", "#f6f4f0", "#143a6b")
_UNCERTAINTY_STOPS = ("#fbf7e6", "#b9b2ac", "#5b3f66")

PALETTES = {
    "change": ("diverging", _CHANGE_STOPS),
    "uncertainty": ("sequential", _UNCERTAINTY_STOPS),
}


def _surface(layer):
    """The blue ramp between the shallowest and the deepest depth of band 1.

    Where a band has the uncertainty, a second style of the layer shows it.
    """
    name, styles = tr("uncertainty"), layer.styleManager()
    if _uncertainty_band(layer) and name not in styles.styles():
        depth = styles.currentStyle()
        styles.addStyleFromLayer(name)
        styles.setCurrentStyle(name)
        _uncertainty(layer)
        styles.setCurrentStyle(depth)
    stretch(layer, 1, *value_range(layer, 1), DEPTH_STOPS)


def _uncertainty_band(layer):
    names = [layer.bandName(band + 1) for band in range(layer.bandCount())]
    return next((i + 1 for i, name in enumerate(names) if "uncertainty" in name), None)


def _uncertainty(layer):
    """The uncertainty of a surface, from 0 to the most uncertain two of a hundred cells."""
    band = _uncertainty_band(layer) or 1
    _, high = value_range(layer, band, high=0.98)
    stretch(layer, band, 0.0, high, _UNCERTAINTY_STOPS)


def _difference(layer):
    """Change of depth: brown where shallower, blue where deeper, pale where neither.

    The colors reach as far as the change that is clear, and no less than common uncertainty, so
    that a small dredged hole does not show chance in strong colors in all the rest of a lake.
    """
    sizes = list(value_range(layer, 1, 0.02, 0.98))
    if layer.bandCount() > 2:
        sizes += value_range(layer, 1, 0.02, 0.98, where=3)
        sizes.append(2.0 * value_range(layer, 2, 0.5, 0.5)[0])
    size = max(map(abs, sizes)) or 1.0
    stretch(layer, 1, -size, size, _CHANGE_STOPS)


def _water_depth(layer, shallowest=0.0, deepest=1.0):
    """The blue ramp between two depths, m, without a look at the cells."""
    stretch(layer, 1, shallowest, deepest, DEPTH_STOPS)


STYLES = {
    "surface": _surface,
    "water_depth": _water_depth,
    "uncertainty": _uncertainty,
    "difference": _difference,
}
