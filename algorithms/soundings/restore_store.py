"""Restore the lake's store from a backup."""

from qgis.core import (
    QgsProcessingOutputFile,
    QgsProcessingOutputNumber,
    QgsProcessingParameterFile,
)
from qgis.PyQt.QtCore import QT_TRANSLATE_NOOP

from .. import _params as params
from .. import _store as lake_store
from .._base import LakefloorAlgorithm
from .._i18n import tr
from .._store_copies import restore
from ._store_file import UPDATED, store_parameter, warn_of_neighbors


class RestoreStore(LakefloorAlgorithm):
    NAME = "restorestore"
    DISPLAY = QT_TRANSLATE_NOOP("@default", "Restore the lake's store from a backup")
    GROUP = "soundings"
    TAGS = QT_TRANSLATE_NOOP(
        "@default", "GeoPackage,archive,database,backup,back-up,damaged,recover,repair,undo")
    HELP = QT_TRANSLATE_NOOP(
        "@default",
        "Puts a backup in the place of the lake's store. The backup is read from end to end "
        "first, and stays where it is.\n\n"
        "Use it when the store is damaged or lost, or to go back to an earlier state. Nothing is "
        "thrown away: the store that is replaced is kept beside it, with 'before-restore' and the "
        "day in its name, even if it is newer than the backup. Visits that only that copy holds "
        "come back with Merge stores.\n\n"
        "Close other programs that use the store first. The store of another lake is never "
        "replaced.",
    )
    SOURCE = QT_TRANSLATE_NOOP("@default", "SQLite, Online Backup API")

    def initAlgorithm(self, configuration=None):
        self.addParameter(params.helped(
            QgsProcessingParameterFile("BACKUP", tr("Backup"), extension="gpkg"),
            tr("A file that Back up the lake's store has made, or any other copy of the store."),
        ))
        self.addParameter(store_parameter(
            tr("The store to replace. It may be damaged, or not be there.")))
        self.addOutput(QgsProcessingOutputFile(UPDATED, tr("The lake's store")))
        self.addOutput(QgsProcessingOutputFile("KEPT", tr("The store that was replaced")))
        self.addOutput(QgsProcessingOutputNumber("SOUNDINGS", tr("Soundings")))
        self.addOutput(QgsProcessingOutputNumber("VISIT_COUNT", tr("Visits")))

    def compute(self, parameters, context, feedback):
        path = self.parameterAsFile(parameters, "STORE", context)
        warn_of_neighbors(path, feedback)
        kept = restore(
            self.parameterAsFile(parameters, "BACKUP", context), path, self.progress(feedback))
        visits = lake_store.contents(path).visits
        soundings = sum(v.soundings for v in visits)
        feedback.pushInfo(
            tr("The store holds {} soundings of {} visits again.").format(soundings, len(visits)))
        if kept is not None:
            feedback.pushInfo(tr("The store that was replaced is kept as '{}'.").format(kept))
        return {UPDATED: path, "KEPT": str(kept) if kept else None, "SOUNDINGS": soundings,
                "VISIT_COUNT": len(visits)}
