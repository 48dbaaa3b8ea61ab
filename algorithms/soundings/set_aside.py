"""Set soundings aside."""

from qgis.core import (
    QgsCoordinateReferenceSystem,
    QgsProcessing,
    QgsProcessingOutputFile,
    QgsProcessingParameterDateTime,
    QgsProcessingParameterFeatureSource,
    QgsProcessingParameterString,
)
from qgis.PyQt.QtCore import QT_TRANSLATE_NOOP

from .._base import LakefloorAlgorithm
from .._i18n import tr
from .._io import params
from ..core.errors import LakefloorError
from ._lake_database import UPDATED, store_parameter, store_path, visit_names

#: Words of the drop-down.
HOLD_BACK, REJECT, REMOVE = "hold back", "reject", "remove"
CHANGED, ACCEPT, ACCEPT_SUPERSEDED = "bottom changed", "accept again", "accept superseded"


class SetAside(LakefloorAlgorithm):
    NAME = "setaside"
    DISPLAY = QT_TRANSLATE_NOOP("@default", "Set soundings aside")
    GROUP = "soundings"
    TAGS = QT_TRANSLATE_NOOP(
        "@default",
        "lake database,store,part of visit,hold back,reject,remove,delete,polygon,area,time span,"
        "weeds,wrong depths,bad soundings,dredged,dredging,bottom changed,change,accept again,"
        "restore soundings,by hand,manual",
    )
    HELP = QT_TRANSLATE_NOOP(
        "@default",
        "Sets a part of the lake database aside: the soundings in a polygon, a time span or some "
        "visits. Use it for weeds, a wrong stretch, or a place that was dredged.\n\n"
        "Soundings that are held back, rejected or older than a change of the bottom stay in the "
        "database, but are not mapped. 'Accept again' brings them back. What cleaning rejected or "
        "a newer visit superseded keeps its status.\n\n"
        "Removed soundings are deleted. If the log is added again, they stay out, but a replaced "
        "visit has them again. 'Undo last change of lake database' brings them back while it still "
        "can.",
    )
    SOURCE = QT_TRANSLATE_NOOP("@default", "OGC 12-128r18, GeoPackage Encoding Standard 1.3")

    NUMBERS = {
        "CHANGED_SOUNDINGS": QT_TRANSLATE_NOOP("@default", "Soundings set aside or accepted"),
        "VISIT_COUNT": QT_TRANSLATE_NOOP("@default", "Visits concerned"),
        "RESTORED": QT_TRANSLATE_NOOP("@default", "Superseded soundings accepted again"),
    }
    FORM = ("DATABASE", "ACTION", "AREA", "VISITS", "FROM_TIME", "TO_TIME", "REASON")

    def declare(self):
        add = self.addParameter
        add(store_parameter(tr("The lake database that has the soundings.")))
        add(
            params.choice(
                "ACTION",
                tr("What to do"),
                {
                    HOLD_BACK: tr("not mapped until they are accepted again"),
                    REJECT: tr("not mapped, since they are wrong"),
                    REMOVE: tr("deleted from the database"),
                    CHANGED: tr("not mapped if they are older than the day of the change"),
                    ACCEPT: tr("what was held back, rejected or marked here is mapped again"),
                    ACCEPT_SUPERSEDED: tr("what newer visits superseded is mapped again"),
                },
                HOLD_BACK,
                tr("The status of each sounding says what was done, and why."),
            )
        )
        add(
            params.helped(
                QgsProcessingParameterFeatureSource(
                    "AREA", tr("Area"), [QgsProcessing.SourceType.TypeVectorPolygon], optional=True
                ),
                tr("Polygons; soundings inside them are concerned. If empty, the whole lake."),
            )
        )
        for name, label in (("FROM_TIME", tr("From time (UTC)")), ("TO_TIME", tr("To time (UTC)"))):
            add(
                params.helped(
                    QgsProcessingParameterDateTime(
                        name, label, QgsProcessingParameterDateTime.Type.DateTime, optional=True
                    ),
                    tr(
                        "Date and time of the log, in UTC. Soundings without a time are left out "
                        "then. If empty, there is no limit."
                    ),
                )
            )
        add(
            params.helped(
                QgsProcessingParameterString("VISITS", tr("Visits"), optional=True),
                tr("Names, separated by semicolons. If empty, all visits are concerned."),
            )
        )
        add(
            params.helped(
                QgsProcessingParameterString("REASON", tr("Reason"), optional=True),
                tr("A few words for the status, such as weeds. If empty, no reason is given."),
            )
        )
        add(
            params.helped(
                QgsProcessingParameterDateTime(
                    "CHANGE_DAY",
                    tr("Day of the change"),
                    QgsProcessingParameterDateTime.Type.Date,
                    optional=True,
                ),
                tr(
                    "For 'bottom changed'. Soundings from before this day at the lake are not mapped "
                    "in the area any more. Others that are added later are treated the same. If "
                    "empty, another action must be chosen."
                ),
            )
        )
        self.addOutput(QgsProcessingOutputFile(UPDATED, tr("Lake database")))

    def check(self, inputs):
        if inputs.choice("ACTION") == CHANGED:
            if not (inputs.given("AREA") and inputs.given("CHANGE_DAY")):
                raise LakefloorError(
                    tr("A change of the bottom needs an area and a day. Give both.")
                )
            if inputs.given("FROM_TIME") or inputs.given("TO_TIME"):
                raise LakefloorError(
                    tr(
                        "A change of the bottom concerns all that is older than its day. Leave the "
                        "times empty."
                    )
                )
        elif not any(inputs.given(n) for n in ("AREA", "FROM_TIME", "TO_TIME", "VISITS")):
            raise LakefloorError(
                tr("All soundings of the lake would be concerned. Give an area, a time or visits.")
            )
        start, stop = inputs.moment("FROM_TIME"), inputs.moment("TO_TIME")
        if start is not None and stop is not None and start >= stop:
            raise LakefloorError(tr("The time span ends before it begins. Choose a later end."))

    def compute(self, inputs, outputs):
        from .. import _store as lake_store
        from ..core.visits import by_hand

        action = {
            HOLD_BACK: by_hand.HOLD_BACK,
            REJECT: by_hand.REJECT,
            REMOVE: by_hand.REMOVE,
            CHANGED: by_hand.MARK_CHANGED,
            ACCEPT: by_hand.ACCEPT,
            ACCEPT_SUPERSEDED: by_hand.ACCEPT_SUPERSEDED,
        }[inputs.choice("ACTION")]
        path = store_path(inputs)
        held = lake_store.contents(path)
        names = visit_names(inputs.text("VISITS"), [v.name for v in held.visits])
        part, words = self._part(inputs, held)
        done = lake_store.set_aside(
            path, part, action, visits=names or None, words=words, progress=inputs.progress
        )
        for note in done.notes:
            inputs.warn(note)
        for name, count in done.visits.items():
            inputs.say(_done(inputs.choice("ACTION")).format(name, count))
        if done.remembered:
            inputs.say(
                tr(
                    "No soundings here are older than this day. Those that are added later will "
                    "not be mapped."
                )
            )
        elif not done.visits:
            inputs.warn(
                tr("No soundings are concerned, so nothing was changed. Check the area and times.")
            )
        elif done.restored:
            inputs.say(
                tr(
                    "Soundings accepted again, since the visit that superseded them is gone: {}."
                ).format(done.restored)
            )
        return {
            UPDATED: str(path),
            "CHANGED_SOUNDINGS": done.changed,
            "VISIT_COUNT": len(done.visits),
            "RESTORED": done.restored,
        }

    def _part(self, inputs, held):
        """Return the part of the visits that is meant, and the words for the status."""
        from ..core.visits.by_hand import VisitPart
        from ..core.visits.store_visits import times_of_days

        area = inputs.polygon("AREA", QgsCoordinateReferenceSystem(held.crs), of_lake=False)
        if inputs.choice("ACTION") == CHANGED:
            day = inputs.day("CHANGE_DAY")
            start, _ = times_of_days(held.visits, held.crs, day, None)
            return VisitPart(area, stop=start, untimed=True), str(day)
        part = VisitPart(area, inputs.moment("FROM_TIME"), inputs.moment("TO_TIME"))
        reason = " ".join(inputs.text("REASON").split())
        return part, reason or tr("no reason given")


def _done(action) -> str:
    """Return the sentence on what was done to a visit, to be filled in."""
    return {
        HOLD_BACK: tr("Visit '{}': soundings held back: {}."),
        REJECT: tr("Visit '{}': soundings rejected: {}."),
        REMOVE: tr("Visit '{}': soundings removed: {}."),
        CHANGED: tr("Visit '{}': soundings older than the change: {}."),
        ACCEPT: tr("Visit '{}': soundings accepted again: {}."),
        ACCEPT_SUPERSEDED: tr("Visit '{}': soundings accepted again: {}."),
    }[action]
