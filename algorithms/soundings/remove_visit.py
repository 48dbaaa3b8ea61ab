"""Remove visit from the lake's store."""

from qgis.core import (
    QgsProcessingOutputFile,
    QgsProcessingOutputNumber,
    QgsProcessingParameterString,
)
from qgis.PyQt.QtCore import QT_TRANSLATE_NOOP

from .. import _params as params
from .. import _store as lake_store
from .._base import LakefloorAlgorithm
from .._i18n import tr
from ..core.errors import LakefloorError
from ._store_file import UPDATED, store_parameter, visit_names, warn_of_neighbors


class RemoveVisit(LakefloorAlgorithm):
    NAME = "removevisit"
    DISPLAY = QT_TRANSLATE_NOOP("@default", "Remove visit from the lake's store")
    GROUP = "soundings"
    TAGS = QT_TRANSLATE_NOOP("@default", "GeoPackage,archive,database,delete,undo")
    HELP = QT_TRANSLATE_NOOP(
        "@default",
        "Takes a visit with all its soundings out of the lake's store. Soundings of other visits "
        "that it had superseded are accepted again. The store's table 'history' keeps what was "
        "removed and when (UTC).\n\n"
        "The soundings themselves are gone: read the visit with Soundings from the lake's store "
        "first if it may be wanted again. To take new corrections of a visit, replace it with Add "
        "visit to the lake's store.",
    )
    SOURCE = QT_TRANSLATE_NOOP("@default", "OGC 12-128r18, GeoPackage Encoding Standard 1.3")

    def initAlgorithm(self, configuration=None):
        self.addParameter(store_parameter(tr("The store to take the visit out of.")))
        self.addParameter(params.helped(
            QgsProcessingParameterString("VISITS", tr("Visits")),
            tr("Names as in the store's table 'visits', separated by semicolons."),
        ))
        self.addOutput(QgsProcessingOutputFile(UPDATED, tr("The lake's store")))
        self.addOutput(QgsProcessingOutputNumber("REMOVED", tr("Soundings removed")))
        self.addOutput(QgsProcessingOutputNumber("RESTORED", tr("Soundings accepted again")))

    def compute(self, parameters, context, feedback):
        path = self.parameterAsFile(parameters, "STORE", context)
        warn_of_neighbors(path, feedback)
        names = visit_names(
            self.parameterAsString(parameters, "VISITS", context),
            [v.name for v in lake_store.contents(path).visits],
        )
        if not names:
            raise LakefloorError(tr("Name the visits to remove."))
        done = lake_store.remove(
            path, names, parameters={"visits": names}, progress=self.progress(feedback)
        )
        for note in done["notes"]:
            feedback.pushWarning(note)
        feedback.pushInfo(
            tr("Soundings removed: {}, accepted again: {}").format(
                done["removed"], done["restored"])
        )
        return {UPDATED: path, "REMOVED": done["removed"], "RESTORED": done["restored"]}
