"""Merge lake databases."""

from pathlib import Path

import numpy as np
from qgis.core import (
    QgsCoordinateReferenceSystem,
    QgsProcessing,
    QgsProcessingParameterFeatureSource,
    QgsProcessingParameterFile,
    QgsProcessingParameterFileDestination,
    QgsProcessingParameterString,
)
from qgis.PyQt.QtCore import QT_TRANSLATE_NOOP

from .._base import LakefloorAlgorithm
from .._i18n import tr
from .._io import params
from .._io.values import number_or_none
from ..core.crs import transform
from ..core.errors import LakefloorError
from ..core.progress import span
from ..core.soundings import distinct
from ..core.visits.store_visits import SUPERSEDED
from ._lake_database import store_parameter, store_path

#: Which soundings share an offset, by what the drop-down shows.
_UNITS = {"one for all": "store", "one for each visit": "visit", "none": "none"}


class MergeDatabases(LakefloorAlgorithm):
    NAME = "mergedatabases"
    DISPLAY = QT_TRANSLATE_NOOP("@default", "Merge lake databases")
    GROUP = "soundings"
    TAGS = QT_TRANSLATE_NOOP(
        "@default",
        "GeoPackage,archive,store,lake database,friend,shared copy,share,join,combine,merge,"
        "duplicate,visit offset,adjust",
    )
    HELP = QT_TRANSLATE_NOOP(
        "@default",
        "Makes one lake database of yours and another of the lake, or the soundings of a "
        "shared copy. Use it when friends survey one lake. A new file is written, "
        "and both inputs stay as they are.\n\n"
        "Soundings in both enter once. They are recognized by time, raw depth and place, copies "
        "without times by place and shape, also on another datum or coarsened. A log takes the "
        "place of its copy.\n\n"
        "Your database keeps its datum. The offset of the other soundings is found where tracks "
        "meet, and removed. With too few places the run stops, unless both have one datum.\n\n"
        "The uncertainty of the offset allows for positions that are wrong by 1 m for half an hour.",
    )
    SOURCE = QT_TRANSLATE_NOOP(
        "@default",
        "Wessel (2010), Computers & Geosciences 36(3), 348-354. Huber (1981), Robust Statistics. "
        "OGC 12-128r18, GeoPackage Encoding Standard 1.3",
    )

    NUMBERS = {
        "ADDED": QT_TRANSLATE_NOOP("@default", "Soundings added"),
        "ALREADY_THERE": QT_TRANSLATE_NOOP("@default", "Soundings already there"),
        "PLACES": QT_TRANSLATE_NOOP("@default", "Places where tracks meet"),
        "OFFSET": QT_TRANSLATE_NOOP("@default", "Maximum offset removed (m)"),
        "OFFSET_UNCERTAINTY": QT_TRANSLATE_NOOP("@default", "Standard uncertainty of offset (m)"),
        "RMS_BEFORE": QT_TRANSLATE_NOOP("@default", "RMS difference before (m)"),
        "RMS_AFTER": QT_TRANSLATE_NOOP("@default", "RMS difference after (m)"),
    }

    def declare(self):
        add = self.addParameter
        add(store_parameter(tr("Your own lake database, which keeps its datum.")))
        add(
            params.helped(
                QgsProcessingParameterFile(
                    "OTHER_DATABASE", tr("Other lake database"), extension="gpkg", optional=True
                ),
                tr("A friend's database of the same lake. If empty, a shared copy is needed."),
            )
        )
        add(
            params.helped(
                QgsProcessingParameterFeatureSource(
                    "COPY",
                    tr("Soundings of a shared copy"),
                    [QgsProcessing.SourceType.TypeVectorPoint],
                    optional=True,
                ),
                tr(
                    "Soundings with depth_m in meters, positive down. If empty, another lake database "
                    "is needed."
                ),
            )
        )
        add(
            params.helped(
                QgsProcessingParameterString(
                    "VISIT_NAME", tr("Visit name for the copy"), tr("shared copy")
                ),
                tr("The visit under which the soundings of a shared copy enter."),
            )
        )
        add(
            params.choice(
                "OFFSETS",
                tr("Offsets of the other soundings"),
                {
                    "one for all": tr("the other visits agree with each other"),
                    "one for each visit": tr("they do not agree"),
                    "none": tr("both have one datum"),
                },
                "one for all",
                tr("An offset is positive where the other soundings are too deep."),
                former={"store": "one for all", "visit": "one for each visit"},
            )
        )
        add(
            params.distance(
                "MAX_DISTANCE",
                tr("Maximum distance compared (m)"),
                5.0,
                tr("Tracks, or soundings of a copy, farther apart than this are not compared."),
                advanced=True,
                minimum=0.1,
            )
        )
        add(
            params.distance(
                "MAX_SPACING",
                tr("Maximum distance along track (m)"),
                20.0,
                tr("Soundings of one track farther apart than this are not joined."),
                advanced=True,
                minimum=0.1,
            )
        )
        add(
            params.number(
                "MIN_PLACES",
                tr("Minimum number of places"),
                5,
                tr("With fewer places where tracks meet, no offset is computed."),
                minimum=2,
                integer=True,
                advanced=True,
            )
        )
        add(
            QgsProcessingParameterFileDestination(
                params.OUTPUT, tr("Merged lake database"), tr("GeoPackage files (*.gpkg)")
            )
        )

    def check(self, inputs):
        if inputs.given("OTHER_DATABASE") == inputs.given("COPY"):
            raise LakefloorError(
                tr("Choose either another lake database or the soundings of a shared copy.")
            )

    def compute(self, inputs, outputs):
        from .. import _store as lake_store
        from ..core.visits.merging import merge_soundings

        progress = inputs.progress
        path = store_path(inputs)
        output = Path(inputs.destination(params.OUTPUT))
        level = _UNITS[inputs.choice("OFFSETS")]
        crs = lake_store.contents(path).crs
        own = lake_store.read_whole(path, span(progress, 0.0, 0.1))
        other = self._other(inputs, crs, span(progress, 0.1, 0.2))
        if output.exists():
            raise LakefloorError(
                tr(
                    "'{}' exists, and merging never replaces a lake database. Choose a new name."
                ).format(output.name)
            )
        merged = merge_soundings(
            own,
            other,
            level=level,
            copy_name=self._copy_name(inputs),
            reach_m=inputs.number("MAX_DISTANCE"),
            max_gap_m=inputs.number("MAX_SPACING"),
            least=inputs.integer("MIN_PLACES"),
            progress=span(progress, 0.2, 0.6),
        )
        _say(merged, inputs)
        done = lake_store.write_merged(
            path,
            outputs.file(params.OUTPUT),
            merged,
            level,
            span(progress, 0.6, 1.0),
            facts=None
            if inputs.given("COPY")
            else lake_store.facts_by_visit(inputs.file("OTHER_DATABASE")),
            newer_wins=any(text.startswith(SUPERSEDED) for text in distinct(other.status)[0]),
        )
        there = len(other) - done.added
        _say_done(done, there, inputs)
        return {
            "ADDED": done.added,
            "ALREADY_THERE": there,
            "PLACES": merged.places,
            "OFFSET": number_or_none(merged.offset),
            "OFFSET_UNCERTAINTY": number_or_none(merged.std_error),
            "RMS_BEFORE": number_or_none(merged.before),
            "RMS_AFTER": number_or_none(merged.after),
        }

    def _other(self, inputs, crs, progress):
        """Return the other's soundings in the CRS of one's own store."""
        from .. import _store as lake_store

        if inputs.given("COPY"):
            soundings, _ = inputs.soundings("COPY", QgsCoordinateReferenceSystem(crs))
            return soundings
        path = inputs.file("OTHER_DATABASE")
        theirs = lake_store.contents(path).crs
        other = lake_store.read_whole(path, progress)
        if theirs != crs:
            x, y = transform(other.x, other.y, theirs, crs)
            other = other.replace(x=x, y=y)
            inputs.say(
                tr("The other lake database ({}) is projected to {}.").format(theirs[:40], crs[:40])
            )
        return other

    def _copy_name(self, inputs):
        """Return the name under which a shared copy enters; None where there is none."""
        if not inputs.given("COPY"):
            return None
        name = inputs.text("VISIT_NAME").strip()
        return name or tr("shared copy")


def _say(merged, inputs):
    for note in merged.notes:
        inputs.warn(note)
    if merged.adjusted:
        joint = merged.joint
        for name, offset, error, count in zip(
            joint.visit, joint.offset, joint.std_error, joint.observations
        ):
            if np.isfinite(offset):
                inputs.say(
                    tr("{}: offset {:+.3f} m, standard uncertainty {:.3f} m, places: {}.").format(
                        f"'{name}'" if name else tr("The other soundings"), offset, error, count
                    )
                )


def _say_done(done, there, inputs):
    for name in done.visits:
        inputs.say(tr("Visit '{}' is now in the lake database.").format(name))
    for note in done.notes:
        inputs.warn(note)
    if done.superseded:
        inputs.say(
            tr(
                "The bottom has changed, as the other lake database says. Older soundings "
                "superseded: {}."
            ).format(done.superseded)
        )
    inputs.say(tr("Soundings added: {}, already there: {}.").format(done.added, there))
