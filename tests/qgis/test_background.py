"""Work in the background: the same results, cancel, errors; and libraries that a worker imports."""

import ast
import subprocess
import sys
from importlib.util import find_spec
from pathlib import Path

import numpy as np
import pytest
from qgis.core import (
    QgsApplication,
    QgsProcessingAlgRunnerTask,
    QgsProcessingContext,
    QgsProcessingException,
    QgsProcessingModelAlgorithm,
    QgsProject,
    QgsTask,
)
from qgis.PyQt.QtCore import QEventLoop

from lakefloor.algorithms._libraries import LIBRARIES

TESTS = Path(__file__).resolve().parents[1]
MODELS = TESTS.parent / "plugin" / "models"
sys.path[:0] = [str(TESTS), str(TESTS / "qgis")]
from compare_checkouts import raster, vector
from every_algorithm import make_lake

# -- the libraries of the work ------------------------------------------------


def _in_a_fresh_qgis(script, folder):
    """Run a script in a QGIS of its own, where nothing was imported yet."""
    start = f"import sys; sys.path.insert(0, {str(TESTS / 'qgis')!r})\nfrom fresh_qgis import *\n"
    steps = f"""
def read_logs(number):
    file = {str(folder)!r} + f"/soundings_{{number}}.gpkg"
    return task_of("readlogs", {{"FOLDER": {str(folder / "lake/logs")!r}, "OUTPUT": file}})

def plan_lanes(number):
    file = {str(folder)!r} + f"/lanes_{{number}}.gpkg"
    shore = {str(folder / "lake/shoreline.geojson")!r}
    return task_of("surveylanes", {{"INPUT": shore, "LANE_SPACING": 30.0, "OUTPUT": file}})
"""
    end = "\nprint('all held')\nsys.stdout.flush()\nimport os; os._exit(0)"
    done = subprocess.run(
        [sys.executable, "-c", start + steps + script + end],
        capture_output=True,
        text=True,
        timeout=300,
    )
    assert "all held" in done.stdout, done.stderr or done.returncode


def test_the_plugin_loads_without_the_libraries_of_the_work(tmp_path):
    _in_a_fresh_qgis(
        """
assert len(registry.providerById("lakefloor").algorithms()) > 40
assert not imported(), "\\n".join(line for name in imported() for line in watch.asked_by[name])
""",
        tmp_path,
    )


def test_a_dialog_needs_no_more_than_shapely(tmp_path):
    """What checks import is imported in the main thread, and not by one thread at a time."""
    _in_a_fresh_qgis(
        """
for algorithm in registry.providerById("lakefloor").algorithms():
    algorithm.create().checkParameterValues({}, QgsProcessingContext())
assert set(imported()) <= {"shapely"}, watch.asked_by
""",
        tmp_path,
    )


def test_all_that_is_imported_of_a_library_is_listed():
    """One module that is not may be imported by two threads at once."""
    used = set()
    for path in (TESTS.parent / "algorithms").rglob("*.py"):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.ImportFrom) and not node.level:
                used.add(node.module)
                used.update(f"{node.module}.{alias.name}" for alias in node.names)
            elif isinstance(node, ast.Import):
                used.update(alias.name for alias in node.names)
    modules = {
        name
        for name in used
        if name.split(".")[0] in LIBRARIES and "._" not in name and find_spec_of(name)
    }
    listed = {f"{name}.{module}" for name, modules in LIBRARIES.items() for module in modules}
    assert modules - set(LIBRARIES) <= listed


def find_spec_of(name):
    try:
        return find_spec(name) is not None
    except ModuleNotFoundError:  # the last part is a name in a module
        return False


@pytest.fixture
def lake(tmp_path):
    make_lake(tmp_path / "lake")
    return tmp_path


def test_a_worker_imports_while_the_window_goes_on(lake):
    _in_a_fresh_qgis(
        """
seen = []
window = Window(lambda: seen.append(len(imported())))
assert run(read_logs(1), plan_lanes(1)) == [True] * 2
assert imported()
# QGIS 3.40 dies where a thread that ends was the first to import pyproj.
watch.threads.pop("pyproj", None)
assert threading.get_ident() not in watch.threads.values(), watch.threads
# The window acts while libraries are imported, not only before and after.
assert set(seen) - {0, len(imported())}, seen
""",
        lake,
    )


def test_runs_that_import_at_once(lake):
    _in_a_fresh_qgis(
        """
assert run(read_logs(1), plan_lanes(1), read_logs(2), plan_lanes(2)) == [True] * 4
# QGIS 3.40 dies where a thread that ends was the first to import pyproj.
watch.threads.pop("pyproj", None)
assert threading.get_ident() not in watch.threads.values(), watch.threads
""",
        lake,
    )


def test_a_dialog_checks_while_a_worker_imports(lake):
    _in_a_fresh_qgis(
        """
checked = []
dialog = registry.createAlgorithmById("lakefloor:candidatespots")

def check():
    if imported() and not checked:
        checked.append(dialog.checkParameterValues({}, QgsProcessingContext()))

window = Window(check)
assert run(read_logs(1), plan_lanes(1)) == [True] * 2
assert checked and not checked[0][0]
""",
        lake,
    )


# -- the same work, wherever it is done ---------------------------------------


def _context():
    context = QgsProcessingContext()
    context.setProject(QgsProject.instance())
    return context


def _wait_for(task, finished):
    loop = QEventLoop()
    finished(loop.quit)
    QgsApplication.taskManager().addTask(task)
    loop.exec_() if hasattr(loop, "exec_") else loop.exec()


def on_the_main_thread(model, parameters, feedback):
    return model.run(parameters, _context(), feedback)[1]


def in_the_toolbox(model, parameters, feedback):
    """As the toolbox's dialog runs it, in a thread that C++ started."""
    context, done = _context(), []
    task = QgsProcessingAlgRunnerTask(model, parameters, context, feedback)
    task.executed.connect(lambda successful, _: done.append(successful))
    _wait_for(task, task.executed.connect)
    return done[0]


class _Task(QgsTask):
    def __init__(self, model, parameters, context, feedback):
        super().__init__("a model")
        self.work, self.done = (parameters, context, feedback), False
        self.model = model

    def run(self):
        try:
            self.model.runPrepared(*self.work)
        except QgsProcessingException as error:
            self.work[2].reportError(str(error))
        else:
            self.done = True
        return self.done


def in_a_task_of_our_own(model, parameters, feedback):
    model, context = model.create(), _context()
    if not model.prepare(parameters, context, feedback):
        return False
    task = _Task(model, parameters, context, feedback)

    def finished(then):
        task.taskCompleted.connect(then)
        task.taskTerminated.connect(then)

    _wait_for(task, finished)
    model.postProcess(context, feedback)
    return task.done


WAYS = (on_the_main_thread, in_the_toolbox, in_a_task_of_our_own)


@pytest.fixture(params=["shipped", "user's"])
def model(request, provider):
    """A shipped model, and what a user gets who saves it under another name."""
    shipped = provider.algorithm("logstolakemap")
    if request.param == "shipped":
        return shipped
    own = QgsProcessingModelAlgorithm()
    assert own.fromFile(str(MODELS / "logs_to_lake_map.model3"))
    return own


def _parameters(model, lake, folder):
    folder.mkdir()
    suffixes = {"sink": "gpkg", "rasterDestination": "tif"}
    made = {
        d.name(): str(folder / f"{number}.{suffixes[d.type()]}")
        for number, d in enumerate(model.destinationParameterDefinitions())
        if d.type() in suffixes
    }
    return {
        "LOG_FOLDER": str(lake / "logs"),
        "SHORELINE": str(lake / "shoreline.geojson"),
        "GAUGE": str(lake / "gauge.csv"),
        "LEVEL_UNIT": "m",
        "DATUM_ELEVATION": 1.0,
        "mapsheet:Map sheet": str(folder / "sheet.pdf"),
        "lakeproject:Lake project": str(folder / "lake.qgz"),
        **made,
    }


def test_results_are_the_same(model, recorder, lake):
    results = []
    for way in WAYS:
        folder, feedback = lake / way.__name__, recorder()
        assert way(model, _parameters(model, lake / "lake", folder), feedback), feedback.text
        results.append(
            {
                path.name: vector(path) if path.suffix == ".gpkg" else raster(path)
                for path in sorted(folder.iterdir())
                if path.suffix in (".gpkg", ".tif")
            }
        )
    first, *others = results
    assert len(first) > 6
    for other in others:
        np.testing.assert_equal(other, first)


@pytest.mark.parametrize("way", WAYS, ids=lambda way: way.__name__)
def test_cancel_is_answered(model, way, recorder, lake):
    feedback = recorder(cancel_at=30)
    parameters = _parameters(model, lake / "lake", lake / "out")
    way(model, parameters, feedback)
    assert feedback.isCanceled()
    assert not Path(parameters["mapsheet:Map sheet"]).exists()


@pytest.mark.parametrize("way", WAYS, ids=lambda way: way.__name__)
def test_an_error_in_a_step_is_told(model, way, recorder, lake):
    (lake / "lake" / "logs" / "may.csv").write_text("no log at all\n")
    (lake / "lake" / "logs" / "june.csv").unlink()
    feedback = recorder()
    parameters = _parameters(model, lake / "lake", lake / "out")
    assert not way(model, parameters, feedback)
    assert "may.csv" in feedback.text
    assert list((lake / "out").iterdir()) == []
