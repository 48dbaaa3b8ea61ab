"""Back up lake database."""

from qgis.core import QgsProcessingOutputFile, QgsProcessingParameterFile
from qgis.PyQt.QtCore import QT_TRANSLATE_NOOP

from .._base import LakefloorAlgorithm
from .._i18n import tr
from .._io import params
from ..core.errors import LakefloorError
from ._lake_database import store_parameter, store_path


class BackUpDatabase(LakefloorAlgorithm):
    NAME = "backupdatabase"
    DISPLAY = QT_TRANSLATE_NOOP("@default", "Back up lake database")
    GROUP = "soundings"
    TAGS = QT_TRANSLATE_NOOP(
        "@default",
        "GeoPackage,archive,store,lake database,backup,back-up,backups,copy,safety,save,keep",
    )
    HELP = QT_TRANSLATE_NOOP(
        "@default",
        "Copies the lake database to a new file, named after the database and the day. The copy is "
        "complete, even while QGIS or another program has the database open. It is read from "
        "beginning to end before it counts as made.\n\n"
        "Use it after each visit, with a folder on another disk. A backup is a lake database: any "
        "algorithm can read it, and 'Restore lake database' puts it back.\n\n"
        "A damaged database is not backed up, so that older backups remain the latest good ones.",
    )
    SOURCE = QT_TRANSLATE_NOOP("@default", "SQLite, Online Backup API")

    NUMBERS = {
        "SOUNDINGS": QT_TRANSLATE_NOOP("@default", "Soundings"),
        "VISIT_COUNT": QT_TRANSLATE_NOOP("@default", "Visits"),
    }

    def declare(self):
        self.addParameter(store_parameter(tr("The lake database to copy.")))
        self.addParameter(
            params.helped(
                QgsProcessingParameterFile(
                    "FOLDER",
                    tr("Folder of the backups"),
                    QgsProcessingParameterFile.Behavior.Folder,
                    optional=True,
                ),
                tr("If empty, the folder of the lake database is used."),
            )
        )
        self.addOutput(QgsProcessingOutputFile("BACKUP", tr("Backup")))

    def compute(self, inputs, outputs):
        from .. import _store as lake_store

        path = inputs.file("DATABASE")
        folder = inputs.file("FOLDER") or path.parent
        if not folder.is_dir():
            raise LakefloorError(
                tr("Folder '{}' does not exist. Make it, or choose another.").format(folder)
            )
        made = lake_store.back_up(store_path(inputs), folder, inputs.progress)
        visits = lake_store.contents(made).visits
        soundings = sum(v.soundings for v in visits)
        inputs.say(
            tr("The backup is '{}'. Soundings: {}, visits: {}.").format(
                made, soundings, len(visits)
            )
        )
        return {"BACKUP": str(made), "SOUNDINGS": soundings, "VISIT_COUNT": len(visits)}
