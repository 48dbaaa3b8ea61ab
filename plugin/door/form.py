"""The dialog of an algorithm or model: that of QGIS, with two changes to its outputs.

QGIS shows every output, and has a folded part for inputs alone: here an output that is declared as
advanced stands there too. And QGIS puts a file name that is typed without a folder into a folder of
the user's profile, which nobody looks into: here it gets the folder of the project, or that for
lakes, and the field shows it. Who chose a folder for outputs in the options of Processing keeps it.
"""

from __future__ import annotations

from qgis.core import QgsProcessingParameterDefinition
from qgis.PyQt.QtWidgets import QLineEdit

from ...algorithms._io import typed_names


def form(algorithm, parent):
    """Return the dialog of an algorithm or model, or None for that of QGIS."""
    try:
        from processing.gui.AlgorithmDialog import AlgorithmDialog
        from processing.gui.ParametersPanel import ParametersPanel
    except ImportError:
        return None
    return _classes(AlgorithmDialog, ParametersPanel)(algorithm, False, parent)


def _classes(dialog_class, panel_class):
    """Return the dialog's class, made from those of QGIS, which only a window has."""

    class Panel(panel_class):
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
            for output in self.algorithm().destinationParameterDefinitions():
                self._give_folder(output.name())
            return super().createProcessingParameters(*args, **options)

        def _show_folder(self, name):
            line = self._line(name)
            if line is not None:
                line.editingFinished.connect(lambda: self._give_folder(name))

        def _give_folder(self, name):
            line = self._line(name)
            if line is None or _chose_folder():
                return
            path = typed_names.full(line.text(), self.processing_context)
            if path is not None:
                line.setText(path)
                line.textEdited.emit(path)

        def _line(self, name):
            wrapper = self.wrappers.get(name)
            return wrapper.wrappedWidget().findChild(QLineEdit) if wrapper is not None else None

    class Form(dialog_class):
        """The dialog with that panel."""

        def getParametersPanel(self, algorithm, parent):
            return Panel(parent, algorithm, self.in_place, self.active_layer)

    return Form


def _is_folded(definition):
    return bool(definition.flags() & QgsProcessingParameterDefinition.Flag.FlagAdvanced)


def _chose_folder():
    """Tell whether the user chose a folder for outputs in the options of Processing."""
    from processing.core.ProcessingConfig import ProcessingConfig

    setting = ProcessingConfig.settings.get(ProcessingConfig.OUTPUT_FOLDER)
    return setting is not None and setting.value not in (None, "", setting.default)
