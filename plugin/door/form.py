"""The dialog of an algorithm or model: that of QGIS, with two changes to its outputs.

QGIS shows every output, and has a folded part for inputs alone: here an output that is declared as
advanced stands there too. And QGIS puts a file name that is typed without a folder into a folder of
the user's profile, which nobody looks into: here it gets the folder of the project, or that for
lakes, and the field shows it. Who chose a folder for outputs in the options of Processing keeps it.
"""

from __future__ import annotations

from processing.core.ProcessingConfig import ProcessingConfig
from processing.gui.AlgorithmDialog import AlgorithmDialog
from processing.gui.ParametersPanel import ParametersPanel
from qgis.core import QgsProcessingParameterDefinition
from qgis.PyQt.QtWidgets import QLineEdit

from ...algorithms._io import typed_names


class Panel(ParametersPanel):
    """The parameters of an algorithm."""

    def initWidgets(self):
        self._outputs = iter(self.algorithm().destinationParameterDefinitions())
        self._output = None
        super().initWidgets()
        for output in self.algorithm().destinationParameterDefinitions():
            self._show_folder(output.name())

    def addOutputLabel(self, label):
        self._output = next(self._outputs)
        if _is_folded(self._output):
            self.addParameterLabel(self._output, label)
        else:
            super().addOutputLabel(label)

    def addOutputWidget(self, widget, stretch=0):
        if self._output is not None and _is_folded(self._output):
            self.addParameterWidget(self._output, widget, stretch)
        else:
            super().addOutputWidget(widget, stretch)

    def createProcessingParameters(self, *args, **options):
        # QGIS asks while a name is being typed too, so the field stays as it is.
        parameters = super().createProcessingParameters(*args, **options)
        for output in self.algorithm().destinationParameterDefinitions():
            path = self._typed(output.name())
            if path is not None:
                name = output.name()
                parameters[name] = typed_names.with_path(parameters[name], path)
        return parameters

    def _show_folder(self, name):
        line = self._line(name)
        if line is not None:
            line.editingFinished.connect(lambda: self._give_folder(name))

    def _give_folder(self, name):
        path = self._typed(name)
        if path is not None:
            self._line(name).setText(path)
            self._line(name).textEdited.emit(path)

    def _typed(self, name):
        """Return the path of a name that was typed without a folder, else None."""
        line = self._line(name)
        if line is None or _chose_folder():
            return None
        return typed_names.full(line.text(), self.processing_context)

    def _line(self, name):
        wrapper = self.wrappers.get(name)
        return wrapper.wrappedWidget().findChild(QLineEdit) if wrapper is not None else None


class Form(AlgorithmDialog):
    """The dialog with that panel."""

    def getParametersPanel(self, algorithm, parent):
        return Panel(parent, algorithm, self.in_place, self.active_layer)


def _is_folded(definition):
    return bool(definition.flags() & QgsProcessingParameterDefinition.Flag.FlagAdvanced)


def _chose_folder():
    """Tell whether the user chose a folder for outputs in the options of Processing."""
    setting = ProcessingConfig.settings.get(ProcessingConfig.OUTPUT_FOLDER)
    return setting is not None and setting.value not in (None, "", setting.default)
