"""Edit log-book of lake database."""

from qgis.core import (
    QgsProcessingOutputFile,
    QgsProcessingParameterBoolean,
    QgsProcessingParameterString,
)
from qgis.PyQt.QtCore import QT_TRANSLATE_NOOP

from .._base import LakefloorAlgorithm
from .._i18n import tr
from .._io import params
from ..core.errors import LakefloorError
from ._lake_database import UPDATED, log_book_parameters, store_parameter, store_path, visit_names

_FACTS = {"OWNER": "owner", "SOUNDER": "sounder", "BEAM_WIDTH": "beam_deg", "REMARK": "remark"}


class EditLogBook(LakefloorAlgorithm):
    NAME = "editlogbook"
    DISPLAY = QT_TRANSLATE_NOOP("@default", "Edit log-book of lake database")
    GROUP = "soundings"
    TAGS = QT_TRANSLATE_NOOP(
        "@default",
        "lake database,store,log-book,logbook,log book,owner,sounder,transducer,beam width,remark,"
        "note,comment,correct visit,metadata",
    )
    HELP = QT_TRANSLATE_NOOP(
        "@default",
        "Corrects what the log-book of the lake database says of visits: owner, sounder, beam width "
        "and remark. An empty parameter leaves its entry as it is.\n\n"
        "Draft, lake level and offset follow from the soundings. To change them, correct the visit "
        "and replace it. The history keeps the old values.",
    )
    SOURCE = QT_TRANSLATE_NOOP("@default", "OGC 12-128r18, GeoPackage Encoding Standard 1.3")

    NUMBERS = {"VISIT_COUNT": QT_TRANSLATE_NOOP("@default", "Visits named")}

    def declare(self):
        self.addParameter(store_parameter(tr("The lake database that has the visits.")))
        self.addParameter(
            params.helped(
                QgsProcessingParameterString("VISITS", tr("Visits")),
                tr("Names as in table 'visits' of the database, separated by semicolons."),
            )
        )
        for parameter in log_book_parameters(tr("If empty, it stays as it is.")):
            self.addParameter(parameter)
        self.addParameter(
            params.helped(
                QgsProcessingParameterBoolean("CLEAR", tr("Delete the other entries"), False),
                tr(
                    "Owner, sounder, beam width and remark that have no value above are deleted "
                    "from the log-book of these visits."
                ),
                advanced=True,
            )
        )
        self.addOutput(QgsProcessingOutputFile(UPDATED, tr("Lake database")))

    def check(self, inputs):
        if not inputs.flag("CLEAR") and not any(inputs.given(name) for name in _FACTS):
            raise LakefloorError(
                tr("There is nothing to write. Give an owner, a sounder, a beam width or a remark.")
            )

    def compute(self, inputs, outputs):
        from .. import _store as lake_store
        from ._lake_database import facts_given

        path = store_path(inputs)
        names = visit_names(
            inputs.text("VISITS"), [v.name for v in lake_store.contents(path).visits]
        )
        if not names:
            raise LakefloorError(tr("No visit is named. Type the names of the visits to edit."))
        facts = facts_given(inputs)
        empty = [f for f in _FACTS.values() if getattr(facts, f) is None]
        edited, notes = lake_store.edit_log_book(
            path,
            names,
            facts,
            empty=tuple(empty) if inputs.flag("CLEAR") else (),
            progress=inputs.progress,
        )
        for note in notes:
            inputs.warn(note)
        if edited:
            inputs.say(tr("Visits in the log-book edited: {}.").format("; ".join(edited)))
        else:
            inputs.warn(tr("The log-book says this already, so nothing was changed."))
        return {UPDATED: str(path), "VISIT_COUNT": len(names)}
