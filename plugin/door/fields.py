"""The fields of a form: numbers in the unit of the user's choice, without idle zeros.

QGIS's own field for a distance has its unit chosen anew in each form, forgets it in a folded group,
and writes six decimals. This one shows what the user chose once for all lakes. What it hands on is in
the unit of the label, and a value that nobody touched is handed on to the last digit.
"""

from __future__ import annotations

import re
from math import floor, log10
from typing import NamedTuple

from processing.gui.wrappers import DIALOG_STANDARD, WidgetWrapper, dialogTypes
from qgis.core import (
    QgsProcessingContext,
    QgsProcessingModelChildParameterSource,
    QgsProcessingParameterDefinition,
    QgsProcessingParameters,
)
from qgis.gui import QgsDoubleSpinBox, QgsGui
from qgis.PyQt.QtCore import QLocale
from qgis.PyQt.QtWidgets import QTableWidget

from ...algorithms._compat import is_null
from ...algorithms._i18n import tr
from ...algorithms._settings import depth_unit
from ...algorithms.core.units import FOOT, KMH, MPH

_DECIMALS = 6
#: Beyond this QGIS writes numbers that nobody reads.
_FAR = 1e9


class Shown(NamedTuple):
    """A unit as it is shown: ``value * size + zero`` is in the unit of the label."""

    unit: str
    size: float
    zero: float = 0.0


#: Unit that the user chose -> unit in the label of a parameter -> how it is shown.
_SHOWN = {
    "feet": {
        "m": Shown("ft", FOOT),
        "m²": Shown("ft²", FOOT**2),
        "m/s": Shown("mph", MPH),
        "°C": Shown("°F", 5.0 / 9.0, -160.0 / 9.0),
    },
    "meters": {"mph": Shown("km/h", KMH / MPH)},
}
_UNIT = re.compile(r"\(([^()]+)\)$")


def shown_in(name: str, label: str, unit: str) -> Shown:
    """Return how a parameter is shown to a user of feet or meters.

    The speed of sound is in feet a second, and an uncertainty of a temperature is a difference.
    """
    found = _UNIT.search(label)
    own = found.group(1) if found else ""
    shown = _SHOWN[unit].get(own, Shown(own, 1.0))
    if shown.unit == "mph" and "SOUND_SPEED" in name:
        return Shown("ft/s", FOOT)
    if shown.zero and "UNCERTAINTY" in name:
        return Shown(shown.unit, shown.size)
    return shown


class NumberField:
    """Makes the field of a number; the model designer keeps the one of QGIS."""

    def __new__(cls, definition, dialog, row=0, column=0, decimals=3):
        if _is_designer(dialog):
            return _in_designer(definition, dialog)
        return NumberWrapper(definition, dialog, row, column)


class FilledField:
    """Makes the field of QGIS for what the user has chosen for all lakes."""

    def __new__(cls, definition, dialog, row=0, column=0):
        if _is_designer(dialog):
            return _in_designer(definition, dialog)
        kind = dialogTypes.get(type(dialog).__name__, DIALOG_STANDARD)
        wrapper = QgsGui.processingGuiRegistry().createParameterWidgetWrapper(definition, kind)
        wrapper.setDialog(dialog)
        return wrapper


def _is_designer(dialog):
    return type(dialog).__name__ == "ModelerParametersDialog"


def _in_designer(definition, dialog):
    """Return the field of the model designer; a model is for others too, so nothing is filled in."""
    field = QgsGui.processingGuiRegistry().createModelerParameterWidget(
        dialog.model, dialog.childId, definition, dialog.context
    )
    field.setDialog(dialog)
    default = QgsProcessingModelChildParameterSource.fromStaticValue(definition.defaultValue())
    field.setWidgetValue(default)
    return field


class NumberWrapper(WidgetWrapper):
    """Shows a number in the user's unit, and hands it on in that of the label.

    It derives from the class that Processing has for wrappers in Python: that one keeps its widget,
    while the one of the library takes it from Python, and QGIS crashes as it draws it.
    """

    def __init__(self, definition, dialog, row=0, column=0):
        super().__init__(definition, dialog, row, column)
        self.setValue(definition.defaultValueForGui())

    def createWidget(self):
        definition = self.parameterDefinition()
        label = definition.description()
        self._shown = shown_in(definition.name(), label, depth_unit())
        self._optional = bool(
            definition.flags() & QgsProcessingParameterDefinition.Flag.FlagOptional
        )
        box = _Box(self.col, label, self._in_label(label))
        ends = (self._from_label(v) for v in (definition.minimum(), definition.maximum()))
        low, high = (min(max(end, -_FAR), _FAR) for end in ends)
        # What is one below the lowest number stands for none.
        box.setRange(low - 1.0 if self._optional else low, high)
        default = definition.defaultValueForGui()
        box.setSingleStep(1.0 if default is None or abs(self._from_label(default)) >= 3 else 0.1)
        if self._optional:
            box.setClearValue(box.minimum(), tr("Not set"))
        elif default is not None:
            box.setClearValue(self._rounded(default))
        box.valueChanged.connect(lambda _: self.widgetValueHasChanged.emit(self))
        self._box = box
        return box

    def createLabel(self):
        label = super().createLabel()
        if label is not None:
            label.setText(self._in_label(label.text()))
        return label

    def setValue(self, value):
        """Show a value, given in the unit of the label."""
        self._given = None
        if not is_null(value) and str(value).strip():
            name = self.parameterDefinition().name()
            self._given = QgsProcessingParameters.parameterAsDouble(
                self.parameterDefinition(), {name: value}, QgsProcessingContext()
            )
        if self._given is not None:
            self._box.setValue(self._rounded(self._given))
        elif self._optional:
            self._box.setValue(self._box.minimum())
        self._given_shown = self._box.value()

    def value(self):
        """Return what is shown in the unit of the label; what nobody touched, as it was given."""
        value = self._box.value()
        if value == self._given_shown:
            return self._given
        if self._optional and value == self._box.minimum():
            return None
        return value * self._shown.size + self._shown.zero

    def _from_label(self, value):
        return (value - self._shown.zero) / self._shown.size

    def _rounded(self, value) -> float:
        """Return a value as it is shown: as given in its own unit, else as people write it."""
        shown = self._from_label(value)
        if self._shown.size == 1.0 or not shown:
            return shown
        return round(shown, max(2, 1 - floor(log10(abs(shown)))))

    def _in_label(self, text):
        own = _UNIT.search(self.parameterDefinition().description())
        return text.replace(own.group(), f"({self._shown.unit})") if own else text


class _Box(QgsDoubleSpinBox):
    """Writes a number without idle zeros; in a table it writes its unit into the head."""

    def __init__(self, column, label, label_shown):
        super().__init__()
        self._head = column, label, label_shown
        self.setDecimals(_DECIMALS)
        self.setExpressionsEnabled(True)

    def textFromValue(self, value):
        locale = self.locale()
        locale.setNumberOptions(QLocale.NumberOption.OmitGroupSeparator)
        text = locale.toString(float(value), "f", _DECIMALS)
        return text.rstrip("0").rstrip(locale.decimalPoint())

    def showEvent(self, event):
        super().showEvent(event)
        column, label, label_shown = self._head
        parent = self.parent()
        while parent is not None and not isinstance(parent, QTableWidget):
            parent = parent.parent()
        head = parent.horizontalHeaderItem(column) if parent is not None else None
        if head is not None and head.text() == label:
            head.setText(label_shown)
