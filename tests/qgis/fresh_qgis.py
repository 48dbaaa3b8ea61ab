"""A QGIS in a process of its own, with the plugin just loaded; for scripts of test_background.py.

Importing this module starts it. Nothing here imports what the plugin should not load.
"""

import sys
import threading
import traceback
from pathlib import Path

sys.path[:0] = [str(Path(__file__).resolve().parents[1]), "/usr/share/qgis/python/plugins"]
import conftest  # noqa: F401
from qgis.core import (
    QgsApplication,
    QgsProcessingAlgRunnerTask,
    QgsProcessingContext,
    QgsProcessingFeedback,
    QgsProject,
)
from qgis.PyQt.QtCore import QEventLoop, QTimer

application = QgsApplication([], False)
application.initQgis()
from processing.core.Processing import Processing

Processing.initialize()
registry = QgsApplication.processingRegistry()

LIBRARIES = ("scipy", "pyproj", "shapely", "matplotlib")
#: What QGIS itself has loaded: shapely, with some plugins of 3.40.
_THERE = set(sys.modules)


class _Watch:
    """Notes in which thread each library is first imported, and what asked for it."""

    def __init__(self):
        self.threads, self.asked_by = {}, {}

    def find_spec(self, name, path=None, target=None):
        if name in LIBRARIES:
            frames = traceback.extract_stack()
            self.threads.setdefault(name, threading.get_ident())
            self.asked_by.setdefault(name, [f"{f.filename}:{f.lineno}" for f in frames])


def imported():
    """Return the libraries that the plugin imported."""
    return [name for name in LIBRARIES if name in sys.modules and name not in _THERE]


class _Tell(QgsProcessingFeedback):
    def reportError(self, error, fatalError=False):
        print(error, file=sys.stderr)


def task_of(name, parameters, feedback=None):
    """Return the task in which QGIS's dialogs run an algorithm."""
    context = QgsProcessingContext()
    context.setProject(QgsProject.instance())
    feedback = feedback or _Tell()
    algorithm = registry.createAlgorithmById(f"lakefloor:{name}")
    task = QgsProcessingAlgRunnerTask(algorithm, parameters, context, feedback)
    task.kept = algorithm, context, feedback
    return task


def run(*tasks):
    """Run tasks at once, as a window that waits for them; return whether each succeeded."""
    loop, done = QEventLoop(), []

    def finished(successful, results):
        done.append(successful)
        if len(done) == len(tasks):
            loop.quit()

    for task in tasks:
        task.executed.connect(finished)
    for task in tasks:
        QgsApplication.taskManager().addTask(task)
    loop.exec_() if hasattr(loop, "exec_") else loop.exec()
    return done


class Window(QTimer):
    """The window's thread, which does something every few milliseconds."""

    def __init__(self, act):
        super().__init__()
        self.timeout.connect(act)
        self.start(2)


import lakefloor

plugin = lakefloor.classFactory(None)
watch = _Watch()
sys.meta_path.insert(0, watch)
plugin.initProcessing()
