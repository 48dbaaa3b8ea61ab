"""Review soundings."""

import numpy as np
from qgis.core import QgsProcessingOutputFile, QgsProcessingParameterString
from qgis.PyQt.QtCore import QT_TRANSLATE_NOOP

from .._base import LakefloorAlgorithm
from .._i18n import tr
from .._io import params
from ..core.errors import LakefloorError
from ..core.progress import span
from ._lake_database import UPDATED, store_crs, store_parameter, store_path

#: Words of the drop-down.
REJECT, ACCEPT, CLEAR = "reject", "accept", "as cleaned"


class ReviewSoundings(LakefloorAlgorithm):
    NAME = "reviewsoundings"
    DISPLAY = QT_TRANSLATE_NOOP("@default", "Review soundings")
    GROUP = "soundings"
    TAGS = QT_TRANSLATE_NOOP(
        "@default",
        "lake database,store,review,by hand,manual,manual editing,edit soundings,reject,accept,"
        "select,selected,ping,pings,single sounding,spike,outlier,fish,wrong depths,flag,unflag,"
        "decision,restore soundings",
    )
    HELP = QT_TRANSLATE_NOOP(
        "@default",
        "Rejects or accepts single soundings of the lake database, whatever cleaning said. Select "
        "them in a layer that was read from the database, such as that of 'Soundings from lake "
        "database'. Then run this for the selected features only.\n\n"
        "The soundings are recognized by time, place and raw depth. The decision is kept with its "
        "reason and holds when the log is cleaned again, replaced, or removed and added again. 'As "
        "cleaned' takes it back.\n\n"
        "Soundings that a newer visit superseded, or whose visit is switched off, keep that status "
        "until it ends. Raw depths never change. 'Undo last change of lake database' undoes this.",
    )
    SOURCE = QT_TRANSLATE_NOOP("@default", "OGC 12-128r18, GeoPackage Encoding Standard 1.3")

    NUMBERS = {
        "DECIDED": QT_TRANSLATE_NOOP("@default", "Soundings decided on"),
        "CHANGED_SOUNDINGS": QT_TRANSLATE_NOOP("@default", "Soundings with another status"),
        "NOT_FOUND": QT_TRANSLATE_NOOP("@default", "Soundings not in the database"),
        "VISIT_COUNT": QT_TRANSLATE_NOOP("@default", "Visits concerned"),
    }

    def declare(self):
        add = self.addParameter
        add(params.soundings())
        add(store_parameter(tr("The lake database that has the soundings.")))
        add(
            params.choice(
                "DECISION",
                tr("Decision"),
                {
                    REJECT: tr("not mapped, since they are wrong"),
                    ACCEPT: tr("mapped, though cleaning rejected them"),
                    CLEAR: tr("as cleaning said; an earlier decision is taken back"),
                },
                REJECT,
                tr("What becomes of the soundings of the layer, or of the selected ones."),
            )
        )
        for name, label, words in (
            (
                "REASON",
                tr("Reason"),
                tr("A few words, such as fish. If empty, no reason is given."),
            ),
            (
                "WHO",
                tr("Who decides"),
                tr("A name or initials for the history. If empty, nobody is named."),
            ),
        ):
            add(params.helped(QgsProcessingParameterString(name, label, optional=True), words))
        self.addOutput(QgsProcessingOutputFile(UPDATED, tr("Lake database")))

    def compute(self, inputs, outputs):
        from .. import _store as lake_store
        from ..core.visits.decisions import ACCEPT_PINGS, CLEAR_PINGS, REJECT_PINGS

        path = store_path(inputs)
        crs = store_crs(path, inputs.source(), inputs)
        soundings, _ = inputs.soundings(crs=crs)
        rows = lake_store.find_rows(path, soundings, span(inputs.progress, 0.0, 0.3))
        found = rows[rows >= 0]
        lost = len(rows) - len(found)
        if not len(found):
            raise LakefloorError(
                tr(
                    "None of the soundings is in the lake database. Choose a layer that was read "
                    "from this database."
                )
            )
        if lost:
            inputs.warn(tr("Soundings that are not in the lake database: {}.").format(lost))
        done = lake_store.decide(
            path,
            np.unique(found),
            {REJECT: REJECT_PINGS, ACCEPT: ACCEPT_PINGS, CLEAR: CLEAR_PINGS}[
                inputs.choice("DECISION")
            ],
            reason=inputs.text("REASON"),
            who=inputs.text("WHO"),
            progress=span(inputs.progress, 0.3, 1.0),
        )
        _report(done, inputs)
        return {
            UPDATED: str(path),
            "DECIDED": done.decided,
            "CHANGED_SOUNDINGS": done.changed,
            "NOT_FOUND": lost,
            "VISIT_COUNT": len(done.visits),
        }


def _report(done, inputs):
    for note in done.notes:
        inputs.warn(note)
    for name, count in done.visits.items():
        inputs.say(tr("Visit '{}': soundings decided on: {}.").format(name, count))
    if not done.visits:
        inputs.warn(tr("All of this was decided before, so nothing was changed."))
    elif done.kept:
        inputs.say(tr("Soundings that keep their status for now: {}.").format(done.kept))
