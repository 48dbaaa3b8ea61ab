"""What every Lakefloor algorithm shares.

QGIS loads all algorithms as it starts. What only their work needs (core's routines, and with them
scipy, pyproj and shapely) is therefore imported where it is used: in ``check`` and ``compute``.
"""

from __future__ import annotations

import sqlite3
from contextlib import contextmanager
from pathlib import Path
from traceback import clear_frames
from typing import TYPE_CHECKING

from qgis.core import QgsProcessingAlgorithm, QgsProcessingException, QgsProcessingOutputNumber
from qgis.PyQt.QtGui import QIcon

from . import place_in_group
from ._forms import arrange, form
from ._help import help_html
from ._i18n import in_local_numbers, tr
from ._io.destinations import check_destinations
from ._io.gone_layers import check_inputs_are_there
from ._io.loading import nothing_loaded_on_failure
from ._io.named_crs import name_inputs
from ._io.own_copies import copied_inputs, take
from ._io.params import with_current_values
from ._io.typed_names import tell
from ._libraries import import_libraries
from ._step_log import step
from ._toolbox import group_shown, shown
from .core.errors import Cancelled, LakefloorError

if TYPE_CHECKING:
    from ._io.inputs import Inputs
    from ._io.outputs import Outputs

ICONS = Path(__file__).resolve().parent.parent / "plugin" / "icons"


class LakefloorAlgorithm(QgsProcessingAlgorithm):
    """An algorithm described by class constants, whose work is in :meth:`compute`.

    ``NAME`` is the id and never changes once released. ``TAGS`` are the words, with commas
    between them, by which the toolbox finds it. ``HELP`` says what the algorithm does, when to
    use it, its limits and units; ``SOURCE`` names the published source of the method.
    ``DRAWS`` is for one that draws layers: it works with copies of those in the open project.
    ``REPLACEABLE`` names inputs whose file an output may replace. ``NUMBERS`` are the output numbers
    that :meth:`compute` returns, with what they are. ``FORM`` names what stands outside the folded
    part of the form; if it is empty, all does that is not declared as advanced.
    """

    NAME = ""
    DISPLAY = ""
    GROUP = ""
    TAGS = ""
    HELP = ""
    SOURCE = ""
    DRAWS = False
    REPLACEABLE = ()
    NUMBERS = {}
    FORM = ()

    def name(self):
        return self.NAME

    def title(self) -> str:
        """Return the name as texts quote it, without its place in the toolbox."""
        return tr(self.DISPLAY)

    def displayName(self):
        return shown(self.title(), self.GROUP, place_in_group(type(self)))

    def group(self):
        return group_shown(self.GROUP)

    def groupId(self):
        return self.GROUP

    def tags(self):
        return tr(self.TAGS).split(",")

    def icon(self):
        return QIcon(self.svgIconPath())

    def svgIconPath(self):
        own = ICONS / f"{self.NAME}.svg"
        return str(own if own.exists() else ICONS / f"{self.GROUP}.svg")

    def shortHelpString(self):
        text = help_html(self.HELP)
        if self.SOURCE:
            text += f"<p><i>{tr('Source')}: {tr(self.SOURCE)}</i></p>"
        return text

    def createInstance(self):
        return type(self)()

    def initAlgorithm(self, configuration=None):
        self.declare()
        for name, label in self.NUMBERS.items():
            self.addOutput(QgsProcessingOutputNumber(name, tr(label)))
        arrange(self, self.FORM)

    def createCustomParametersWidget(self, parent=None):
        return form(self, parent)

    def declare(self):
        """Declare the parameters, and the outputs that are not numbers."""
        raise NotImplementedError(f"{type(self).__name__} has no method declare()")

    @in_local_numbers
    def checkParameterValues(self, parameters, context):
        import_libraries("shapely")
        from ._io.inputs import Inputs

        parameters = with_current_values(self, parameters, context)
        try:
            check_inputs_are_there(self, parameters, context)
            self.check(Inputs(self, parameters, context))
            check_destinations(self, parameters, context)
        except LakefloorError as error:
            return False, str(error)
        return super().checkParameterValues(parameters, context)

    def check(self, inputs: Inputs):
        """Refuse parameters that do not go together, each being acceptable by itself.

        Called before the dialog runs the algorithm, and again before the work, in a model too.

        Raises
        ------
        LakefloorError
            With what is wrong and how to put it right.
        """

    def prepareAlgorithm(self, parameters, context, feedback):
        import_libraries("pyproj")
        parameters = with_current_values(self, parameters, context)
        name_inputs(self, parameters, context)
        if self.DRAWS:
            self._copies = copied_inputs(self, parameters, context)
        return super().prepareAlgorithm(parameters, context, feedback)

    @in_local_numbers
    def processAlgorithm(self, parameters, context, feedback):
        import_libraries()
        from ._io.inputs import Inputs
        from ._io.outputs import Outputs

        tell(self, parameters, context, feedback)
        parameters = with_current_values(self, parameters, context)
        if self.DRAWS:
            parameters = {**parameters, **take(self._copies, context)}
        outputs = Outputs(self, parameters, context, feedback)
        with step(tr(self.DISPLAY), context), _told_as_qgis_does(feedback):
            # QGIS checks what a person starts, but not the steps of a model.
            acceptable, wrong = self.checkParameterValues(parameters, context)
            if not acceptable:
                raise LakefloorError(wrong)
            inputs = Inputs(self, parameters, context, feedback)
            with nothing_loaded_on_failure(context), outputs:
                outputs.results.update(self.compute(inputs, outputs) or {})
            return outputs.results
        return {}

    def compute(self, inputs: Inputs, outputs: Outputs):
        """Read the inputs, call one core routine, write the outputs; return the output numbers.

        Every file that is written is put in place after this, all of them together.
        Not named ``run``, which is a method of QGIS that runs the whole algorithm.
        """
        raise NotImplementedError(f"{type(self).__name__} has no method compute()")


@contextmanager
def _told_as_qgis_does(feedback):
    """Make QGIS's exception of an error of ours or of the disk; a cancel just ends the work."""
    try:
        yield
    except Cancelled as error:
        clear_frames(error.__traceback__)
        # As QGIS's own algorithms end when they are cancelled: it is no error.
        feedback.pushInfo(tr("Cancelled. Nothing was written."))
    except LakefloorError as error:
        # QGIS keeps the traceback, and with it the layers and files that compute() held.
        clear_frames(error.__traceback__)
        for note in getattr(error, "notes", ()):
            feedback.pushWarning(note)
        raise QgsProcessingException(str(error)) from error
    except (OSError, sqlite3.Error) as error:
        clear_frames(error.__traceback__)
        raise QgsProcessingException(_of_the_disk(error)) from error


def _of_the_disk(error):
    reason = getattr(error, "strerror", None) or tr("a database could not be read or written")
    name = getattr(error, "filename", None)
    return tr(
        "Reading or writing failed: {}{}. Nothing was changed. Check that the disk is not "
        "full and that no other program has the files open, then run again."
    ).format(f"'{name}': " if name else "", reason)
