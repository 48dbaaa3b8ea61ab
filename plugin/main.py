"""The plugin: registers the Processing provider and nothing else."""

from qgis.core import QgsApplication

from ..algorithms._named_crs import name_common
from .provider import LakefloorProvider


class LakefloorPlugin:
    """Loaded by QGIS; ``iface`` is None under qgis_process."""

    def __init__(self, iface):
        self.iface = iface
        self.provider = None

    def initProcessing(self):
        name_common()
        self.provider = LakefloorProvider()
        QgsApplication.processingRegistry().addProvider(self.provider)

    def initGui(self):
        self.initProcessing()

    def unload(self):
        if self.provider is not None:
            QgsApplication.processingRegistry().removeProvider(self.provider)
            self.provider = None
