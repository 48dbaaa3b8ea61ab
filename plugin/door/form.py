"""The dialog of an algorithm or model: that of QGIS, which also folds the outputs that few want.

QGIS shows every output, and has a folded part for inputs alone. This dialog puts an output that is
declared as advanced there too.
"""

from __future__ import annotations


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
        """Puts what belongs to an advanced output beside the advanced inputs."""

        def initWidgets(self):
            self._outputs = iter(self.algorithm().destinationParameterDefinitions())
            self._output = None
            super().initWidgets()

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

    class Form(dialog_class):
        def getParametersPanel(self, algorithm, parent):
            return Panel(parent, algorithm, self.in_place, self.active_layer)

    return Form


def _is_folded(definition):
    from qgis.core import QgsProcessingParameterDefinition

    return bool(definition.flags() & QgsProcessingParameterDefinition.Flag.FlagAdvanced)
