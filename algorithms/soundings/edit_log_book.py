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

#: Words of the drop-down.
AS_IT_IS, ON, OFF = "as it is", "switch on", "switch off"


class EditLogBook(LakefloorAlgorithm):
    NAME = "editlogbook"
    DISPLAY = QT_TRANSLATE_NOOP("@default", "Edit log-book of lake database")
    GROUP = "soundings"
    TAGS = QT_TRANSLATE_NOOP(
        "@default",
        "lake database,store,log-book,logbook,log book,owner,sounder,transducer,beam width,remark,"
        "note,comment,correct visit,metadata,rename,rename visit,new name,switch off,switch on,"
        "turn off,turn on,disable,enable,hide visit",
    )
    HELP = QT_TRANSLATE_NOOP(
        "@default",
        "Corrects what the log-book of the lake database says of visits: owner, sounder, beam width "
        "and remark. An empty parameter leaves its entry as it is. It also renames a visit, and "
        "switches visits off and on. What is off stays in the database, but is not mapped.\n\n"
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
        for parameter in _visit_parameters():
            self.addParameter(parameter)
        self.addOutput(QgsProcessingOutputFile(UPDATED, tr("Lake database")))

    def check(self, inputs):
        given = any(inputs.given(name) for name in (*_FACTS, "NEW_NAME")) or inputs.flag("CLEAR")
        if not given and inputs.choice("SWITCH") == AS_IT_IS:
            raise LakefloorError(
                tr(
                    "There is nothing to write. Give an owner, a sounder, a beam width, a remark or "
                    "a new name, or switch the visits."
                )
            )

    def compute(self, inputs, outputs):
        from .. import _store as lake_store
        from ._lake_database import facts_given

        path = store_path(inputs)
        present = [v.name for v in lake_store.contents(path).visits]
        names = visit_names(inputs.text("VISITS"), present)
        if not names:
            raise LakefloorError(tr("No visit is named. Type the names of the visits to edit."))
        new_name = _new_name(inputs, names, present)
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
        switched = _switch(path, names, inputs)
        if new_name is not None:
            renamed = lake_store.rename_visit(
                path, names[0], new_name, who=inputs.text("WHO"), progress=inputs.progress
            )
            for note in renamed.notes:
                inputs.warn(note)
            inputs.say(tr("Visit '{}' is now '{}'.").format(names[0], renamed.name))
        if not edited and not switched and new_name is None:
            inputs.warn(tr("The log-book says this already, so nothing was changed."))
        return {UPDATED: str(path), "VISIT_COUNT": len(names)}


def _visit_parameters() -> list:
    """Return the parameters by which visits are renamed and switched."""
    return [
        params.helped(
            QgsProcessingParameterString("NEW_NAME", tr("New name"), optional=True),
            tr("Of one visit. If empty, the name stays as it is."),
        ),
        params.choice(
            "SWITCH",
            tr("Visits on or off"),
            {
                AS_IT_IS: tr("nothing changes"),
                ON: tr("mapped again"),
                OFF: tr("not mapped until they are switched on"),
            },
            AS_IT_IS,
            tr("Whether the visits are mapped. Their soundings stay in the database."),
            advanced=True,
        ),
        params.helped(
            QgsProcessingParameterString("WHO", tr("Who"), optional=True),
            tr(
                "A name or initials for the history of renaming and switching. If empty, nobody is "
                "named."
            ),
            advanced=True,
        ),
    ]


def _new_name(inputs, names, present):
    """Return the new name of the one visit that is named, None if it keeps its own."""
    new_name = " ".join(inputs.text("NEW_NAME").split())
    if not new_name or new_name == names[0]:
        return None
    if len(names) > 1:
        raise LakefloorError(
            tr("A new name is for one visit, but {} are named. Name one visit.").format(len(names))
        )
    if new_name in present:
        raise LakefloorError(
            tr("The lake database already has a visit '{}'. Type another name.").format(new_name)
        )
    return new_name


def _switch(path, names, inputs) -> bool:
    """Switch visits on or off if that is asked for; say whether any was."""
    from .. import _store as lake_store

    choice = inputs.choice("SWITCH")
    if choice == AS_IT_IS:
        return False
    done = lake_store.switch_visits(
        path, names, choice == ON, who=inputs.text("WHO"), progress=inputs.progress
    )
    for note in done.notes:
        inputs.warn(note)
    for name, count in done.visits.items():
        if choice == ON:
            inputs.say(tr("Visit '{}' is on. Soundings mapped again: {}.").format(name, count))
        else:
            inputs.say(tr("Visit '{}' is off. Soundings not mapped: {}.").format(name, count))
    return bool(done.visits)
