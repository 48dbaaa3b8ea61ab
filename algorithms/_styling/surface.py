"""Styles of depth surfaces and of their difference."""

from __future__ import annotations

from .look import DEPTH_STOPS, stretch

# Brown and blue part for every common kind of colour blindness.
_CHANGE_STOPS = ("#7a3300", "#f6f4f0", "#1f4f8b")


def _surface(layer):
    """The blue ramp between the least and the greatest depth of band 1."""
    stats = layer.dataProvider().bandStatistics(1)
    stretch(layer, 1, stats.minimumValue, stats.maximumValue, DEPTH_STOPS)


def _difference(layer):
    """Change of depth: brown where shallower, blue where deeper, pale where neither."""
    low, high = layer.dataProvider().cumulativeCut(1, 0.02, 0.98)
    size = max(abs(low), abs(high)) or 1.0
    stretch(layer, 1, -size, size, _CHANGE_STOPS)


STYLES = {
    "surface": _surface,
    "difference": _difference,
}
