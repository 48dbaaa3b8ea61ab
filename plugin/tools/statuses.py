"""The soundings on the map show the status that the lake database has for them."""

from __future__ import annotations

from contextlib import nullcontext

from qgis.core import QgsApplication, QgsProcessingFeedback, QgsProviderRegistry, QgsTask

from ...algorithms._i18n import tr
from ...algorithms._project.lake_group import group_of
from ...algorithms._project.renewing import our_change
from ...algorithms._styling.soundings import show_reasons
from ...algorithms.core.errors import Cancelled, LakefloorError
from .lake_layers import layers_of, project_of

__all__ = ["show_statuses"]

#: QGIS holds the C++ side of a task only.
_tasks = set()


def show_statuses(lake, box=None, done=None):
    """Bring the status of the soundings on the map up to the database, in the background.

    Parameters
    ----------
    lake : object
        What the panel holds.
    box : QgsRectangle, optional
        In the CRS of the database: soundings elsewhere have not changed.
    done : callable, optional
        Called in the main thread with what went wrong, "" if nothing did.
    """
    layers = layers_of(lake, "soundings") if lake.folder is not None else []
    if not layers:
        if done is not None:
            done("")
        return
    task = _StatusTask(lake, layers[0], box, done)
    _tasks.add(task)
    QgsApplication.taskManager().addTask(task)


class _StatusTask(QgsTask):
    def __init__(self, lake, layer, box, done):
        super().__init__(tr("Status of the soundings"), QgsTask.Flag.CanCancel)
        parts = QgsProviderRegistry.instance().decodeUri("ogr", layer.source())
        self._layer, self._done = layer, done
        self._project, self._facts = project_of(lake), lake.facts
        self._database = lake.folder.database
        self._path, self._table = parts["path"], parts.get("layerName") or "soundings"
        self._box = None
        if box is not None:
            self._box = (box.xMinimum(), box.yMinimum(), box.xMaximum(), box.yMaximum())
        self._feedback, self._wrong, self._statuses = QgsProcessingFeedback(), "", {}
        layer.willBeDeleted.connect(self._let_go)

    def cancel(self):
        self._feedback.cancel()
        super().cancel()

    def run(self):
        from ...algorithms._store.layer_status import renew_statuses

        try:
            self._statuses = renew_statuses(
                self._path, self._table, self._database, self._box, self._look_up
            )
        except Cancelled:
            return False
        except LakefloorError as error:
            self._wrong = str(error)
        return True

    def finished(self, succeeded):
        _tasks.discard(self)
        if self._layer is not None:
            self._layer.willBeDeleted.disconnect(self._let_go)
            self._layer.reload()
            group = group_of(self._project, self._facts)
            with our_change(group, self._layer) if group else nullcontext():
                show_reasons(self._layer, self._statuses)
            self._layer.triggerRepaint()
        if self._done is not None:
            self._done(self._wrong)

    def _look_up(self, fraction):
        if self._feedback.isCanceled():
            raise Cancelled

    def _let_go(self):
        self._layer = None
