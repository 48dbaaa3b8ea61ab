"""What the form of an algorithm or model shows, and with what it is filled.

A form shows at most :data:`MOST_SHOWN` fields, outputs counted; the rest stands in its folded part.
Numbers are drawn by a field of the plugin's own, which writes lengths and speeds in the unit that the
user chose; the values themselves stay as the labels say, in meters. What the user has chosen for all
lakes is filled in where QGIS has a place for it, the default of a form alone. A run without a window,
a script and a model keep the defaults of the contract.
"""

from __future__ import annotations

from typing import Callable, NamedTuple

from qgis.core import (
    QgsProcessingParameterDefinition,
    QgsProcessingParameterEnum,
    QgsProcessingParameterNumber,
)

from . import _settings
from ._io.params import folded

MOST_SHOWN = 7


class Widgets(NamedTuple):
    """What draws the forms of algorithms and models in a window.

    Attributes
    ----------
    number, filled : str
        Full names of the classes that make a field: of a number, and of what the user chose for all
        lakes. QGIS loads them when the first form is opened.
    dialog : callable
        Called with an algorithm and the parent; returns the dialog.
    """

    number: str
    filled: str
    dialog: Callable


_widgets = None


def use(widgets: Widgets | None) -> None:
    """Let forms be drawn by what a window brings; without it they are those of QGIS."""
    global _widgets
    _widgets = widgets


def arrange(algorithm, shown=()) -> None:
    """Prepare the parameters of an algorithm or model for its form.

    Parameters
    ----------
    shown : tuple of str
        Names that stand outside the folded part; all that is not declared as advanced if empty.
    """
    definitions = algorithm.parameterDefinitions()
    chosen = _chosen({definition.name() for definition in definitions})
    for definition in definitions:
        if shown and definition.name() not in shown:
            folded(definition)
        value = chosen.get(definition.name())
        filled = value is not None and _takes(definition, value)
        if filled:
            definition.setGuiDefaultValueOverride(value)
        if _widgets is not None and (_is_decimal(definition) or filled):
            definition.setMetadata({**definition.metadata(), "widget_wrapper": _field(definition)})


def shown(algorithm) -> list:
    """Return the definitions that stand outside the folded part of a form."""
    flag = QgsProcessingParameterDefinition.Flag
    return [
        definition
        for definition in algorithm.parameterDefinitions()
        if not definition.flags() & (flag.FlagAdvanced | flag.FlagHidden)
    ]


def form(algorithm, parent):
    """Return the dialog of an algorithm or model, None for that of QGIS."""
    return None if _widgets is None else _widgets.dialog(algorithm, parent)


def _is_decimal(definition):
    return (
        isinstance(definition, QgsProcessingParameterNumber)
        and definition.dataType() == QgsProcessingParameterNumber.Type.Double
    )


def _field(definition) -> dict:
    """Return what QGIS makes the field from; the model designer looks at the decimals alone."""
    if not _is_decimal(definition):
        return {"class": _widgets.filled}
    written = str(definition.defaultValue() or 0.0).partition(".")[2]
    return {"class": _widgets.number, "decimals": max(3, len(written))}


def _takes(definition, value):
    if isinstance(definition, QgsProcessingParameterEnum):
        return value in definition.options()
    return True


def _chosen(names) -> dict:
    """Return what the user chose, by the parameter that asks for it."""
    unit = _settings.depth_unit()
    chosen = {"UNIT": unit, "LEVEL_UNIT": unit, "PAGE_SIZE": _settings.page_size()}
    boat = _settings.boat()
    if boat is not None:
        chosen["DRAFT"] = boat.draft_m
        chosen["ASSUMED_SOUND_SPEED"] = boat.sound_speed_ms
        chosen["BEAM_WIDTH"] = boat.beam_degrees
    return {**chosen, **_speeds(unit, boat, names)}


def _speeds(unit, boat, names):
    """Return the speed of the boat in its unit, where an algorithm asks for both."""
    if not {"SPEED", "SPEED_UNIT"} <= names:
        return {}
    from .core.units import SPEED

    speed_unit = "mph" if unit == "feet" else "km/h"
    if boat is not None:
        return {"SPEED_UNIT": speed_unit, "SPEED": round(boat.speed_ms / SPEED[speed_unit], 1)}
    return {"SPEED_UNIT": speed_unit, "SPEED": 5.0 if speed_unit == "mph" else 8.0}
