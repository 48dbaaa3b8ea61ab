"""The plugin: registers the Processing provider, and puts in order what a killed run left."""

from pathlib import Path

from qgis.core import QgsApplication, QgsProject, QgsProviderRegistry

from ..algorithms import _forms
from ..algorithms._io.named_crs import name_common
from ..algorithms._io.staging import sweep
from .provider import LakefloorProvider


class LakefloorPlugin:
    """Loaded by QGIS; ``iface`` is None under qgis_process."""

    def __init__(self, iface):
        self.iface = iface
        self.provider = self.window = None
        self._actions = []

    def initProcessing(self):
        name_common()
        self.provider = LakefloorProvider()
        QgsApplication.processingRegistry().addProvider(self.provider)

    def initGui(self):
        from . import model_actions
        from .window import WIDGETS, Window

        _forms.use(WIDGETS)
        self.initProcessing()
        QgsProject.instance().readProject.connect(self._put_in_order)

        self._actions = model_actions.register()
        self.window = Window(self.iface)

    def _put_in_order(self, *_):
        """Finish what a run that was killed left beside a project that opens, and its layers."""
        project = QgsProject.instance()
        folders = {project.homePath()} - {""}
        layers = [layer for layer in project.mapLayers().values() if layer.dataProvider()]
        for layer in layers:
            parts = QgsProviderRegistry.instance().decodeUri(
                layer.dataProvider().name(), layer.source()
            )
            if parts.get("path"):
                folders.add(str(Path(parts["path"]).parent))
        if any([sweep(folder) for folder in sorted(folders)]):
            for layer in layers:
                layer.reload()

    def unload(self):
        if self.window is not None:
            self.window.stop()
            self.window = None
            _forms.use(None)
        if self.iface is not None:
            QgsProject.instance().readProject.disconnect(self._put_in_order)
        if self._actions:
            from . import model_actions

            model_actions.unregister(self._actions)
            self._actions = []
        if self.provider is not None:
            QgsApplication.processingRegistry().removeProvider(self.provider)
            self.provider = None
