"""Undo last change of lake database."""

from qgis.core import QgsProcessingOutputFile
from qgis.PyQt.QtCore import QT_TRANSLATE_NOOP

from .._base import LakefloorAlgorithm
from .._i18n import tr
from ._lake_database import UPDATED, store_parameter, store_path


class UndoLastChange(LakefloorAlgorithm):
    NAME = "undolastchange"
    DISPLAY = QT_TRANSLATE_NOOP("@default", "Undo last change of lake database")
    GROUP = "soundings"
    TAGS = QT_TRANSLATE_NOOP(
        "@default",
        "lake database,store,undo,take back,revert,roll back,rollback,wrong visit,mistake,"
        "go back,added by mistake,restore",
    )
    HELP = QT_TRANSLATE_NOOP(
        "@default",
        "Takes the last change of the lake database back, whether it was of visits, of soundings "
        "or of the log-book. The database is then as it was before, and its history says what was "
        "undone. Run it again to undo the change before.\n\n"
        "The last 50 changes can be undone, and fewer where they are large, also after QGIS was "
        "closed. None can be undone after a backup was restored or another program edited the "
        "database. To go back further, use 'Restore lake database'.",
    )
    SOURCE = QT_TRANSLATE_NOOP("@default", "OGC 12-128r18, GeoPackage Encoding Standard 1.3")

    NUMBERS = {
        "SOUNDINGS_BEFORE": QT_TRANSLATE_NOOP("@default", "Soundings before"),
        "SOUNDINGS_AFTER": QT_TRANSLATE_NOOP("@default", "Soundings now"),
        "UNDO_COUNT": QT_TRANSLATE_NOOP("@default", "Changes that can still be undone"),
    }

    def declare(self):
        self.addParameter(store_parameter(tr("The lake database whose last change was a mistake.")))
        self.addOutput(QgsProcessingOutputFile(UPDATED, tr("Lake database")))

    def compute(self, inputs, outputs):
        from .. import _store as lake_store

        path = store_path(inputs)
        done = lake_store.undo(path, progress=inputs.progress)
        for note in done.notes:
            inputs.warn(note)
        for action, visit, count in done.changes:
            if visit is None:
                inputs.say(tr("Undone: '{}'.").format(action))
            elif count is None:
                inputs.say(tr("Undone: '{}' of visit '{}'.").format(action, visit))
            else:
                inputs.say(
                    tr("Undone: '{}' of visit '{}', soundings: {}.").format(action, visit, count)
                )
        inputs.say(
            tr("Soundings in the lake database before: {}, now: {}.").format(
                done.soundings_before, done.soundings_after
            )
        )
        inputs.say(tr("Changes that can still be undone: {}.").format(done.left))
        return {
            UPDATED: str(path),
            "SOUNDINGS_BEFORE": done.soundings_before,
            "SOUNDINGS_AFTER": done.soundings_after,
            "UNDO_COUNT": done.left,
        }
