"""The page on the water: what it shows, how old it may be, what it asks for."""

import sys
import time
from pathlib import Path

import numpy as np
import pytest
from qgis.PyQt.QtWidgets import QAbstractButton, QApplication, QLabel

from lakefloor.algorithms._lake.facts import Boat, LakeFacts
from lakefloor.algorithms.core.cautions import ON_THE_WATER
from lakefloor.algorithms.core.hardness.hardness_names import THRESHOLDS
from lakefloor.algorithms.core.reading.live_log import Now
from lakefloor.plugin.water import said
from lakefloor.plugin.water.end_form import EndForm
from lakefloor.plugin.water.figures import NOTHING
from lakefloor.plugin.water.page import WaterPage
from lakefloor.plugin.water.sources import SourceSpec
from lakefloor.plugin.water.start_form import StartForm

sys.path.insert(0, str(Path(__file__).resolve().parent))
from water_stand_ins import now_us, state


@pytest.fixture
def page(qgis_app):
    page = WaterPage()
    page.begin(LakeFacts("Lake Marrowby", unit="feet"), {"draft_m": 0.3048}, time.time() - 3720.0)
    yield page
    page.end_now()


# -- words --------------------------------------------------------------------


def test_values_are_in_the_unit_of_the_lake(qgis_app):
    # NIST SP 811 (2008), appendix B: 1 ft = 0.3048 m, 1 mi/h = 0.44704 m/s.
    assert said.depth_text(3.048, "feet") == "10.0 ft"
    assert said.depth_text(3.048, "meters") == "3.05 m"
    assert said.speed_text(0.44704 * 5.0, "feet") == "5.0 mph"
    assert said.speed_text(1.0, "meters") == "3.6 km/h"
    assert said.temperature_text(20.0, "feet") == "68 °F"


def test_the_bottom_has_the_words_of_the_maps(qgis_app):
    soft, hard = THRESHOLDS
    words = [said.bottom_text(h) for h in (soft - 0.01, soft + 0.01, hard + 0.01, np.nan, None)]
    assert words == ["soft", "medium", "hard", NOTHING, NOTHING]


def test_the_time_offset_of_marks_is_said(page):
    assert page.offset.text() == "none is known, so 0 s"
    assert said.offset_text(0.7) == "0.7 s, as in the last visit"


def test_a_boat_that_stands_still_has_no_course(qgis_app):
    assert said.course_text(None) == NOTHING
    assert said.course_text(359.7) == "0°" or said.course_text(359.7) == "360°"


def test_a_place_is_written_north_first(qgis_app):
    assert said.place_text(-93.25, 45.5).replace("\u00b0", "°") == "45.50000°N  93.25000°W"


def test_room_is_told_in_hours(qgis_app):
    text = said.recorded_text(3720.0, 43_210, state())
    assert text == (
        "Recording for 1 h 2 min: 43,210 soundings, 12.3 MB. "
        "Free space: 40.0 GB, enough for 10.0 hours."
    )


# -- what is shown ------------------------------------------------------------


def test_the_depth_is_below_the_surface(page):
    page.show_heard(Now(depth_m=3.048, depth_us=now_us(), fix_ok=True), 10, None)
    assert page.figures.depth.value.text() == "11.0 ft"
    # NMEA 0183: DBS is the depth below the surface, so that no draft is added.
    page.show_heard(Now(depth_m=3.048, depth_us=now_us(), depth_from="surface"), 10, None)
    assert page.figures.depth.value.text() == "10.0 ft"
    assert page.depth_from.text() == "water surface"


def test_a_depth_that_is_old_is_not_shown_and_its_age_is(page):
    page.show_heard(Now(depth_m=3.0, depth_us=now_us() - 7_000_000), 10, 0.9)
    assert page.figures.depth.value.text() == NOTHING
    assert page.figures.depth.name.text() == "Depth: last 7 s ago"
    assert page.figures.bottom.value.text() == NOTHING


def test_without_a_fix_there_is_no_speed_and_no_place(page):
    page.show_heard(Now(speed_ms=2.0, fix_us=now_us(), fix_ok=False, lon=1.0, lat=2.0), 0, None)
    assert page.figures.speed.value.text() == NOTHING
    page.show_heard(
        Now(speed_ms=0.1, course_deg=None, fix_us=now_us(), fix_ok=True, lon=1.0, lat=2.0), 0, None
    )
    assert page.figures.speed.value.text() == "0.2 mph"
    assert page.figures.course.value.text() == NOTHING
    assert page.place.text() == "2.00000°N  1.00000°E"


def test_a_problem_of_the_recording_stands_at_the_top(page):
    page.show_state(state(problem="The disk is full. Make room."))
    assert not page.wrong.isHidden()
    assert page.wrong.text() == "The disk is full. Make room."
    page.show_state(state())
    assert page.wrong.isHidden()
    assert page.sources.text() == "Depth sounder: open."


def test_lines_of_others_are_shown_where_there_are_some(page):
    page.say("lane", "Next lane: 120 ft to the north.")
    assert not page.lines["lane"].isHidden()
    page.say("lane", "")
    assert page.lines["lane"].isHidden()


@pytest.mark.parametrize(("width", "least"), [(340, 60), (700, 120)])
def test_figures_grow_with_the_panel(page, width, least):
    page.resize(width, 900)
    page.show()
    QApplication.processEvents()
    letters = page.figures.depth.value.fontMetrics().height()
    page.hide()
    assert letters >= least
    # The widest that is shown fits: a depth of four figures.
    page.figures.depth.show_value("888.8 ft")
    assert page.figures.depth.value.sizeHint().width() <= width


def test_the_end_of_the_outing_is_in_sight_on_a_small_screen(page):
    page.resize(330, 580)
    page.say("map", "The map is drawn quickly. The careful map at home may differ a little.")
    page.recorded.setText("Recording for 4 min: 461 soundings, 0.1 MB. Free space: 58.2 GB.")
    page.sources.setText("127.0.0.1:10110 is connected.")
    page.show()
    QApplication.processEvents()
    bottom = page.end.geometry().bottom()
    page.hide()
    assert bottom < 580


def test_what_is_asked(page):
    asked = []
    page.mark_asked.connect(asked.append)
    page.undo_asked.connect(lambda: asked.append("undo"))
    page.end_asked.connect(lambda: asked.append("end"))
    page.choose_kind("Rock")
    page.mark.click()
    page.undo.setEnabled(True)
    page.undo.click()
    page.end.click()
    assert asked == ["Rock", "undo", "end"]


def test_every_button_can_be_read_aloud(page):
    nameless = [
        b for b in page.findChildren(QAbstractButton) if not (b.accessibleName() or b.text())
        and not b.objectName().startswith("qt_") and "ollapse" not in b.objectName()
    ]  # fmt: skip
    assert nameless == []


def test_that_it_is_not_for_navigation_stays_in_sight(page):
    assert page.caution.text() == ON_THE_WATER[0]
    assert page.caution.text().startswith("Not for navigation")


# -- forms --------------------------------------------------------------------


def facts(**changed):
    return LakeFacts("Lake Marrowby", **changed)


def test_the_form_before_an_outing_warns_and_says_what_is_missing(qgis_app):
    form = StartForm(facts())
    words = " ".join(label.text() for label in form.findChildren(QLabel))
    for caution in ON_THE_WATER:
        assert caution in words
    form.sources.set_specs([SourceSpec("tcp", "")])
    form.accept()
    assert form.result() == 0
    assert "host and port" in form.wrong.text()


def test_sources_are_remembered_for_the_next_outing(qgis_app):
    specs = [SourceSpec("tcp", "127.0.0.1:10110"), SourceSpec("udp", "10110")]
    form = StartForm(facts())
    form.sources.set_specs(specs)
    form.accept()
    assert form.result() == 1
    assert StartForm(facts()).sources.specs() == specs


def test_a_level_that_was_not_read_is_none(qgis_app):
    form = StartForm(facts(level_unit="feet"))
    assert form.given()["levels"] == []
    form.level.setValue(2.71)
    (read,) = form.given()["levels"]
    assert (read["level"], read["unit"]) == (2.71, "feet")


def test_a_time_is_given_as_the_time_when_the_boat_is_back(qgis_app):
    form = StartForm(facts())
    assert "back_by" not in form.given()
    form.minutes.setValue(90)
    assert form.given()["back_by"] == pytest.approx(time.time() + 5400.0, abs=30.0)


@pytest.mark.parametrize("unit", ["feet", "meters"])
def test_a_draft_that_nobody_touched_is_kept_to_its_last_digit(qgis_app, unit):
    form = StartForm(facts(unit=unit, boat=Boat(draft_m=0.2973)))
    assert form.given()["draft_m"] == 0.2973
    form.draft.setValue(1.0)
    assert form.given()["draft_m"] == (0.3048 if unit == "feet" else 1.0)


def test_at_the_end_the_visit_is_added_or_waits(qgis_app):
    form = EndForm(facts(), "No cross-line was driven.")
    assert form.cross_line.text() == "No cross-line was driven."
    form.level.setValue(0.0)
    form.later.click()
    assert form.result() == 1
    assert not form.brings_in
    assert form.levels()[0]["level"] == 0.0
    other = EndForm(facts())
    other.add.click()
    assert other.brings_in
    assert other.levels() == []
