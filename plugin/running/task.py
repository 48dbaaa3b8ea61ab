"""The task in which a run works: prepared in the main thread, finished there, worked elsewhere."""

from __future__ import annotations

import threading
from traceback import clear_frames, format_exc

from qgis.core import QgsMessageLog, QgsProcessingException, QgsProcessingModelAlgorithm, QgsTask
from qgis.PyQt.QtCore import QCoreApplication, QThread

from ...algorithms._i18n import tr
from ...algorithms._libraries import import_libraries
from .feedback import ERROR


class Warming(QgsTask):
    """Imports what the work needs, before the main thread needs a part of it to check a run."""

    def __init__(self, over):
        super().__init__(tr("Lakefloor is getting ready"))
        self._over = over

    def run(self):
        # The rooms of work import the libraries one after the other, and others may be at it.
        import_libraries()
        from ...algorithms import _store  # noqa: F401
        from ...algorithms._io import inputs, outputs  # noqa: F401
        from ...algorithms._lake import filling  # noqa: F401

        return True

    def finished(self, result):
        self._over()


class RunTask(QgsTask):
    """Runs an algorithm or a model.

    The context, with the layers in it, belongs to the thread that works with it. It goes there and
    comes back as QGIS's own algorithms hand over layers: given up by one thread, taken by the other.

    Parameters
    ----------
    run : Run
    work : Work
    over : callable
        Called with this task, in the main thread, when the work is over, however it went.
    """

    def __init__(self, run, work, over):
        super().__init__(run.title, QgsTask.Flag.CanCancel)
        self.of, self.work, self._over = run, work, over
        self.results, self.error = None, ""
        #: Set when the worker does nothing more, or has not begun.
        self.left = threading.Event()
        self.left.set()
        work.context.pushToThread(None)

    def cancel(self):
        self.work.feedback.cancel()
        super().cancel()

    def run(self):
        self.left.clear()
        work = self.work
        work.context.pushToThread(QThread.currentThread())
        try:
            self.results = work.algorithm.runPrepared(work.parameters, work.context, work.feedback)
        except QgsProcessingException as error:
            # A traceback keeps the layers and files that the work held.
            clear_frames(error.__traceback__)
            self.error = str(error).strip()
        except Exception as error:
            self.error = unforeseen(error)
        finally:
            work.context.pushToThread(None)
            self.left.set()
        return self.results is not None

    def finished(self, result):
        # Given up by the worker, or never taken by it.
        self.work.context.pushToThread(QCoreApplication.instance().thread())
        self._over(self)

    def reason(self, log) -> str:
        """Return why the work failed, "" where it did not: of a model, what its step said."""
        said = [text for kind, text in log if kind == ERROR and text not in self.error]
        if self.error and said and isinstance(self.work.algorithm, QgsProcessingModelAlgorithm):
            return said[-1]
        return self.error

    def broke_off(self) -> bool:
        """Tell whether a cancel left something undone."""
        work = self.work
        if self.results is None or not isinstance(work.algorithm, QgsProcessingModelAlgorithm):
            return not self.results and work.feedback.isCanceled()
        # A model that is cancelled returns what its steps made until then.
        return work.feedback.isCanceled() and len(self.results.get("CHILD_RESULTS", {})) < sum(
            child.isActive() for child in work.algorithm.childAlgorithms().values()
        )


def unforeseen(error) -> str:
    """Return the sentence for an error that no routine foresaw; QGIS's log has all of it."""
    QgsMessageLog.logMessage(format_exc(), "Lakefloor")
    clear_frames(error.__traceback__)
    return tr("An unexpected error: {}. See the log messages of QGIS for its place.").format(error)
