"""Merge stores."""

from pathlib import Path

import numpy as np
from qgis.core import (
    QgsCoordinateReferenceSystem,
    QgsProcessing,
    QgsProcessingOutputNumber,
    QgsProcessingParameterFeatureSource,
    QgsProcessingParameterFile,
    QgsProcessingParameterFileDestination,
    QgsProcessingParameterString,
)
from qgis.PyQt.QtCore import QT_TRANSLATE_NOOP

from .. import _params as params
from .. import _store as lake_store
from .._base import LakefloorAlgorithm
from .._i18n import tr
from .._layers import optional_source, read_soundings
from .._outputs import Outputs
from .._store_file import SUPERSEDED, copy_store
from ..core.crs import transform
from ..core.errors import LakefloorError
from ..core.exchange.merging import merge_soundings
from ..core.progress import span
from ..core.soundings import concatenate
from ..core.track import in_logged_order
from ._store_file import store_parameter, warn_of_neighbors

_NUMBERS = {
    "ADDED": QT_TRANSLATE_NOOP("@default", "Soundings added"),
    "ALREADY_THERE": QT_TRANSLATE_NOOP("@default", "Soundings already there"),
    "PLACES": QT_TRANSLATE_NOOP("@default", "Places where both meet"),
    "OFFSET": QT_TRANSLATE_NOOP("@default", "Largest offset taken off (m)"),
    "STD_ERROR": QT_TRANSLATE_NOOP("@default", "Standard error of that offset (m)"),
    "RMS_BEFORE": QT_TRANSLATE_NOOP("@default", "Root mean square difference before (m)"),
    "RMS_AFTER": QT_TRANSLATE_NOOP("@default", "Root mean square difference after (m)"),
}


class MergeStores(LakefloorAlgorithm):
    NAME = "mergestores"
    DISPLAY = QT_TRANSLATE_NOOP("@default", "Merge stores")
    GROUP = "soundings"
    TAGS = QT_TRANSLATE_NOOP(
        "@default", "GeoPackage,friend,share,join,combine,duplicate,level,archive"
    )
    HELP = QT_TRANSLATE_NOOP(
        "@default",
        "Makes one store of yours and a friend's: another store of the same lake, or the soundings "
        "of a shared copy. A new store is written; neither of the two is changed.\n\n"
        "Soundings that are in both are recognised by what was logged (time, raw depth, place), "
        "whatever the names and corrections, and enter once, as your store holds them. Those of a "
        "shared copy, which has no times, are recognised by place and depth; of a coarsened copy "
        "none can be.\n\n"
        "Levels: your store holds the datum. From the places where tracks of both cross or run "
        "side by side (for a shared copy: where soundings lie close together), the offset of the "
        "friend's soundings is found by least squares, with its standard error, and taken off. If "
        "there are too few such places, the run ends with that message, unless both are reduced to "
        "the same datum: then they are merged as they are, and the log says so. Raw depths are "
        "kept. Soundings that the friend's store marks as superseded are accepted again.\n\n"
        "Offsets in metres, positive where the friend's soundings read too deep. The standard "
        "error takes places as independent and is too small where they share a bad position.",
    )
    SOURCE = QT_TRANSLATE_NOOP(
        "@default",
        "Wessel (2010), Computers & Geosciences 36(3), 348-354; Huber (1981), Robust Statistics; "
        "OGC 12-128r18, GeoPackage Encoding Standard 1.3",
    )

    def initAlgorithm(self, configuration=None):
        add = self.addParameter
        add(store_parameter(tr("Your own store, whose datum holds.")))
        add(params.helped(
            QgsProcessingParameterFile(
                "OTHER_STORE", tr("The other store"), extension="gpkg", optional=True),
            tr("A friend's store of the same lake."),
        ))
        add(params.helped(
            QgsProcessingParameterFeatureSource(
                "COPY", tr("Soundings of a shared copy"),
                [QgsProcessing.SourceType.TypeVectorPoint], optional=True),
            tr("Instead of another store: soundings with depth_m in metres, positive down."),
        ))
        add(params.helped(
            QgsProcessingParameterString("NAME", tr("Name of the copy"), tr("shared copy")),
            tr("Visit under which the soundings of a shared copy enter."),
        ))
        add(params.choice(
            "LEVEL", tr("Adjust levels"),
            {"store": tr("one offset for all of the other's soundings"),
             "visit": tr("one offset for each of its visits"),
             "none": tr("no offset; both are at the same datum")},
            "store", tr("By visit only if the visits of the other store are not level."),
        ))
        add(params.distance(
            "REACH", tr("Greatest distance without a crossing (m)"), 5.0,
            tr("Tracks, or soundings of a copy, farther apart than this are not compared."),
            advanced=True, minimum=0.1,
        ))
        add(params.distance(
            "MAX_SPACING", tr("Greatest distance between soundings (m)"), 20.0,
            tr("Soundings of one track farther apart than this are not joined."),
            advanced=True, minimum=0.1,
        ))
        add(params.number(
            "LEAST", tr("Fewest places"), 5,
            tr("From fewer places an offset is not believed."), minimum=2, integer=True,
            advanced=True,
        ))
        add(QgsProcessingParameterFileDestination(
            params.OUTPUT, tr("Merged store"), tr("GeoPackage files (*.gpkg)")))
        for name, label in _NUMBERS.items():
            self.addOutput(QgsProcessingOutputNumber(name, tr(label)))

    def check(self, parameters, context):
        if bool(parameters.get("OTHER_STORE")) == bool(parameters.get("COPY")):
            raise LakefloorError(
                tr("Choose either another store or the soundings of a shared copy.")
            )

    def compute(self, parameters, context, feedback):
        progress = self.progress(feedback)
        path = self.parameterAsFile(parameters, "STORE", context)
        output = Path(self.parameterAsFileOutput(parameters, params.OUTPUT, context))
        level = self.parameterAsEnumString(parameters, "LEVEL", context)
        warn_of_neighbors(path, feedback)
        crs = lake_store.contents(path).crs
        own = _held(path, span(progress, 0.0, 0.1))
        other = self._other(parameters, context, feedback, crs, span(progress, 0.1, 0.2))
        if output.exists():
            raise LakefloorError(
                tr("'{}' exists. Choose a new name: merging never writes over a store.").format(
                    output.name)
            )
        merged = merge_soundings(
            own, other, level=level, copy_name=self._copy_name(parameters, context),
            reach_m=self.parameterAsDouble(parameters, "REACH", context),
            max_gap_m=self.parameterAsDouble(parameters, "MAX_SPACING", context),
            least=self.parameterAsInt(parameters, "LEAST", context),
            progress=span(progress, 0.2, 0.6),
        )
        _say(merged, feedback)
        with Outputs(self, parameters, context, feedback) as out:
            staged = out.file(params.OUTPUT)
            copy_store(path, staged)
            lake_store.make_own(staged)
            added = 0
            if len(merged.soundings):
                done = lake_store.add(
                    staged, merged.soundings, crs,
                    parameters={"merged": True, "level": level, "offset_m": _number(merged.offset)},
                    progress=span(progress, 0.6, 1.0),
                )
                added = done.added
                for name in done.visits:
                    feedback.pushInfo(tr("Visit '{}' entered the store.").format(name))
                for note in done.notes:
                    feedback.pushWarning(note)
            feedback.pushInfo(
                tr("Soundings added: {}, already there: {}").format(added, len(other) - added))
            numbers = (added, len(other) - added, merged.places, *map(_number, (
                merged.offset, merged.std_error, merged.before, merged.after)))
            out.results.update(zip(_NUMBERS, numbers))
        return out.results

    def _other(self, parameters, context, feedback, crs, progress):
        """Return the other's soundings in the CRS of one's own store."""
        copy = optional_source(self, parameters, "COPY", context)
        if copy is None:
            path = self.parameterAsFile(parameters, "OTHER_STORE", context)
            theirs = lake_store.contents(path).crs
            other = _held(path, progress)
            if theirs != crs:
                x, y = transform(other.x, other.y, theirs, crs)
                other = other.replace(x=x, y=y)
                feedback.pushInfo(
                    tr("The other store ({}) is projected to {}.").format(theirs[:40], crs[:40]))
            return other
        soundings, _ = read_soundings(
            copy, context, feedback, QgsCoordinateReferenceSystem(crs))
        if not copy.sourceCrs().isValid():
            raise LakefloorError(
                tr("Layer '{}' has no coordinate reference system. Set the right one in its "
                   "properties, then run again.").format(copy.sourceName())
            )
        return soundings

    def _copy_name(self, parameters, context):
        """Return the name under which a shared copy enters; None where there is none."""
        if not parameters.get("COPY"):
            return None
        return self.parameterAsString(parameters, "NAME", context).strip() or tr("shared copy")


def _held(path, progress):
    parts = list(lake_store.read(path, progress=progress))
    if not parts:
        raise LakefloorError(tr("Store '{}' holds no soundings.").format(Path(path).name))
    # Rows of an earlier version's store may stand as they came.
    return in_logged_order(concatenate(parts))


def _number(value):
    return float(value) if value == value else None


def _say(merged, feedback):
    for note in merged.notes:
        feedback.pushWarning(note)
    if merged.adjusted:
        joint = merged.joint
        for name, offset, error, count in zip(
            joint.visit, joint.offset, joint.std_error, joint.observations
        ):
            if np.isfinite(offset):
                feedback.pushInfo(
                    tr("{}: offset {:+.3f} m, standard error {:.3f} m, {} places").format(
                        f"'{name}'" if name else tr("The other soundings"), offset, error, count)
                )
    again = sum(str(s).startswith(SUPERSEDED) for s in merged.soundings.status)
    if again:
        feedback.pushWarning(
            tr("{} soundings that the other store marks as superseded are accepted again.")
            .format(again)
        )
