"""A short form for a step: the parameters that the lake does not know, in QGIS's own widgets."""

from __future__ import annotations

from qgis.core import QgsProcessingContext, QgsProcessingParameterDefinition, QgsProject
from qgis.gui import QgsCollapsibleGroupBox, QgsProcessingParameterWidgetContext, QgsScrollArea
from qgis.PyQt.QtCore import pyqtSignal
from qgis.PyQt.QtWidgets import QDialog, QDialogButtonBox, QFormLayout, QVBoxLayout, QWidget

from ...algorithms._i18n import tr
from .wrong import Wrong


class StepForm(QDialog):
    """Asks for parameters of an algorithm; the map stays alive beside it.

    Parameters
    ----------
    algorithm : QgsProcessingAlgorithm
    values : dict
        What the lake knows; parameters in it that are not in ``asked`` are not shown.
    asked : collection of str
        Parameters to show although there is a value.
    title, run : str
        Of the window, and on its button.
    first : collection of str
        Where given, these alone stand at the top, and all others are folded away.
    canvas : QgsMapCanvas, optional
        On which points are picked.
    """

    #: The values of what is shown, when the form was filled in.
    filled = pyqtSignal(dict)

    def __init__(self, algorithm, values, title, run, asked=(), first=(), canvas=None, parent=None):
        super().__init__(parent)
        self.setWindowTitle(title)
        self._algorithm, self._values = algorithm, dict(values)
        self._context = QgsProcessingContext()
        self._context.setProject(QgsProject.instance())
        self._widgets = QgsProcessingParameterWidgetContext()
        self._widgets.setProject(QgsProject.instance())
        if canvas is not None:
            self._widgets.setMapCanvas(canvas)
        self._wrappers, self._rows = {}, []
        self.wrong = Wrong()
        # Rows go into layouts that have a widget, which owns them at once.
        self._top, self._more = QWidget(), QgsCollapsibleGroupBox(tr("More"))
        self.form, more = QFormLayout(self._top), QFormLayout(self._more)
        self.form.setContentsMargins(0, 0, 0, 0)
        for layout in (self.form, more):
            layout.setRowWrapPolicy(QFormLayout.RowWrapPolicy.WrapLongRows)
        for definition in self._definitions(asked):
            folded = definition.name() not in first if first else _is_advanced(definition)
            self._add(more if folded else self.form, definition)
        self._lay_out(more, run)

    def _definitions(self, asked):
        flag = QgsProcessingParameterDefinition.Flag.FlagHidden
        for definition in self._algorithm.parameterDefinitions():
            known = definition.name() in self._values and definition.name() not in asked
            if not (known or definition.isDestination() or definition.flags() & flag):
                yield definition

    def _add(self, layout, definition):
        from processing.gui.wrappers import WidgetWrapperFactory

        wrapper = WidgetWrapperFactory.create_wrapper(definition, self)
        wrapper.setWidgetContext(self._widgets)
        if _in_python(wrapper):
            widget, label = wrapper.widget, wrapper.label
        else:
            wrapper.setDialog(self)
            widget, label = wrapper.createWrappedWidget(self._context), wrapper.createWrappedLabel()
        for each in (widget, label):
            if each is not None and definition.help():
                each.setToolTip(definition.help())
        if label is None:
            layout.addRow(widget)
        else:
            layout.addRow(label, widget)
        if definition.name() in self._values:
            _fill(wrapper, self._values[definition.name()], self._context)
        self._wrappers[definition.name()] = wrapper
        self._rows += [definition, widget, label]

    def _made(self):
        """Return places of all results, which are known when the run begins."""
        return {
            d.name(): "TEMPORARY_OUTPUT" for d in self._algorithm.destinationParameterDefinitions()
        }

    def _lay_out(self, more, run):
        column = QVBoxLayout()
        column.addWidget(self._top)
        column.addWidget(self._more)
        self._more.setVisible(more.rowCount() > 0)
        self._more.setCollapsed(True)
        self._more.setSaveCollapsedState(False)
        column.addStretch(1)
        inside = QWidget()
        inside.setLayout(column)
        area = QgsScrollArea()
        area.setWidget(inside)
        area.setWidgetResizable(True)
        area.setFrameShape(QgsScrollArea.Shape.NoFrame)
        buttons = QDialogButtonBox(QDialogButtonBox.StandardButton.Cancel)
        start = buttons.addButton(run, QDialogButtonBox.ButtonRole.AcceptRole)
        start.setDefault(True)
        buttons.accepted.connect(self.accept)
        buttons.rejected.connect(self.reject)
        whole = QVBoxLayout(self)
        whole.addWidget(self.wrong)
        whole.addWidget(area)
        whole.addWidget(buttons)
        self.resize(460, min(640, 150 + inside.sizeHint().height()))

    def values(self) -> dict:
        """Return the values of the parameters that are shown."""
        shown = {name: _value(wrapper) for name, wrapper in self._wrappers.items()}
        return {name: value for name, value in shown.items() if value is not None}

    def accept(self):
        values = self.values()
        whole = {**self._made(), **self._values, **values}
        fine, wrong = self._algorithm.checkParameterValues(whole, self._context)
        if not fine:
            self.wrong.say(self._missing(values) or wrong)
            return
        self.filled.emit(values)
        super().accept()

    def _missing(self, values) -> str:
        """Return which field is empty that must not be, "" for none; QGIS names its key."""
        for name in self._wrappers:
            definition = self._algorithm.parameterDefinition(name)
            value = values.get(name)
            if value in (None, "") and not definition.checkValueIsAcceptable(value):
                return tr("Fill in '{}'.").format(definition.description())
        return ""


def _is_advanced(definition) -> bool:
    return bool(definition.flags() & QgsProcessingParameterDefinition.Flag.FlagAdvanced)


def _in_python(wrapper) -> bool:
    """Tell whether a wrapper is one of Processing's in Python, which has its widget already."""
    from processing.gui.wrappers import WidgetWrapper

    return isinstance(wrapper, WidgetWrapper)


def _fill(wrapper, value, context):
    if _in_python(wrapper):
        wrapper.setValue(value)
    else:
        wrapper.setParameterValue(value, context)


def _value(wrapper):
    return wrapper.value() if _in_python(wrapper) else wrapper.parameterValue()
