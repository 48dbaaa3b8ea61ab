"""Restore lake database."""

from qgis.core import QgsProcessingOutputFile, QgsProcessingParameterFile
from qgis.PyQt.QtCore import QT_TRANSLATE_NOOP

from .._base import LakefloorAlgorithm
from .._i18n import tr
from .._io import params
from ._lake_database import UPDATED, store_parameter, store_path


class RestoreDatabase(LakefloorAlgorithm):
    NAME = "restoredatabase"
    DISPLAY = QT_TRANSLATE_NOOP("@default", "Restore lake database")
    GROUP = "soundings"
    TAGS = QT_TRANSLATE_NOOP(
        "@default",
        "GeoPackage,archive,store,lake database,backup,back-up,backups,damaged,recover,repair,undo",
    )
    HELP = QT_TRANSLATE_NOOP(
        "@default",
        "Puts a backup in the place of the lake database. The backup is read from beginning to end "
        "first, and stays where it is.\n\n"
        "Use it when the database is damaged or lost, or to go back to an earlier state. Nothing "
        "is deleted: the replaced database stays beside the new one, with 'before-restore' and "
        "the day in its name. If only that copy has some visits, 'Merge lake databases' brings "
        "them back.\n\n"
        "Close other programs that use the database first. The database of another lake is never "
        "replaced.",
    )
    SOURCE = QT_TRANSLATE_NOOP("@default", "SQLite, Online Backup API")

    NUMBERS = {
        "SOUNDINGS": QT_TRANSLATE_NOOP("@default", "Soundings"),
        "VISIT_COUNT": QT_TRANSLATE_NOOP("@default", "Visits"),
    }

    def declare(self):
        self.addParameter(
            params.helped(
                QgsProcessingParameterFile("BACKUP", tr("Backup"), extension="gpkg"),
                tr(
                    "A file made by 'Back up lake database', or any other copy of the lake database."
                ),
            )
        )
        self.addParameter(
            store_parameter(tr("The lake database to replace. It may be damaged or missing."))
        )
        self.addOutput(QgsProcessingOutputFile(UPDATED, tr("Lake database")))
        self.addOutput(QgsProcessingOutputFile("KEPT", tr("Lake database that was replaced")))

    def compute(self, inputs, outputs):
        from .. import _store as lake_store

        path = store_path(inputs)
        kept = lake_store.restore(inputs.file("BACKUP"), path, inputs.progress)
        visits = lake_store.contents(path).visits
        soundings = sum(v.soundings for v in visits)
        inputs.say(
            tr("The lake database is restored. Soundings: {}, visits: {}.").format(
                soundings, len(visits)
            )
        )
        if kept is not None:
            inputs.say(tr("The database that was replaced is kept as '{}'.").format(kept))
        return {
            UPDATED: str(path),
            "KEPT": str(kept) if kept else None,
            "SOUNDINGS": soundings,
            "VISIT_COUNT": len(visits),
        }
