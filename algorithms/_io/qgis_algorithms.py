"""Algorithms of QGIS, and Lakefloor's own, that run within another one."""

from __future__ import annotations

from qgis.core import QgsApplication, QgsProcessingMultiStepFeedback

from .._i18n import tr
from ..core.errors import Cancelled, LakefloorError
from .gdal_errors import without_sql


class Steps(QgsProcessingMultiStepFeedback):
    """Passes on what QGIS's own algorithms say, without the statements of SQL."""

    def __init__(self, count, feedback):
        super().__init__(count, feedback)
        self._whole = feedback

    def isCanceled(self):
        return self._whole.isCanceled()

    def reportError(self, error, fatalError=False):
        super().reportError(without_sql(error), fatalError)


def qgis_algorithm(name: str):
    """Return an algorithm of QGIS itself by its id.

    Raises
    ------
    LakefloorError
        If QGIS does not have it.
    """
    found = QgsApplication.processingRegistry().createAlgorithmById(name)
    if found is None:
        raise LakefloorError(
            tr(
                "The QGIS algorithm '{}' is missing. Enable the Processing plugin, then run again."
            ).format(name)
        )
    return found


def run_within(algorithm, parameters: dict, context, feedback):
    """Run an algorithm within this one.

    Raises
    ------
    LakefloorError
        If it fails; why is in the log.
    Cancelled
    """
    try:
        _, ok = algorithm.run(parameters, context, feedback)
    except Exception:  # QGIS raises nothing more special where it cannot write
        ok = False
    if feedback.isCanceled():
        raise Cancelled
    if not ok:
        raise LakefloorError(
            tr("'{}' failed. See the messages above, and check that the disk has room.").format(
                algorithm.displayName()
            )
        )
