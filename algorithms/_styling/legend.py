"""What of a layer's legend occurs in the layer."""

from __future__ import annotations

from qgis.core import QgsFeatureRequest

from .._compat import is_null

__all__ = ["occurring"]


def occurring(layer):
    """Return the numbers of the legend entries that some feature of the layer has.

    None for a user's own style without categories or rules.
    """
    renderer = layer.renderer()
    if hasattr(renderer, "categories"):
        return _categories(layer, renderer)
    if not hasattr(renderer, "rootRule"):
        return None
    return [
        number
        for number, rule in enumerate(renderer.rootRule().children())
        if any(
            True
            for _ in layer.getFeatures(
                QgsFeatureRequest().setFilterExpression(rule.filterExpression()).setLimit(1)
            )
        )
    ]


def _categories(layer, renderer):
    index = layer.fields().indexFromName(renderer.classAttribute())
    values = None if index < 0 else set(map(str, layer.uniqueValues(index)))
    named = {str(category.value()) for category in renderer.categories()}
    return [
        number
        for number, category in enumerate(renderer.categories())
        if category.renderState()
        and (
            values is None
            or str(category.value()) in values
            # The category without a value takes the rest.
            or (_is_rest(category) and values - named)
        )
    ]


def _is_rest(category):
    return is_null(category.value()) or category.value() == ""
