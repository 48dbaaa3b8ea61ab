"""The first look at visits that are to enter a lake database, through the real QGIS."""

import json
import sqlite3
import sys
from pathlib import Path

import numpy as np
import pytest
from qgis.core import (
    QgsCoordinateReferenceSystem,
    QgsProcessingContext,
    QgsProcessingException,
    QgsProcessingFeedback,
    QgsVectorLayer,
)

from lakefloor.algorithms import _store
from lakefloor.algorithms._io.outputs import Outputs
from lakefloor.algorithms.core.soundings import concatenate
from lakefloor.plugin.shipped_model import ShippedModel

sys.path[:0] = [str(Path(__file__).parents[1] / "core"), str(Path(__file__).parent)]
from older_stores import write_store
from outings import SOUTH, WEST, Lake, outing

UTM = QgsCoordinateReferenceSystem("EPSG:32615")
LAKE = Lake()
FIRST = outing(LAKE, "2024-06-10", 1, gauge=0.0)
SECOND = outing(LAKE, "2025-06-11", 2, angle=90.0, gauge=0.0)
#: Logged with the sounder 0.3 m off.
BIASED = outing(LAKE, "2025-07-09", 3, angle=30.0, gauge=0.0, bias=0.3)
GOOD = outing(LAKE, "2025-08-09", 4, angle=60.0, gauge=0.0)
ENTER = "enter all the same"
MODEL = Path(__file__).parents[2] / "plugin" / "models" / "add_a_visit.model3"
WEEKS = np.timedelta64(1024 * 7, "D")


@pytest.fixture
def layer(provider, tmp_path):
    """Write soundings as the algorithms do; return the path."""

    def make(soundings, name="log"):
        path = str(tmp_path / f"{name}.gpkg")
        algorithm = provider.algorithm("correctdepths").create()
        context = QgsProcessingContext()
        with Outputs(algorithm, {"OUTPUT": path}, context, QgsProcessingFeedback()) as out:
            out.soundings("OUTPUT", soundings, UTM)
        return path

    return make


@pytest.fixture
def store(tmp_path):
    """Make a lake database of two visits, in a folder of its own."""
    (tmp_path / "kept").mkdir()
    path = tmp_path / "kept" / "lake.gpkg"
    _store.add(path, concatenate([FIRST, SECOND]), "EPSG:32615")
    return path


def held(store):
    return {visit.name: visit.soundings for visit in _store.contents(store).visits}


def history(store):
    with sqlite3.connect(store) as db:
        rows = db.execute("SELECT action, visit, parameters FROM history ORDER BY fid").fetchall()
    return [(action, visit, json.loads(text)) for action, visit, text in rows]


def test_a_biased_visit_is_refused_and_nothing_is_written(run, layer, store, feedback):
    before = store.read_bytes()
    with pytest.raises(QgsProcessingException) as refused:
        run("addtodatabase", {"INPUT": layer(BIASED), "DATABASE": str(store)}, feedback)
    message = str(refused.value)
    assert "Nothing was added. Visit '2025-07-09' reads 0.3" in message
    assert "draft" in message
    assert f"choose '{ENTER}'" in message
    assert store.read_bytes() == before
    assert [path.name for path in store.parent.iterdir()] == ["lake.gpkg"]


def test_it_enters_all_the_same_and_the_history_says_so(run, layer, store, feedback):
    result = run(
        "addtodatabase",
        {"INPUT": layer(BIASED), "DATABASE": str(store), "FINDINGS": ENTER},
        feedback,
    )
    assert (result["ADDED"], result["OPEN_FINDINGS"]) == (len(BIASED), 1)
    assert "reads 0.3" in "".join(feedback.warnings)
    assert held(store)["2025-07-09"] == len(BIASED)
    action, visit, kept = history(store)[-1]
    assert (action, visit, kept["entered"]) == ("added", "2025-07-09", ENTER)
    (finding,) = kept["findings"]
    assert finding["code"] == "offset"
    assert finding["value"] == pytest.approx(0.3, abs=0.06)
    assert "reads 0.3" in finding["sentence"]


def test_an_honest_visit_enters_with_its_numbers(run, layer, store, feedback):
    result = run("addtodatabase", {"INPUT": layer(GOOD), "DATABASE": str(store)}, feedback)
    assert (result["ADDED"], result["OPEN_FINDINGS"]) == (len(GOOD), 0)
    assert (result["NEW_PCT"], result["KNOWN_PCT"]) == (100.0, 0.0)
    assert 0.0 <= result["CONTRADICTED_PCT"] < 10.0
    assert "100% of its soundings are new" in feedback.text
    assert "findings" not in history(store)[-1][2]
    half = np.arange(len(GOOD)) < len(GOOD) // 2
    more = outing(LAKE, "2025-09-09", 5, angle=10.0, gauge=0.0)
    again = run(
        "addtodatabase",
        {"INPUT": layer(concatenate([GOOD.select(half), more]), "two"), "DATABASE": str(store)},
    )
    assert again["ADDED"] == len(more)
    assert again["KNOWN_PCT"] == pytest.approx(100.0 * half.sum() / (half.sum() + len(more)))


@pytest.mark.parametrize("visit", [GOOD, BIASED], ids=["good", "biased"])
def test_a_dry_run_changes_no_byte(run, layer, store, feedback, visit):
    before, stamp = store.read_bytes(), store.stat().st_mtime_ns
    result = run(
        "addtodatabase",
        {
            "INPUT": layer(visit),
            "DATABASE": str(store),
            "DRY_RUN": True,
            "LOOK": "TEMPORARY_OUTPUT",
        },
        feedback,
    )
    assert (store.read_bytes(), store.stat().st_mtime_ns) == (before, stamp)
    assert [path.name for path in store.parent.iterdir()] == ["lake.gpkg"]
    assert (result["ADDED"], result["OPEN_FINDINGS"]) == (0, int(visit is BIASED))
    assert "Nothing was written" in feedback.text
    rows = [dict(zip(f.fields().names(), f.attributes())) for f in result["LOOK"].getFeatures()]
    assert rows[-1]["code"] == "share"
    assert rows[-1]["value"] == 100.0
    if visit is BIASED:
        assert (rows[0]["code"], rows[0]["open"], rows[0]["unit"]) == ("offset", 1, "m")
        assert rows[0]["value"] == pytest.approx(0.3, abs=0.06)
        assert 0.0 < rows[0]["error"] < 0.06


def test_a_dry_run_makes_no_lake_database_and_brings_none_up_to_date(
    run, layer, tmp_path, feedback
):
    away = tmp_path / "away"
    away.mkdir()
    given = {"INPUT": layer(GOOD), "DRY_RUN": True}
    result = run("addtodatabase", {**given, "DATABASE": str(away / "new.gpkg")}, feedback)
    assert result["OPEN_FINDINGS"] == 0
    assert list(away.iterdir()) == []
    old = write_store(away / "old.gpkg", 1)
    before = old.read_bytes()
    run("addtodatabase", {**given, "DATABASE": str(old)}, feedback)
    assert old.read_bytes() == before
    assert [path.name for path in away.iterdir()] == ["old.gpkg"]


def test_the_shoreline_tells_an_arm_from_another_lake(run, layer, memory_layer, store):
    away = GOOD.replace(x=GOOD.x + 4000.0)
    given = {"INPUT": layer(away), "DATABASE": str(store), "DRY_RUN": True}
    assert run("addtodatabase", given)["OPEN_FINDINGS"] == 1

    def outline(east):
        ring = (
            f"{WEST} {SOUTH}, {WEST + east} {SOUTH}, {WEST + east} {SOUTH + 700}, "
            f"{WEST} {SOUTH + 700}, {WEST} {SOUTH}"
        )
        return memory_layer("Polygon", [f"POLYGON(({ring}))"], "EPSG:32615")

    assert run("addtodatabase", {**given, "SHORELINE": outline(6000.0)})["OPEN_FINDINGS"] == 0
    with pytest.raises(QgsProcessingException, match="lie outside the shoreline"):
        run("addtodatabase", {**given, "DRY_RUN": False, "SHORELINE": outline(700.0)})


def test_a_visit_that_cannot_be_fitted_is_told_what_may_be_the_reason(run, layer, store):
    """Far off, without a known level: the fit finds no crossing, and the look knows why."""
    away = GOOD.replace(
        x=GOOD.x + 9000.0, corrections=np.full(len(GOOD), "from=transducer", object)
    )
    with pytest.raises(QgsProcessingException) as refused:
        run("addtodatabase", {"INPUT": layer(away), "DATABASE": str(store)})
    assert "probably it is of another lake" in str(refused.value)
    assert "in 0 places" in str(refused.value)


NMEA = """\
$GPRMC,{time},A,4630.{north:04d},N,09418.0000,W,4.0,0.0,{date},,,A*{{}}
$SDDPT,{depth:.1f},0.0*{{}}
"""


def _nmea(date):
    """Return a log of 60 pings northward, 2 m apart, with checksums (NMEA 0183)."""
    lines = []
    for k in range(60):
        text = NMEA.format(
            time=f"1400{k:02d}.00", north=10 * k, date=date, depth=3.0 + 0.1 * (k % 7)
        )
        for line in text.splitlines():
            total = 0
            for character in line[1 : line.index("*")]:
                total ^= ord(character)
            lines.append(line.format(f"{total:02X}"))
    return "\r\n".join(lines)


def test_the_way_out_of_a_roll_over_is_there(run, tmp_path):
    """9 July 2026 less 1,024 weeks is 23 November 2006 (GPS weeks are counted modulo 1024)."""
    log = tmp_path / "log.nmea"
    log.write_text(_nmea("231106"))

    def visit(**options):
        path = str(tmp_path / "read.gpkg")
        run("readlogs", {"INPUT": [str(log)], "OUTPUT": path, **options})
        return {f["visit"] for f in QgsVectorLayer(path).getFeatures()}

    assert visit() == {"2006-11-23"}
    assert visit(WEEK_ROLLOVERS=1) == {"2026-07-09"}
    assert visit(WEEK_ROLLOVERS=-1) == {"1987-04-09"}


def test_points_are_moved_by_weeks_too(run, memory_layer):
    points = memory_layer(
        "Point",
        ["POINT(400000 5150000)", "POINT(400002 5150000)"],
        "EPSG:32615",
        "field=depth:double&field=time:string",
        [[3.0, "2006-11-23T14:00:00Z"], [3.1, "2006-11-23T14:00:01Z"]],
    )
    given = {"INPUT": points, "DEPTH_FIELD": "depth", "TIME_FIELD": "time"}
    out = {"OUTPUT": "TEMPORARY_OUTPUT"}
    read = run("readpointlayer", {**given, **out, "WEEK_ROLLOVERS": 1})["OUTPUT"]
    assert {f["visit"] for f in read.getFeatures()} == {"2026-07-09"}


def test_a_visit_of_the_wrong_week_does_not_enter(run, layer, store):
    back = GOOD.replace(time=GOOD.time - WEEKS)
    with pytest.raises(QgsProcessingException, match="'GPS week roll-overs to add' set to 1"):
        run("addtodatabase", {"INPUT": layer(back), "DATABASE": str(store)})
    wrong = {"INPUT": layer(back), "DATABASE": str(store), "FINDINGS": ENTER}
    assert run("addtodatabase", wrong)["ADDED"] == len(back)
    # Read again with the right week, the visit is exchanged, and its date is in order.
    right = {"INPUT": layer(GOOD, "right"), "DATABASE": str(store), "MODE": "replace"}
    assert run("addtodatabase", right)["REPLACED"] == len(back)
    feet = outing(LAKE, "2025-09-09", 6, angle=45.0)
    feet = feet.replace(depth=feet.depth / 0.3048)
    with pytest.raises(QgsProcessingException, match="probably feet were read as meters"):
        run("addtodatabase", {"INPUT": layer(feet, "feet"), "DATABASE": str(store)})


def test_a_wrong_unit_is_named_though_the_level_is_fitted(run, layer, store):
    feet = GOOD.replace(depth=GOOD.depth / 0.3048)
    given = {"INPUT": layer(feet), "DATABASE": str(store), "LEVEL": "fit to the lake"}
    with pytest.raises(QgsProcessingException, match="probably feet were read as meters"):
        run("addtodatabase", given)


def test_a_large_fit_enters_only_if_the_person_says_so(run, layer, store):
    high = GOOD.replace(depth=GOOD.depth + 2.0)
    given = {"INPUT": layer(high), "DATABASE": str(store), "LEVEL": "fit to the lake"}
    with pytest.raises(
        QgsProcessingException, match=r"is moved by 2\.0\d m .* 'enter all the same'"
    ):
        run("addtodatabase", given)
    result = run("addtodatabase", {**given, "FINDINGS": ENTER})
    assert (result["ADDED"], result["OPEN_FINDINGS"]) == (len(high), 1)
    assert [f["code"] for f in history(store)[-1][2]["findings"]] == ["level"]


def test_a_stretch_of_weeds_or_a_dredged_hole_enters_where_newer_wins(run, layer, store, feedback):
    middle = np.hypot(GOOD.x - WEST - 350.0, GOOD.y - SOUTH - 350.0) < 140.0
    given = {"DATABASE": str(store)}
    weeds = layer(GOOD.replace(depth=GOOD.depth - 1.0 * middle), "weeds")
    with pytest.raises(QgsProcessingException, match="read shallower for whole stretches"):
        run("addtodatabase", {**given, "INPUT": weeds})
    hole = layer(GOOD.replace(depth=GOOD.depth + 1.2 * middle), "hole")
    with pytest.raises(QgsProcessingException, match="read deeper for whole stretches"):
        run("addtodatabase", {**given, "INPUT": hole})
    result = run("addtodatabase", {**given, "INPUT": hole, "CHANGE": "newer wins"}, feedback)
    assert (result["ADDED"], result["OPEN_FINDINGS"]) == (len(GOOD), 0)
    assert result["SUPERSEDED"] > 0
    assert "As you chose, newer soundings win there." in feedback.text


def test_what_the_findings_name_is_there(provider):
    """Choices stand in both dialogs; what only an algorithm has is named with it."""

    def choices(algorithm):
        return {
            word
            for parameter in algorithm.parameterDefinitions()
            if hasattr(parameter, "options")
            for word in parameter.options()
        }

    adding = provider.algorithm("addtodatabase")
    model = ShippedModel()
    assert model.fromFile(str(MODEL))
    for algorithm in (adding, model):
        assert {"fit to the lake", "as reduced", "newer wins", ENTER} <= choices(algorithm)
    assert "replace" in choices(adding)
    names = {algorithm.title() for algorithm in provider.algorithms()}
    assert {"Add visit to lake database", "Set soundings aside"} <= names
    labels = {
        parameter.description()
        for algorithm in provider.algorithms()
        for parameter in algorithm.parameterDefinitions()
    }
    assert {
        "GPS week roll-overs to add",
        "Columns of text files",
        "Start again from raw depths",
    } <= labels
