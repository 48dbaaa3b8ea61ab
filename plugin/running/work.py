"""What a run works with: an algorithm that is prepared, in the main thread."""

from __future__ import annotations

from dataclasses import dataclass

from pyproj import CRS
from qgis.core import (
    QgsApplication,
    QgsProcessingAlgorithm,
    QgsProcessingContext,
    QgsProcessingModelAlgorithm,
)

from ...algorithms._i18n import tr
from ...algorithms.core.errors import LakefloorError
from .feedback import ERROR, RunFeedback
from .loading import asking_for_layers
from .own_layers import own_context, with_own_layers
from .written import Written


class RefusedError(Exception):
    """What is wrong with a run before it begins; the text is for the user."""


@dataclass
class Work:
    """Kept as long as the run lasts; QGIS keeps none of it."""

    algorithm: QgsProcessingAlgorithm
    parameters: dict
    context: QgsProcessingContext
    feedback: RunFeedback
    written: Written


def prepare(run):
    """Prepare a run part by part, so that the window can go on between: yield None, at last a Work.

    Raises
    ------
    RefusedError
        If the algorithm is not there, or its parameters cannot be filled or are not taken.
    """
    if run.fill is not None:
        try:
            run.algorithm_id, run.parameters = run.fill()
        except (LakefloorError, OSError) as error:
            raise RefusedError(str(error)) from error
    # Where a worker uses it first, QGIS 3.40 with pyproj 3.7 crashes there.
    CRS.from_epsg(4326)
    feedback = RunFeedback()
    context = own_context(feedback)
    try:
        parameters = with_own_layers(run.parameters, context)
    except RuntimeError as error:  # an object of Qt that is no more
        raise RefusedError(
            tr("A layer of this run is no longer in the project. Choose it again, then run.")
        ) from error
    yield
    algorithm = _algorithm(run.algorithm_id)
    if run.lake is None:
        parameters = asking_for_layers(algorithm, parameters)
    yield
    acceptable, wrong = algorithm.checkParameterValues(parameters, context)
    if not acceptable:
        raise RefusedError(wrong)
    yield
    if not algorithm.prepare(parameters, context, feedback):
        raise RefusedError(
            "\n".join(text for kind, text in feedback.take() if kind == ERROR)
            or tr("'{}' could not be prepared. Check its inputs, then run again.").format(
                algorithm.displayName()
            )
        )
    yield
    written = Written(algorithm, parameters, whole=run.lake is not None)
    yield Work(algorithm, parameters, context, feedback, written)


def _algorithm(algorithm_id):
    found = QgsApplication.processingRegistry().createAlgorithmById(algorithm_id)
    if found is None:
        raise RefusedError(
            tr("There is no algorithm '{}'. Enable the plugin that has it, then run again.").format(
                algorithm_id
            )
        )
    if _bound_to_the_main_thread(found):
        raise RefusedError(
            tr("'{}' cannot run in the background. Start it from the toolbox.").format(
                found.displayName()
            )
        )
    return found


def _bound_to_the_main_thread(algorithm) -> bool:
    """Tell whether an algorithm, or a step of a model, may run in the main thread alone.

    QGIS 3.22 says so of every model.
    """
    if not isinstance(algorithm, QgsProcessingModelAlgorithm):
        return bool(algorithm.flags() & QgsProcessingAlgorithm.Flag.FlagNoThreading)
    # Steps live as long as this dictionary.
    children = algorithm.childAlgorithms()
    steps = [child.algorithm() for child in children.values()]
    return any(_bound_to_the_main_thread(step) for step in steps if step is not None)
