"""The models that ship with the plugin."""

from pathlib import Path
from traceback import clear_frames

from qgis.core import QgsProcessingException, QgsProcessingModelAlgorithm

from ..algorithms._base import LakefloorAlgorithm
from ..algorithms._compat import STEP_SOURCE
from ..algorithms._forms import arrange, form
from ..algorithms._help import help_html
from ..algorithms._i18n import in_local_numbers, tr
from ..algorithms._io.destinations import check_destinations, is_store
from ..algorithms._io.gone_layers import check_inputs_are_there
from ..algorithms._io.loading import nothing_loaded_on_failure
from ..algorithms._io.named_crs import name_inputs
from ..algorithms._io.params import with_current_values
from ..algorithms._io.staging import staging_folder
from ..algorithms._io.typed_names import tell
from ..algorithms._libraries import import_libraries
from ..algorithms._step_log import steps_told_to
from ..algorithms._toolbox import MODELS, group_shown, model_shown
from ..algorithms.core.errors import LakefloorError
from .closing_summary import Told, closing_lines, lines_after_cancel
from .model_log import ModelLog, is_heading  # noqa: F401

#: What the help of a model also holds, since the file of a model has no place of its own for it;
#: the last is names of inputs and outputs, with commas, as FORM of an algorithm.
SHOWN_NAME, TAGS, DESCRIPTION, FORM = "SHOWN_NAME", "TAGS", "ALG_DESC", "FORM"


class ShippedModel(QgsProcessingModelAlgorithm):
    """A model that tries all its destinations, and the rules of its steps, before the first step.

    A step's own destination is otherwise looked at when the steps before it have done their work.
    The name in the model's file is the id; what people read and search for is in its help.
    """

    def title(self) -> str:
        """Return the name as texts quote it, without its place in the toolbox."""
        return tr(self.helpContent().get(SHOWN_NAME) or self.name())

    def displayName(self):
        return model_shown(self.title(), self.name())

    def group(self):
        return group_shown(MODELS)

    def groupId(self):
        return MODELS

    def arrange(self) -> None:
        """Prepare the parameters for the form."""
        names = str(self.helpContent().get(FORM) or "")
        arrange(self, tuple(filter(None, names.split(","))))

    def createCustomParametersWidget(self, parent=None):
        return form(self, parent)

    def tags(self):
        return tr(self.helpContent().get(TAGS) or "").split(",")

    def shortHelpString(self):
        # QGIS would add the help of every parameter, which its field in the dialog shows.
        return help_html(str(self.helpContent().get(DESCRIPTION, "")))

    def createInstance(self):
        copy = type(self)()
        copy.loadVariant(self.toVariant())
        copy.declare_handed_on()
        copy.arrange()
        copy.setProvider(self.provider())
        copy.setSourceFilePath(self.sourceFilePath())
        return copy

    def declare_handed_on(self):
        """Declare the outputs of steps that the model hands on and that are no destinations.

        QGIS returns them, but declares only those that a user may choose a place for.
        """
        for child in self.childAlgorithms().values():
            algorithm = child.algorithm()
            for label, output in child.modelOutputs().items():
                name = f"{child.childId()}:{label}"
                definition = algorithm and algorithm.outputDefinition(output.childOutputName())
                if definition and self.outputDefinition(name) is None:
                    self.addOutput(type(definition)(name, definition.description()))

    def checkParameterValues(self, parameters, context):
        parameters = with_current_values(self, parameters, context)
        try:
            check_inputs_are_there(self, parameters, context)
            acceptable, wrong = super().checkParameterValues(parameters, context)
            if acceptable:
                self._check(parameters, context)
        except LakefloorError as error:
            return False, str(error)
        return acceptable, wrong

    def prepareAlgorithm(self, parameters, context, feedback):
        import_libraries("pyproj")
        parameters = with_current_values(self, parameters, context)
        try:
            self._check(parameters, context)
        except LakefloorError as error:
            raise QgsProcessingException(str(error)) from error
        name_inputs(self, parameters, context)
        return super().prepareAlgorithm(parameters, context, feedback)

    def processAlgorithm(self, parameters, context, feedback):
        tell(self, parameters, context, feedback)
        parameters = with_current_values(self, parameters, context)
        before = context.layersToLoadOnCompletion()
        active = [child for child in self.childAlgorithms().values() if child.isActive()]
        log = ModelLog(feedback, len(active), context)
        try:
            with nothing_loaded_on_failure(context), steps_told_to(log, context):
                results = super().processAlgorithm(parameters, context, log)
        except QgsProcessingException as error:
            clear_frames(error.__traceback__)
            raise QgsProcessingException(log.failure(error)) from None
        done = results.get("CHILD_RESULTS", {})
        # A step that was cancelled returns nothing, and QGIS runs none after it.
        cancelled = log.isCanceled() and not all(done.get(child.childId()) for child in active)
        self._close(log, cancelled, Told(self, parameters, results, context, len(log.warnings)))
        if not cancelled:
            return results
        context.setLayersToLoadOnCompletion(before)
        return {}

    @in_local_numbers
    def _close(self, log, cancelled, told):
        """Write the last lines of the log."""
        log.heading(tr("Cancelled") if cancelled else tr("Done: {}").format(self.title()))
        for line in lines_after_cancel(told) if cancelled else closing_lines(told):
            log.fact(line)

    # -- what can be known beforehand ------------------------------------------------

    def _check(self, parameters, context):
        import_libraries("shapely")
        from ..algorithms._io.inputs import Inputs

        # Steps, and what belongs to them, live as long as this dictionary.
        children = self.childAlgorithms()
        for child, algorithm in _steps(children):
            values = self._values(child, algorithm, parameters)
            if values is not None:
                algorithm.check(Inputs(algorithm, values, context))
        check_destinations(
            self, parameters, context, lambda definition: _output_of_step(children, definition)
        )
        for name in self._fed("DATABASE"):
            path = Path(self.parameterAsFile(parameters, name, context))
            if path.is_file() and not is_store(path):
                raise LakefloorError(
                    tr("'{}' is not a lake database. Choose a lake database or a new name.").format(
                        path.name
                    )
                )
            with staging_folder(path.parent):
                pass

    @property
    def REPLACEABLE(self):
        """Inputs that a result may replace: a surface that is brought up to date."""
        return self._fed("SURFACE_TO_UPDATE")

    def _values(self, child, algorithm, parameters):
        """Return the parameters of a step, as far as they are known, or None if too little is."""
        values = {}
        for name, sources in child.parameterSources().items():
            found = []
            for source in sources:
                if source.source() == STEP_SOURCE.StaticValue:
                    found.append(source.staticValue())
                elif source.source() == STEP_SOURCE.ModelParameter:
                    definition = self.parameterDefinition(source.parameterName())
                    found.append(parameters.get(definition.name(), definition.defaultValue()))
                elif source.source() == STEP_SOURCE.ChildOutput:
                    # Of another step, which is yet to come: that there will be one is known.
                    found.append(f"{source.outputChildId()}.{source.outputName()}")
                else:
                    return None
            values[name] = found[0] if len(found) == 1 else found
        for label, output in child.modelOutputs().items():
            values[output.childOutputName()] = parameters.get(f"{child.childId()}:{label}")
        return values

    def _fed(self, step_parameter):
        """Return the names of the model's inputs that go into one parameter of a step."""
        return {
            source.parameterName()
            for child in self.childAlgorithms().values()
            for source in child.parameterSources().get(step_parameter, ())
            if source.source() == STEP_SOURCE.ModelParameter
        }


def _steps(children):
    for child in children.values():
        algorithm = child.algorithm()
        if child.isActive() and isinstance(algorithm, LakefloorAlgorithm):
            yield child, algorithm


def _output_of_step(children, definition):
    """Return the definition of the step's output, which knows its formats."""
    child_id, _, label = definition.name().partition(":")
    child = children.get(child_id)
    output = child.modelOutputs().get(label) if child is not None else None
    algorithm = child.algorithm() if output is not None else None
    found = algorithm.parameterDefinition(output.childOutputName()) if algorithm else None
    return found or definition


def read_model(path: Path):
    """Return the model in a file, or None if it cannot be read."""
    model = ShippedModel()
    if not model.fromFile(str(path)):
        return None
    model.declare_handed_on()
    model.arrange()
    return model
