"""The dialogs of QGIS run an algorithm in a thread that Python did not start."""

import subprocess
import sys
from pathlib import Path

_SCRIPT = f"""
import sys, threading, time
sys.path.insert(0, {str(Path(__file__).resolve().parents[1])!r})
import conftest
from qgis.core import QgsApplication, QgsTask
application = QgsApplication([], False)
application.initQgis()
from lakefloor.algorithms.core.crs import project

class Task(QgsTask):
    def run(self):
        self.thread, self.place = threading.get_native_id(), project([-93.0], [0.0], 32615)
        return True

threads = []
for _ in range(5):
    task = Task()
    QgsApplication.taskManager().addTask(task)
    while task.status() not in (QgsTask.TaskStatus.Complete, QgsTask.TaskStatus.Terminated):
        application.processEvents()
        time.sleep(0.01)
    # UTM: the central meridian of zone 15 has easting 500 km, the equator northing 0.
    assert abs(task.place[0][0] - 5e5) < 1e-3 and abs(task.place[1][0]) < 1e-3
    threads.append(task.thread)
assert threading.get_native_id() not in threads
assert len(set(threads)) < 5, "no thread was used again, so that nothing is tested"
print("projected in all tasks")
"""


def test_projecting_in_tasks_that_share_a_thread(tmp_path):
    """With pyproj 3.7.0 to 3.7.2 the second task ended in a segmentation fault of QGIS."""
    done = subprocess.run([sys.executable, "-c", _SCRIPT], capture_output=True, text=True)
    assert "projected in all tasks" in done.stdout, done.stderr or done.returncode
