"""Steps that a window takes: filled when they start, one after the other."""

import sys
import time
from pathlib import Path

import pytest
from qgis.core import QgsProject
from qgis.PyQt.QtCore import QCoreApplication

pytest.importorskip("qgis.gui")
from lakefloor.algorithms._lake.facts import Boat, LakeFacts
from lakefloor.algorithms._lake.filling import fill
from lakefloor.algorithms._lake.making import new_lake
from lakefloor.algorithms._lake.runs import current_run
from lakefloor.algorithms._lake.sources import fingerprints
from lakefloor.algorithms._lake.states import step_states
from lakefloor.plugin.door.taking import StepTaker
from lakefloor.plugin.running import Runner

sys.path.insert(0, str(Path(__file__).resolve().parent))
from every_algorithm import make_lake

FACTS = LakeFacts(
    name="Lake Marrowby",
    place="Invented County",
    unit="meters",
    time_zone="UTC",
    level_unit="meters",
    datum_reading=1.0,
    datum_name="dock gauge",
    boat=Boat("skiff", 0.4, 20.0, 1480.0),
)


@pytest.fixture
def lake(tmp_path):
    make_lake(tmp_path / "given", along_m=4.0)
    (tmp_path / "lakes").mkdir()
    given = tmp_path / "given"
    return new_lake(
        tmp_path / "lakes",
        FACTS,
        shoreline=given / "shoreline.geojson",
        gauge=given / "gauge.csv",
        logs=[given / "logs"],
    )


@pytest.fixture
def runner(provider):
    made = Runner()
    yield made
    made.stop()
    _until(lambda: not made._tasks)
    QgsProject.instance().clear()


@pytest.fixture
def taker(runner):
    made = StepTaker(runner)
    made.heard = []
    made.told.connect(lambda text, warning: made.heard.append(text))
    return made


def _until(holds, seconds=240.0):
    end = time.monotonic() + seconds
    while not holds():
        assert time.monotonic() < end, "it never came"
        QCoreApplication.processEvents()
        time.sleep(0.002)


def _folders(lake):
    return sorted(p.name for p in lake.path.iterdir() if p.is_dir())


def test_a_map_that_waits_for_a_visit_shows_that_visit(taker, lake):
    """Both are asked for at once; the second starts with what the first leaves."""
    visit = taker.take("visits", lake, {"LOG_FOLDER": str(lake.logs)})
    mapped = taker.take("map", lake, {"INTERVAL": 1.0})
    assert (visit.state, mapped.state) == ("waiting", "waiting")
    _until(lambda: mapped.is_over)
    assert (visit.state, mapped.state) == ("done", "done"), taker.heard + [mapped.error]
    assert mapped.algorithm_id == "lakefloor:maplakedatabase"
    states = {s.key: s.state for s in step_states(lake, fingerprints(lake))}
    assert (states["visits"], states["map"]) == ("done", "done")
    assert current_run(lake, "map").inputs["database"] == fingerprints(lake)["database"]


def test_what_a_step_would_run_is_said_without_a_trace(taker, lake):
    before = _folders(lake)
    algorithm, known = taker.known("visits", lake)
    assert algorithm == "lakefloor:logstodatabase"
    assert known["DRAFT"] == 0.4
    assert known["DATABASE"] == str(lake.database)
    assert not [value for value in known.values() if value == "TEMPORARY_OUTPUT"]
    assert fill(lake, "visits")[0] == algorithm
    assert _folders(lake) == before


def test_a_step_that_lacks_something_says_what(taker, lake):
    before = _folders(lake)
    run = taker.take("map", lake)
    _until(lambda: run.is_over)
    assert run.state == "failed"
    (said,) = taker.heard
    assert "a visit in the lake database" in said
    assert _folders(lake) == before


def test_a_step_that_is_cancelled_while_it_waits_leaves_nothing(taker, runner, lake):
    visit = taker.take("visits", lake, {"LOG_FOLDER": str(lake.logs)})
    waits = taker.take("map", lake)
    runner.cancel(waits)
    _until(lambda: visit.is_over)
    assert (visit.state, waits.state) == ("done", "cancelled")
    assert not (lake.path / "map").exists()
    assert taker.heard == []
