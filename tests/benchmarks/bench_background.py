"""A model on the main thread, in the toolbox's task and in a Python task; and loading the plugin.

    python3 tests/benchmarks/bench_background.py [TIMES]

With the Python of QGIS, /usr/bin/python3 on Debian. "Logs to lake map" on the example lake, in
turn on the main thread, in the task that the toolbox's dialog uses (``QgsProcessingAlgRunnerTask``:
a thread that C++ started) and in a ``QgsTask`` written in Python; once as it ships, and once as a
user's own model with the same steps. Median of TIMES rounds (5), processor and wall time; the
loading of the plugin and the first import in a worker are timed in QGISes of their own.

Where the time goes: for each copy that it makes of a model's step, QGIS 3.22 looks its algorithm up
by walking through all, and asks each Python one for ``name()`` and its provider for ``id()``: half a
million calls in one run of this model, two thirds of them to providers that come with QGIS. In a
thread that C++ started each call makes and drops Python's record of the thread, which takes half as
long again as the model. A shipped model is entered through Python once (``ShippedModel``), so that
the record lives as long as the run and the toolbox costs no more than the main thread. A user's own
model is QGIS's from first to last: 1.4 to 1.5 of the main thread on 3.22. QGIS 3.40 keeps what it
looked up (a few dozen calls), and both cost the same everywhere.
"""

import os
import subprocess
import sys
import tempfile
import time
from collections import Counter
from pathlib import Path
from statistics import median

os.environ.setdefault("QT_QPA_PLATFORM", "offscreen")
os.environ.setdefault("PROJ_DATA", "/usr/share/proj")
ROOT = Path(__file__).resolve().parents[2]
sys.path[:0] = [str(ROOT / ".ci"), "/usr/share/qgis/python/plugins", str(Path(__file__).parent)]

import bench_steps
import checkout  # noqa: F401
from qgis.core import (
    Qgis,
    QgsApplication,
    QgsProcessingAlgRunnerTask,
    QgsProcessingContext,
    QgsProcessingFeedback,
    QgsProcessingModelAlgorithm,
    QgsProject,
    QgsTask,
)
from qgis.PyQt.QtCore import QEventLoop, Qt, QTimer

EXAMPLE = ROOT / "example_project"
TICK_MS = 5


def start():
    """Start QGIS with Processing; return the application and the seconds of loading the plugin."""
    application = QgsApplication([], False)
    application.initQgis()
    from processing.core.Processing import Processing

    Processing.initialize()
    before = time.process_time()
    import lakefloor

    plugin = lakefloor.classFactory(None)
    plugin.initProcessing()
    return application, plugin, time.process_time() - before


def parameters(model, folder):
    """Return the parameters of the model for the example lake, with all its results."""
    return {
        "LOG_FOLDER": str(EXAMPLE / "logs"),
        "SHORELINE": str(EXAMPLE / "shoreline.geojson"),
        "GAUGE": str(EXAMPLE / "gauge.csv"),
        "LEVEL_UNIT": "feet",
        "DATUM_ELEVATION": 2.0,
        "DATUM_NAME": "dock gauge",
        **bench_steps.destinations(model, Path(folder)),
    }


def shipped_model():
    return QgsApplication.processingRegistry().createAlgorithmById("lakefloor:logstolakemap")


def users_model():
    model = QgsProcessingModelAlgorithm()
    assert model.fromFile(str(ROOT / "plugin" / "models" / "logs_to_lake_map.model3"))
    return model


def _context():
    context = QgsProcessingContext()
    context.setProject(QgsProject.instance())
    return context


def _wait_for(task, signals):
    loop = QEventLoop()
    for signal in signals:
        signal.connect(loop.quit)
    QgsApplication.taskManager().addTask(task)
    loop.exec_() if hasattr(loop, "exec_") else loop.exec()


def main_thread(model, values):
    return model.run(values, _context(), QgsProcessingFeedback(False))[1]


def toolbox(model, values, window=None):
    context, feedback, done = _context(), QgsProcessingFeedback(False), []
    task = QgsProcessingAlgRunnerTask(model, values, context, feedback)
    task.executed.connect(lambda successful, _: done.append(successful))
    if window is not None:
        window.start()
    _wait_for(task, [task.executed])
    return done[0]


class _Task(QgsTask):
    def __init__(self, model, *work):
        super().__init__("a model")
        self.model, self.work, self.done = model, work, False

    def run(self):
        self.model.runPrepared(*self.work)
        self.done = True
        return True


def python_task(model, values):
    model, context, feedback = model.create(), _context(), QgsProcessingFeedback(False)
    assert model.prepare(values, context, feedback)
    task = _Task(model, values, context, feedback)
    _wait_for(task, [task.taskCompleted, task.taskTerminated])
    model.postProcess(context, feedback)
    return task.done


WAYS = {"main thread": main_thread, "toolbox": toolbox, "Python task": python_task}


class Window:
    """Tells how long the event loop of the main thread stood still, at most, s."""

    def __init__(self):
        self._timer = QTimer()
        self._timer.setTimerType(Qt.TimerType.PreciseTimer)
        self._timer.timeout.connect(self._tick)

    def start(self):
        self.longest, self._last = 0.0, time.perf_counter()
        self._timer.start(TICK_MS)

    def _tick(self):
        now = time.perf_counter()
        self.longest, self._last = max(self.longest, now - self._last), now


def timed(way, model):
    """Return the processor and wall seconds of one run."""
    with tempfile.TemporaryDirectory() as folder:
        processor, wall = time.process_time(), time.perf_counter()
        made = model()
        assert way(made, parameters(made, folder)), "the model failed"
        return time.process_time() - processor, time.perf_counter() - wall


def compare(model, rounds):
    """Print the ways of running a model side by side."""
    times = {name: [] for name in WAYS}
    for _ in range(rounds):
        for name, way in WAYS.items():
            times[name].append(timed(way, model))
    first = [median(column) for column in zip(*times["main thread"])]
    for name, rows in times.items():
        processor, wall = (median(column) for column in zip(*rows))
        print(
            f"  {name:12} processor {processor:6.2f} s ({processor / first[0]:4.2f} of the first), "
            f"wall {wall:6.2f} s ({wall / first[1]:4.2f})",
            flush=True,
        )


def count_names(model, provider):
    """Print how often one run of a model asks our provider and algorithms for their names."""
    from lakefloor.algorithms._base import LakefloorAlgorithm

    asked, kept = Counter(), []
    for owner, method in ((type(provider), "id"), (LakefloorAlgorithm, "name")):
        original = getattr(owner, method)
        kept.append((owner, method, original))

        def counted(self, _original=original, _key=f"{owner.__name__}.{method}"):
            asked[_key] += 1
            return _original(self)

        setattr(owner, method, counted)
    try:
        timed(toolbox, model)
    finally:
        for owner, method, original in kept:
            setattr(owner, method, original)
    print("  asked in one run: " + ", ".join(f"{key}() {n}" for key, n in asked.items()))


def first_import():
    """Print seconds of a first and a second run in a worker, and how long the window stood still."""
    _application, plugin, _ = start()
    window, found = Window(), []
    with tempfile.TemporaryDirectory() as folder:
        for number in (1, 2):
            file = str(Path(folder) / f"read_{number}.gpkg")
            values = {"FOLDER": str(EXAMPLE / "logs"), "OUTPUT": file}
            assert ("scipy" in sys.modules) == (number == 2)
            began = time.perf_counter()
            assert toolbox(plugin.provider.algorithm("readlogs"), values, window)
            found += [time.perf_counter() - began, window.longest]
    print(*(f"{value:.4f}" for value in found), flush=True)


def fresh(argument):
    """Return the numbers that this file prints in a QGIS of its own."""
    command = [sys.executable, __file__, argument]
    # Python keeps what it compiled, as in a user's QGIS.
    environment = {k: v for k, v in os.environ.items() if k != "PYTHONDONTWRITEBYTECODE"}
    said = subprocess.run(
        command, capture_output=True, text=True, check=True, env=environment
    ).stdout
    return [float(word) for word in said.split()]


def main(rounds):
    print(f"QGIS {Qgis.QGIS_VERSION}, {os.cpu_count()} processors, median of {rounds}")
    fresh("--load")  # so that Python's compiled files are there
    loads = [fresh("--load")[0] for _ in range(rounds)]
    print(f"plugin loaded in {median(loads):.2f} s of processor time")
    firsts = [fresh("--first") for _ in range(rounds)]
    for which, column in (("first", 0), ("second", 2)):
        wall, still = (median(row[column + i] for row in firsts) for i in (0, 1))
        print(f"{which} run in a worker: {wall:.2f} s; the window stood still for {still:.3f} s")
    _application, plugin, _ = start()
    for name, model in (("as it ships", shipped_model), ("as a user's own", users_model)):
        print(f'"Logs to lake map" {name}')
        timed(main_thread, model)
        compare(model, rounds)
        count_names(model, plugin.provider)


if __name__ == "__main__":
    argument = sys.argv[1] if len(sys.argv) > 1 else "5"
    if argument == "--load":
        _application, _plugin, seconds = start()
        print(f"{seconds:.4f}", flush=True)
    elif argument == "--first":
        first_import()
    else:
        main(int(argument))
    sys.stdout.flush()
    os._exit(0)
