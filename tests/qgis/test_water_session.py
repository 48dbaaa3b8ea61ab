"""An outing from its start to its end: what is joined, what stays open, what is brought in."""

import sys
import time
from dataclasses import replace
from datetime import datetime, timezone
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest
from qgis.core import QgsCoordinateReferenceSystem, QgsProject, QgsRectangle
from qgis.gui import QgsMapCanvas
from qgis.PyQt.QtCore import QSize
from qgis.PyQt.QtWidgets import QMainWindow

from lakefloor.algorithms._lake.facts import write_facts
from lakefloor.algorithms._lake.runs import RunRecord, begin_run, finish_run
from lakefloor.algorithms._project.showing import show_lake
from lakefloor.algorithms.core.errors import LakefloorError
from lakefloor.algorithms.core.soundings import Soundings
from lakefloor.plugin.tools.lake_layers import layers_of
from lakefloor.plugin.water.boat import BoatOnMap
from lakefloor.plugin.water.levels import reading
from lakefloor.plugin.water.mark_key import MarkKey
from lakefloor.plugin.water.outing import Outing
from lakefloor.plugin.water.session import Session, known_time_offset
from lakefloor.plugin.water.sources import SourceSpec

sys.path.insert(0, str(Path(__file__).resolve().parent))
from a_lake import make_lake
from water_stand_ins import Kept, NotingMap, QuietRecorder, now_us, state

LON, LAT = -93.0, 45.0
SPECS = [SourceSpec("tcp", "127.0.0.1:10110")]


@pytest.fixture
def lake(tmp_path, qgis_app, qgis_new_project):
    lake = make_lake(tmp_path / "Lake Marrowby", unit="feet")
    show_lake(lake.project, lake.folder)
    lake.look = lambda: None
    yield lake
    QgsProject.instance().clear()


@pytest.fixture
def session(lake):
    return Session(lake, QuietRecorder(), NotingMap())


def begin(session, lake, **changed):
    given = {"draft_m": 0.3, "levels": [], **changed}
    session.start(lake.folder, lake.facts, SPECS, given)


def pings(count, hardness=0.8):
    return Soundings.build(
        np.full(count, LON), np.full(count, LAT), np.full(count, 4.0), hardness=hardness
    )


def fix(at=0.0):
    return {"lon": LON, "lat": LAT + 2e-5 * at, "fix_us": now_us(), "fix_ok": True}


# -- the session --------------------------------------------------------------


def test_what_is_heard_goes_to_the_map_and_is_counted(session, lake):
    begin(session, lake)
    session.recorder.hear(pings(5), **fix())
    session.recorder.hear(pings(3), **fix(1.0))
    session.end()
    assert session.mapping.asked == ["begin", 5, 3, "end"]
    assert session.soundings == 8


def test_the_bottom_is_the_median_of_the_last_seconds(session, lake):
    begin(session, lake)
    session.recorder.hear(pings(4, 0.1), monotonic_us=1_000_000)
    session.recorder.hear(pings(3, 0.8), monotonic_us=3_000_000)
    assert session.hardness == pytest.approx(0.1)
    session.recorder.hear(pings(3, 0.9), monotonic_us=5_500_000)
    assert session.hardness == pytest.approx(0.85)
    session.recorder.hear(pings(9, np.nan), monotonic_us=9_500_000)
    assert session.hardness is None


def test_one_outing_at_a_time(session, lake):
    begin(session, lake)
    with pytest.raises(LakefloorError, match="being recorded"):
        begin(session, lake)
    session.end()
    begin(session, lake)


def test_levels_of_start_and_end_are_with_the_recording(session, lake):
    begin(session, lake, levels=[{"utc": "2026-07-09T14:00:03Z", "level": 2.7, "unit": "feet"}])
    after = {"utc": "2026-07-09T18:00:03Z", "level": 2.6, "unit": "feet"}
    _, given = session.end([after])
    assert [each["level"] for each in session.recorder.ended["levels"]] == [2.7, 2.6]
    # All soundings lie between: the minute before the first reading, that after the second.
    assert [each["utc"][11:] for each in given["levels"]] == ["13:59:00Z", "18:02:00Z"]


def test_levels_are_in_the_time_of_the_gps_where_the_computer_is_wrong(session, lake):
    now = datetime.now(timezone.utc)
    start = reading(2.7, "feet", now)
    begin(session, lake, levels=[start])
    for ahead in (3600.0, 3600.0, 7200.0):
        gps = np.datetime64(int(1000 * (time.time() + ahead)), "ms")
        session.recorder.hear(gps_time=gps, **fix())
    _, given = session.end([reading(2.6, "feet", now)])
    moved = [datetime.fromisoformat(each["utc"].replace("Z", "+00:00")) for each in given["levels"]]
    # A reading is kept to the second, and moved outward by a minute or two.
    assert 3479.0 <= (moved[0] - now).total_seconds() <= 3600.0
    assert 7200.0 <= (moved[1] - now).total_seconds() <= 7321.0


def test_when_qgis_is_closed_the_outing_stays_open(session, lake):
    begin(session, lake)
    session.leave()
    assert session.recorder.left
    assert session.recorder.ended is None
    assert not session.is_recording


def test_the_time_offset_is_that_of_the_last_visit(session, lake):
    assert known_time_offset(lake.folder) == 0.0
    folder = begin_run(lake.folder, "visits")
    record = RunRecord("visits", folder.name, parameters={"TIME_OFFSET": 0.7}, ended="2026")
    finish_run(folder, record)
    begin(session, lake)
    assert session.marking.time_offset_s == 0.7
    assert session.recorder.recording.facts["time_offset_s"] == 0.7


def test_a_mark_has_no_depth_where_the_last_is_old(session, lake):
    begin(session, lake)
    session.recorder.hear(depth_m=4.0, depth_us=now_us() - 5_000_000, **fix())
    session.mark("Fish")
    session.recorder.hear(depth_m=4.0, depth_us=now_us(), **fix(1.0))
    session.mark("Rock")
    first, second = (m["depth_m"] for m in session.recorder.recording.marks())
    assert (first, second) == (None, 4.3)


def test_marks_of_a_resumed_outing_go_on_counting(session, lake):
    begin(session, lake)
    session.recorder.hear(**fix())
    session.mark("Fish")
    recording = session.recorder.recording
    session.leave()
    session.start(lake.folder, lake.facts, SPECS, {"draft_m": 0.3}, recording)
    session.recorder.hear(**fix(1.0))
    session.mark("Rock")
    assert [m["number"] for m in recording.marks()] == [1, 2]


# -- the boat on the map ------------------------------------------------------


@pytest.fixture
def canvas(qgis_app):
    canvas = QgsMapCanvas()
    canvas.resize(QSize(400, 400))
    canvas.setDestinationCrs(QgsCoordinateReferenceSystem("EPSG:4326"))
    canvas.setExtent(QgsRectangle(LON - 0.01, LAT - 0.01, LON + 0.01, LAT + 0.01))
    return canvas


def test_the_map_follows_when_the_boat_nears_the_edge_and_not_before(canvas):
    boat, moved = BoatOnMap(canvas), []
    half = canvas.extent().width() / 2.0
    canvas.extentsChanged.connect(lambda: moved.append(1))
    for step in range(8):
        boat.show_track([(LON, LAT), (LON + 0.1 * step * half, LAT)])
    assert moved == []
    boat.show_track([(LON, LAT), (LON + 0.9 * half, LAT)])
    assert moved
    assert canvas.extent().center().x() == pytest.approx(LON + 0.9 * half)


def test_the_map_stays_where_it_is_not_to_follow(canvas):
    boat = BoatOnMap(canvas)
    boat.keep_in_view = False
    boat.show_track([(LON + 1.0, LAT)])
    assert canvas.extent().center().x() == pytest.approx(LON)


def test_the_boat_leaves_nothing_on_the_map(canvas):
    before = len(canvas.scene().items())
    boat = BoatOnMap(canvas)
    boat.show_track([(LON, LAT), (LON, LAT + 0.001)])
    assert len(canvas.scene().items()) == before + 2
    boat.clear()
    assert len(canvas.scene().items()) == before


def test_a_map_of_another_part_of_the_earth_is_no_trouble(canvas):
    canvas.setDestinationCrs(QgsCoordinateReferenceSystem("EPSG:3413"))
    BoatOnMap(canvas).show_track([(LON, -89.0), (LON, 95.0)])


# -- in the window ------------------------------------------------------------


@pytest.fixture
def outing(lake, canvas):
    window = QMainWindow()
    iface = SimpleNamespace(mapCanvas=lambda: canvas, mainWindow=lambda: window)
    taken = []
    taker = SimpleNamespace(take=lambda *given: taken.append(given))
    key = MarkKey(window)
    outing = Outing(iface, lake, taker, key, recorder=QuietRecorder(), mapping=NotingMap())
    outing.taken, outing.forms, outing.key, outing.window = taken, [], key, window
    outing.said = []
    outing.form_made.connect(outing.forms.append)
    outing.told.connect(lambda *given: outing.said.append(given))
    yield outing
    outing.stop()
    key.tear_down()


def go(outing, level=None):
    outing.ask_start()
    form = outing.forms.pop()
    form.sources.set_specs(SPECS)
    if level is not None:
        form.level.setValue(level)
    form.accept()
    assert outing.session.is_recording


def end(outing, level=None, brings_in=True):
    outing.ask_end()
    form = outing.forms.pop()
    if level is not None:
        form.level.setValue(level)
    (form.add if brings_in else form.later).click()


def test_one_button_ends_the_outing_and_adds_the_visit(outing, lake):
    go(outing, 2.7)
    recording = outing.session.recorder.recording
    outing.session.recorder.hear(pings(5), **fix())
    end(outing, 2.6)
    assert not outing.session.is_recording
    assert outing.session.recorder.ended is not None
    ((step, folder, options),) = outing.taken
    assert (step, folder) == ("visits", lake.folder)
    # The readings are in the table of the lake, which the step takes by itself.
    assert options == {"LOG_FOLDER": str(recording.path), "DRAFT": lake.facts.boat.draft_m}
    assert [row.split(",")[1] for row in lake.folder.gauge.read_text().split()[1:]] == [
        "2.7",
        "2.6",
    ]


def test_a_visit_can_be_added_later(outing, lake):
    go(outing)
    end(outing, 2.6, brings_in=False)
    assert outing.taken == []
    assert lake.folder.gauge.exists()
    assert outing.session.recorder.ended is not None


def test_a_level_that_the_table_does_not_take_goes_with_the_visit(outing, lake):
    lake.folder.gauge.write_text("visit,level\nspring,2.88\n")
    go(outing, 2.7)
    end(outing, 2.6)
    ((_, _, options),) = outing.taken
    assert options["LEVEL"] == pytest.approx(2.65)
    assert outing.said[0][1]


def test_who_may_not_write_may_not_record(outing, lake):
    lake.read_only = True
    outing.ask_start()
    assert outing.forms == []
    assert "read-only" in outing.said[0][0]


def test_the_key_and_the_button_mark_with_the_kind_that_was_chosen_last(outing, lake):
    go(outing)
    outing.session.recorder.hear(**fix())
    outing.page.choose_kind("Weed")
    outing.key.pressed.emit()
    outing.page.mark.click()
    kinds = [f["symbol"] for f in layers_of(lake, "marks")[0].getFeatures()]
    assert kinds == ["Weed", "Weed"]
    assert "Marks on this outing: 2" in outing.page.lines["mark"].text()
    outing.page.undo.click()
    assert layers_of(lake, "marks")[0].featureCount() == 1


def test_the_page_shows_what_is_heard(outing):
    go(outing)
    outing.session.recorder.hear(
        pings(5), depth_m=3.048, depth_us=now_us(), speed_ms=2.2352, course_deg=90.0, **fix()
    )
    outing.session.recorder.state_changed.emit(state())
    figures = outing.page.figures
    assert figures.depth.value.text() == "11.0 ft"
    assert figures.bottom.value.text() == "hard"
    assert figures.speed.value.text() == "5.0 mph"
    assert figures.course.value.text() == "90°"
    assert "5 soundings" in outing.page.recorded.text()


def test_the_level_with_which_the_map_is_drawn_is_told(outing):
    go(outing)
    line = outing.page.lines["level"]
    assert "-1.0 ft" in line.text()
    assert not line.isHidden()
    outing.session.mapping.leveled.emit({"shift_m": 0.3048, "sigma_m": 0.03048, "pairs": 9})
    assert "1.0 ft ± 0.1 ft" in line.text()


def test_the_next_lane_is_told_or_why_there_is_none(outing):
    go(outing)
    line = outing.page.lines["lane"]
    planned = outing.session.mapping.planned
    lane = {"to_start_m": 30.48, "length_m": 304.8, "minutes": 2.6, "why": "Closes a gap."}
    planned.emit({"line": np.zeros((2, 2)), **lane, "done": False})
    assert line.text() == (
        "Next lane: 100 ft to its start, 1,000 ft long, about 3 min. Closes a gap."
    )
    planned.emit({"error": "No depth is known.", "line": None})
    assert line.text() == "No next lane yet. No depth is known."
    planned.emit({"line": None, "done": False})
    assert line.text() == "Lanes are left, but none fits into the time with the way back."
    planned.emit({"line": None, "done": True, "lanes": 6, "cross_line": False})
    assert line.text() == "Done for 1 ft contours: no lane here would make them surer."
    assert outing.page.lines["cross_line"].text() == (
        "No cross-line yet. One across today's lanes checks them."
    )
    cross = {"line": np.zeros((2, 2)), "to_start_m": 30.48, "length_m": 121.92, "crosses": 5}
    planned.emit({"line": None, "done": True, "lanes": 6, "cross_line": False, "cross": cross})
    assert outing.page.lines["cross_line"].text() == (
        "No cross-line yet. The best one begins 100 ft from here, is 400 ft long and crosses 5 of "
        "today's lanes."
    )
    planned.emit({"line": None, "done": True, "supported": 0.943, "is_part": True})
    assert line.text() == (
        "Done for 1 ft contours in this part of the lake: no lane here would make them surer. They "
        "stay uncertain in 6% of the water."
    )
    outing.session.given["levels"] = [{"level": 2.0, "unit": "feet"}]
    planned.emit({"line": None, "done": True, "lanes": 6, "cross_line": True})
    assert outing.page.lines["cross_line"].text() == "Read the gauge again before you leave."


def test_an_outing_goes_on_with_what_was_said_at_its_start(outing, lake):
    sources = {"source-1": SPECS[0].to_dict()}
    facts = {"draft_m": 0.5, "time_offset_s": 0.4, "levels": [{"level": 1.0}]}
    path = lake.folder.logs / "2026-07-09_140003Z"
    write_facts(lake.folder.path, replace(lake.facts, name="Lake Marrowby"))
    outing.resume(Kept(path, sources, facts))
    assert outing.session.given == facts
    assert outing.session.recorder.recording.path == path
    assert outing.session.marking.draft_m == 0.5
