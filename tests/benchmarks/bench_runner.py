"""A model in the plugin's background runs, on the main thread, and in QGIS's own task, in a window.

    python3 tests/benchmarks/bench_runner.py [TIMES] [ALGORITHM]

With the Python of QGIS. "Logs to lake map" on the example lake, all its results asked for, in turn
on the main thread, by ``Runner`` and by ``QgsProcessingAlgRunnerTask``, in a QGIS whose window is
open. Told are processor and wall time, and the longest time for which the window stood still: the
largest gap between two ticks of a timer of 10 ms. That timer needs Python as the plugin's own panel
does, so a thread that holds Python in one call of a library counts as a standstill too.
"""

import json
import os
import sys
import tempfile
import time
from pathlib import Path
from statistics import median

ROOT = Path(__file__).resolve().parents[2]
sys.path[:0] = [str(ROOT / "tests"), str(Path(__file__).parent)]
import bench_steps
import window

EXAMPLE = ROOT / "example_project"
TICK_MS = 10


class Watch:
    """Measures how long the event loop stood still, s."""

    def __init__(self):
        from qgis.PyQt.QtCore import Qt, QTimer

        self.gaps, self._last = [], time.perf_counter()
        self._timer = QTimer()
        self._timer.setTimerType(Qt.TimerType.PreciseTimer)
        self._timer.timeout.connect(self._tick)

    def start(self):
        self.gaps, self._last = [], time.perf_counter()
        self._timer.start(TICK_MS)

    def stop(self):
        self._tick()
        self._timer.stop()

    def _tick(self):
        now = time.perf_counter()
        self.gaps.append(now - self._last)
        self._last = now


def parameters(algorithm, folder):
    """Return the parameters for the example lake, with all results."""
    from qgis.core import QgsApplication

    model = QgsApplication.processingRegistry().createAlgorithmById(algorithm)
    return {
        "LOG_FOLDER": str(EXAMPLE / "logs"),
        "SHORELINE": str(EXAMPLE / "shoreline.geojson"),
        "GAUGE": str(EXAMPLE / "gauge.csv"),
        "LEVEL_UNIT": "feet",
        "DATUM_ELEVATION": 2.0,
        "DATUM_NAME": "dock gauge",
        **bench_steps.destinations(model, folder),
    }


class Bench:
    """One way after the other, round by round."""

    def __init__(self, folder, times, algorithm):
        from lakefloor.plugin.running import Runner

        self.folder, self.algorithm = folder, algorithm
        self.watch, self.runner, self.rows, self.kept = Watch(), Runner(), [], []
        # The first background run of all comes first: it imports the libraries.
        ways = [self.main_thread, self.in_the_runner, self.qgis_task]
        self.todo = [self.in_the_runner] + [way for _ in range(times) for way in ways]

    def next(self):
        if not self.todo:
            (self.folder / "found.json").write_text(json.dumps(self.rows))
            window.end()
        way = self.todo.pop(0)
        folder = Path(tempfile.mkdtemp(dir=self.folder))
        self.values = parameters(self.algorithm, folder)
        self.watch.start()
        self.began = time.perf_counter(), time.process_time()
        way()

    def done(self, way, ok):
        wall, processor = time.perf_counter() - self.began[0], time.process_time() - self.began[1]
        self.watch.stop()
        self.rows.append([way, ok, wall, processor, max(self.watch.gaps)])
        from qgis.PyQt.QtCore import QTimer

        QTimer.singleShot(300, self.next)

    def _qgis(self):
        from qgis.core import (
            QgsApplication,
            QgsProcessingContext,
            QgsProcessingFeedback,
            QgsProject,
        )

        context = QgsProcessingContext()
        context.setProject(QgsProject.instance())
        model = QgsApplication.processingRegistry().createAlgorithmById(self.algorithm)
        return model, context, QgsProcessingFeedback(False)

    def main_thread(self):
        model, context, feedback = self._qgis()
        _, ok = model.run(self.values, context, feedback)
        self.done("main thread", ok)

    def in_the_runner(self):
        self.runner.start(
            self.algorithm,
            self.values,
            lake=self.folder,
            finished=lambda run: self.done("Runner", run.state == "done" or run.log[-4:]),
        )

    def qgis_task(self):
        from qgis.core import QgsApplication, QgsProcessingAlgRunnerTask

        model, context, feedback = self._qgis()
        task = QgsProcessingAlgRunnerTask(model, self.values, context, feedback)
        self.kept.append((model, context, feedback))
        task.executed.connect(lambda ok, results: self.done("QGIS's task", ok))
        QgsApplication.taskManager().addTask(task)


def in_qgis(iface, folder, times, algorithm):
    global bench
    bench = Bench(folder, times, algorithm)
    bench.next()


def main(times, algorithm):
    status, said, found = window.in_a_window(__file__, "in_qgis", times, algorithm)
    if "found" not in found:
        sys.exit(f"{status}\n{said[-3000:]}")
    rows = found["found"]
    wrong = [row for row in rows if row[1] is not True]
    assert not wrong, wrong
    print(f"{algorithm}, {os.cpu_count()} processors, median of {times}")
    print(
        f"first run of all: {rows[0][2]:.2f} s, the window stood still {rows[0][4]:.3f} s at most"
    )
    first = None
    for way in ("main thread", "Runner", "QGIS's task"):
        columns = [row for row in rows[1:] if row[0] == way]
        wall, processor, still = (median(row[i] for row in columns) for i in (2, 3, 4))
        first = first or (wall, processor)
        print(
            f"  {way:12} processor {processor:6.2f} s ({processor / first[1]:4.2f}), wall {wall:6.2f} s "
            f"({wall / first[0]:4.2f}), stood still {still:6.3f} s, at most "
            f"{max(row[4] for row in columns):6.3f} s"
        )


if __name__ == "__main__":
    asked = sys.argv[1:]
    main(int(asked[0]) if asked else 5, asked[1] if len(asked) > 1 else "lakefloor:logstolakemap")
