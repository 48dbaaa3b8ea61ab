"""Back up the lake's store."""

from pathlib import Path

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
from .._store_copies import back_up
from ..core.errors import LakefloorError
from ._store_file import store_parameter, warn_of_neighbors


class BackUpStore(LakefloorAlgorithm):
    NAME = "backupstore"
    DISPLAY = QT_TRANSLATE_NOOP("@default", "Back up the lake's store")
    GROUP = "soundings"
    TAGS = QT_TRANSLATE_NOOP(
        "@default", "GeoPackage,archive,database,backup,back-up,copy,safety,save,keep")
    HELP = QT_TRANSLATE_NOOP(
        "@default",
        "Copies the lake's store to a new file, named after the store and the day. The copy is "
        "complete and of one moment, even while QGIS or another program has the store open. It is "
        "read from end to end before it counts as made.\n\n"
        "Use it after each outing, with a folder on another disk. A backup is a store: any "
        "algorithm can read it, and Restore the lake's store from a backup puts it back.\n\n"
        "A damaged store is not backed up, so that older backups stay the latest good ones.",
    )
    SOURCE = QT_TRANSLATE_NOOP("@default", "SQLite, Online Backup API")

    def initAlgorithm(self, configuration=None):
        self.addParameter(store_parameter(tr("The store to copy.")))
        self.addParameter(params.helped(
            QgsProcessingParameterFile(
                "FOLDER", tr("Folder of the backups"),
                QgsProcessingParameterFile.Behavior.Folder, optional=True),
            tr("If empty, the folder of the store."),
        ))
        self.addOutput(QgsProcessingOutputFile("BACKUP", tr("Backup")))
        self.addOutput(QgsProcessingOutputNumber("SOUNDINGS", tr("Soundings")))
        self.addOutput(QgsProcessingOutputNumber("VISIT_COUNT", tr("Visits")))

    def compute(self, parameters, context, feedback):
        path = Path(self.parameterAsFile(parameters, "STORE", context))
        folder = path.parent
        if parameters.get("FOLDER"):
            folder = Path(self.parameterAsFile(parameters, "FOLDER", context))
        if not folder.is_dir():
            raise LakefloorError(
                tr("The folder '{}' does not exist; make it or choose another.").format(folder))
        warn_of_neighbors(path, feedback)
        made = back_up(path, folder, self.progress(feedback))
        visits = lake_store.contents(made).visits
        soundings = sum(v.soundings for v in visits)
        feedback.pushInfo(
            tr("{} soundings of {} visits are backed up in '{}'.").format(
                soundings, len(visits), made))
        return {"BACKUP": str(made), "SOUNDINGS": soundings, "VISIT_COUNT": len(visits)}
