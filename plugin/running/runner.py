"""Starts runs in the background, and tells how they go."""

from __future__ import annotations

import time

from qgis.core import QgsApplication
from qgis.PyQt.QtCore import QCoreApplication, QEvent, QObject, QTimer, pyqtSignal

from ...algorithms._i18n import tr
from .loading import load_results
from .run import CANCELLED, DONE, FAILED, WAITING, Run
from .task import RunTask, Warming, unforeseen
from .work import RefusedError, prepare

#: How often the window hears of a run, ms.
_PACE = 150


class Runner(QObject):
    """Runs algorithms and models in the background, for one window.

    One run at a time writes to a lake, further ones wait for it; runs that only read are free.
    """

    #: A run has changed: its state, progress or log.
    changed = pyqtSignal(object)

    def __init__(self, parent=None):
        super().__init__(parent)
        self.runs = []
        self._tasks, self._finished, self._prepared = {}, {}, {}
        self._warming, self._is_warm = None, False
        self._begin_soon, self._watch = QTimer(self), QTimer(self)
        self._begin_soon.setSingleShot(True)
        self._begin_soon.timeout.connect(self._begin)
        self._watch.setInterval(_PACE)
        self._watch.timeout.connect(self._look)
        QCoreApplication.instance().aboutToQuit.connect(self.stop)

    def start(
        self, algorithm_id, parameters, title="", lake=None, writes=True, finished=None, fill=None
    ) -> Run:
        """Start a run, or put it behind those that it has to wait for.

        Parameters
        ----------
        algorithm_id : str
            Of an algorithm or a model, such as ``lakefloor:logstodatabase``.
        parameters : dict
            As the algorithm takes them. Layers of the open project are copied for the run.
        title : str
            What people read.
        lake : str or Path, optional
            Folder of the lake. Without one, the results are added to the open project as after a
            run from the toolbox; otherwise this is left to ``finished``.
        writes : bool
            Whether the run writes to the lake.
        finished : callable, optional
            Called with the run in the main thread once it is over, however it ended.
        fill : callable, optional
            Called in the main thread when the run begins; returns the algorithm and the parameters
            that take the place of those given. A run that waits for others reads what they leave.
            Raises LakefloorError or OSError where the run cannot begin: it has failed then.
        """
        run = Run(algorithm_id, parameters, title, lake, writes, fill)
        self._finished[run] = finished
        self.runs.append(run)
        self.changed.emit(run)
        self._begin_soon.start(0)
        return run

    def warm(self):
        """Import what runs need, beside the window; the first run waits for it."""

        def over():
            self._is_warm = True
            self._begin_soon.start(0)

        if self._warming is None:
            self._warming = Warming(over)
            QgsApplication.taskManager().addTask(self._warming)

    def cancel(self, run):
        """Cancel a run: it ends as soon as its work looks up, or at once if it waits."""
        if run.state == WAITING or self._prepared.pop(run, None) is not None:
            self._end(run, CANCELLED, tr("Cancelled. Nothing was written."))
        elif run in self._tasks:
            self._tasks[run].cancel()
            run.text = tr("Cancelling…")
            self.changed.emit(run)

    def stop(self, seconds=10.0):
        """Cancel all runs and wait for them, but not for ever; for QGIS that closes.

        The work of a model may itself wait for the main thread, which prepares its steps: those
        calls are answered meanwhile, and nothing else.
        """
        for run in self.runs:
            if not run.is_over:
                self.cancel(run)
        until = time.monotonic() + seconds
        application = QCoreApplication.instance()
        for task in list(self._tasks.values()):
            while not task.left.wait(0.02) and time.monotonic() < until:
                QCoreApplication.sendPostedEvents(application, QEvent.Type.MetaCall)

    # -- what happens in the main thread between two runs ----------------------------

    def _begin(self):
        if not self._is_warm:
            self.warm()
            return
        earlier, further = [], list(self._prepared)
        for run in [run for run in self.runs if not run.is_over]:
            if run.state == WAITING and not any(run.stands_behind(each) for each in earlier):
                run.begin()
                self._prepared[run] = prepare(run)
                # The layers are copied at once.
                self._go_on(run)
                self.changed.emit(run)
            earlier.append(run)
        for run in further:
            self._go_on(run)

    def _go_on(self, run):
        """Do the next part of what the main thread has to do before a run."""
        try:
            work = next(self._prepared[run])
            task = work and RunTask(run, work, self._over)
        except RefusedError as refused:
            self._end(run, FAILED, str(refused))
        except Exception as error:
            self._end(run, FAILED, unforeseen(error))
        else:
            if task is None:
                self._begin_soon.start(0)
                return
            del self._prepared[run]
            self._tasks[run] = task
            QgsApplication.taskManager().addTask(task)
            self._watch.start()

    def _look(self):
        """Tell what is new of the runs that work."""
        for run, task in list(self._tasks.items()):
            feedback = task.work.feedback
            progress = max(run.progress, min(feedback.progress() / 100.0, 1.0))
            lines = feedback.take()
            if lines or progress != run.progress:
                run.progress = progress
                run.say(lines)
                task.setProgress(100.0 * progress)
                self.changed.emit(run)
        if not self._tasks:
            self._watch.stop()

    def _over(self, task):
        """Bring a run to its end; called in the main thread when the worker has left."""
        run, work, broke_off = task.of, task.work, task.broke_off()
        error = ""
        try:
            if task.results is not None:
                made = work.algorithm.postProcess(work.context, work.feedback)
                run.results = {**task.results, **made}
                if run.lake is None and not broke_off:
                    load_results(work.context, work.feedback)
        except Exception as failed:
            error = unforeseen(failed)
        run.say(work.feedback.take())
        error = error or task.reason(run.log)
        cancelled = work.written.sentence() if broke_off else ""
        # Layers and files close before anybody looks at the results.
        task.work = work = None
        if broke_off:
            self._end(run, CANCELLED, cancelled)
        else:
            self._end(run, FAILED if error else DONE, error)

    def _end(self, run, state, error=""):
        self._tasks.pop(run, None)
        self._prepared.pop(run, None)
        run.end(state, error)
        self.changed.emit(run)
        self._begin_soon.start(0)
        finished = self._finished.pop(run, None)
        if finished is not None:
            finished(run)
