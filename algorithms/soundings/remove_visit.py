"""Remove visit from lake database."""

from qgis.core import QgsProcessingOutputFile, QgsProcessingParameterString
from qgis.PyQt.QtCore import QT_TRANSLATE_NOOP

from .._base import LakefloorAlgorithm
from .._i18n import tr
from .._io import params
from ..core.errors import LakefloorError
from ._lake_database import UPDATED, store_parameter, store_path, visit_names


class RemoveVisit(LakefloorAlgorithm):
    NAME = "removevisit"
    DISPLAY = QT_TRANSLATE_NOOP("@default", "Remove visit from lake database")
    GROUP = "soundings"
    TAGS = QT_TRANSLATE_NOOP(
        "@default",
        "GeoPackage,archive,store,lake database,delete,undo,take out,day,outing,wrong log",
    )
    HELP = QT_TRANSLATE_NOOP(
        "@default",
        "Removes a visit with all its soundings from the lake database. Soundings of other visits "
        "that it had superseded are accepted again. Table 'history' keeps what was removed and "
        "when.\n\n"
        "The soundings themselves are deleted. 'Undo last change of lake database' brings them "
        "back while it still can. If you may need them later, read the visit with 'Soundings "
        "from lake database' first. To take new corrections of a visit, replace it with 'Add visit "
        "to lake database'.",
    )
    SOURCE = QT_TRANSLATE_NOOP("@default", "OGC 12-128r18, GeoPackage Encoding Standard 1.3")

    NUMBERS = {
        "REMOVED": QT_TRANSLATE_NOOP("@default", "Soundings removed"),
        "RESTORED": QT_TRANSLATE_NOOP("@default", "Soundings accepted again"),
    }

    def declare(self):
        self.addParameter(store_parameter(tr("The lake database that has the visit.")))
        self.addParameter(
            params.helped(
                QgsProcessingParameterString("VISITS", tr("Visits")),
                tr("Names as in table 'visits' of the database, separated by semicolons."),
            )
        )
        self.addOutput(QgsProcessingOutputFile(UPDATED, tr("Lake database")))

    def compute(self, inputs, outputs):
        from .. import _store as lake_store

        path = store_path(inputs)
        names = visit_names(
            inputs.text("VISITS"), [v.name for v in lake_store.contents(path).visits]
        )
        if not names:
            raise LakefloorError(tr("No visit is named. Type the names of the visits to remove."))
        done = lake_store.remove(
            path, names, parameters={"visits": names}, progress=inputs.progress
        )
        for note in done["notes"]:
            inputs.warn(note)
        inputs.say(
            tr("Soundings removed: {}, accepted again: {}.").format(
                done["removed"], done["restored"]
            )
        )
        return {UPDATED: str(path), "REMOVED": done["removed"], "RESTORED": done["restored"]}
