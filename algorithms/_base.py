"""What every Lakefloor algorithm shares."""

import sqlite3
from pathlib import Path
from traceback import clear_frames

from qgis.core import QgsProcessingAlgorithm, QgsProcessingException
from qgis.PyQt.QtCore import QT_TRANSLATE_NOOP
from qgis.PyQt.QtGui import QIcon

from ._destinations import check_destinations
from ._i18n import in_local_numbers, tr
from ._loading import nothing_loaded_on_failure
from ._named_crs import name_inputs
from .core.errors import Cancelled, LakefloorError

ICONS = Path(__file__).resolve().parent.parent / "plugin" / "icons"

GROUPS = {
    "plan": QT_TRANSLATE_NOOP("@default", "Plan"),
    "soundings": QT_TRANSLATE_NOOP("@default", "Soundings"),
    "surface": QT_TRANSLATE_NOOP("@default", "Surface"),
    "chart": QT_TRANSLATE_NOOP("@default", "Chart"),
    "structure": QT_TRANSLATE_NOOP("@default", "Structure"),
    "share": QT_TRANSLATE_NOOP("@default", "Share"),
}


class LakefloorAlgorithm(QgsProcessingAlgorithm):
    """An algorithm described by class constants, whose work is in :meth:`compute`.

    ``NAME`` is the id and never changes once released. ``TAGS`` are the words, with commas
    between them, by which the toolbox finds it. ``HELP`` says what the algorithm does, when to
    use it, its limits and units; ``SOURCE`` names the published source of the method.
    ``MAIN_THREAD`` is for one that draws layouts, which belong to the main thread.
    ``REPLACEABLE`` names inputs whose file an output may replace.
    """

    NAME = ""
    DISPLAY = ""
    GROUP = ""
    TAGS = ""
    HELP = ""
    SOURCE = ""
    MAIN_THREAD = False
    REPLACEABLE = ()

    def name(self):
        return self.NAME

    def displayName(self):
        return tr(self.DISPLAY)

    def group(self):
        return tr(GROUPS[self.GROUP])

    def groupId(self):
        return self.GROUP

    def tags(self):
        return tr(self.TAGS).split(",")

    def flags(self):
        if self.MAIN_THREAD:
            return super().flags() | QgsProcessingAlgorithm.Flag.FlagNoThreading
        return super().flags()

    def icon(self):
        return QIcon(self.svgIconPath())

    def svgIconPath(self):
        own = ICONS / f"{self.NAME}.svg"
        return str(own if own.exists() else ICONS / f"{self.GROUP}.svg")

    def shortHelpString(self):
        text = "".join(f"<p>{tr(part.strip())}</p>" for part in self.HELP.split("\n\n"))
        if self.SOURCE:
            text += f"<p><i>{tr('Source')}: {tr(self.SOURCE)}</i></p>"
        return text

    def createInstance(self):
        return type(self)()

    @in_local_numbers
    def checkParameterValues(self, parameters, context):
        try:
            self.check(parameters, context)
            check_destinations(self, parameters, context)
        except LakefloorError as error:
            return False, str(error)
        return super().checkParameterValues(parameters, context)

    def check(self, parameters, context):
        """Refuse parameters that do not go together, each being acceptable by itself.

        Called before the dialog runs the algorithm, and again before the work, in a model too.

        Raises
        ------
        LakefloorError
            With what is wrong and how to mend it.
        """

    def prepareAlgorithm(self, parameters, context, feedback):
        name_inputs(self, parameters, context)
        return super().prepareAlgorithm(parameters, context, feedback)

    @in_local_numbers
    def processAlgorithm(self, parameters, context, feedback):
        try:
            # QGIS checks what a person starts, but not the steps of a model.
            acceptable, wrong = self.checkParameterValues(parameters, context)
            if not acceptable:
                raise LakefloorError(wrong)
            with nothing_loaded_on_failure(context):
                return self.compute(parameters, context, feedback)
        except (Cancelled, LakefloorError) as error:
            # QGIS keeps the traceback, and with it the layers and files that compute() held.
            clear_frames(error.__traceback__)
            for note in getattr(error, "notes", ()):
                feedback.pushWarning(note)
            cancelled = isinstance(error, Cancelled)
            message = tr("Cancelled. Nothing was written.") if cancelled else str(error)
            raise QgsProcessingException(message) from error
        except (OSError, sqlite3.Error) as error:
            clear_frames(error.__traceback__)
            raise QgsProcessingException(_of_the_disk(error)) from error

    def compute(self, parameters, context, feedback) -> dict:
        """Read parameters, call one core routine, write the result.

        Not named ``run``, which is a method of QGIS that runs the whole algorithm.
        """
        raise NotImplementedError(f"{type(self).__name__} has no method compute()")

    @staticmethod
    def progress(feedback):
        """Return a core progress callback that reports to ``feedback`` and honours cancel."""

        def report(fraction):
            if feedback.isCanceled():
                raise Cancelled
            feedback.setProgress(100.0 * fraction)

        return report


def _of_the_disk(error):
    reason = getattr(error, "strerror", None) or tr("a database could not be read or written")
    name = getattr(error, "filename", None)
    return tr("Reading or writing failed: {}{}. Nothing was changed. Check that the disk is not "
              "full and that no other program has the files open, then run again.").format(
        f"'{name}': " if name else "", reason)
