"""The Processing provider: algorithms and shipped models."""

import contextlib
from pathlib import Path

from qgis.core import (
    QgsApplication,
    QgsMessageLog,
    QgsProcessingModelChildAlgorithm,
    QgsProcessingProvider,
)
from qgis.PyQt.QtGui import QIcon

from ..algorithms import algorithm_classes
from .shipped_model import read_model

HERE = Path(__file__).resolve().parent
ICON = HERE / "icons" / "lakefloor.svg"


class LakefloorProvider(QgsProcessingProvider):
    """Algorithms under the id ``lakefloor``."""

    def __init__(self):
        super().__init__()
        self._incomplete = True

    def id(self):
        return "lakefloor"

    def name(self):
        return "Lakefloor"

    def icon(self):
        return QIcon(str(ICON))

    def svgIconPath(self):
        return str(ICON)

    def load(self):
        # A model read before its children's provider is registered comes out without outputs, and
        # this one is registered when it has loaded: models wait for that.
        QgsApplication.processingRegistry().providerAdded.connect(self._complete_models)
        return super().load()

    def unload(self):
        registry = QgsApplication.processingRegistry()
        # QGIS 3.44 unloads providers as it closes, when the registry is already gone.
        if registry is not None:
            with contextlib.suppress(TypeError):
                registry.providerAdded.disconnect(self._complete_models)
        super().unload()

    def loadAlgorithms(self):
        for cls in algorithm_classes():
            self.addAlgorithm(cls())
        if QgsApplication.processingRegistry().providerById(self.id()) is not None:
            self._add_models()

    def _add_models(self):
        self._incomplete = False
        for path in sorted((HERE / "models").glob("*.model3")):
            model = read_model(path)
            if model is not None:
                self._incomplete = self._incomplete or _lacks_children(model)
                self.addAlgorithm(model)
            else:
                QgsMessageLog.logMessage(f"Cannot read the model {path}", "Lakefloor")

    def _complete_models(self, provider_id):
        if provider_id == self.id():
            self._add_models()
            self.algorithmsLoaded.emit()
        elif self._incomplete:
            self.refreshAlgorithms()


def _lacks_children(model) -> bool:
    children = model.childAlgorithms().values()
    return any(QgsProcessingModelChildAlgorithm.algorithm(child) is None for child in children)
