"""The panel and its dialogs: what they show, what they ask for, and what they leave alone."""

import json
from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace

import pytest
from qgis.core import QgsApplication, QgsProcessingParameterDefinition
from qgis.PyQt.QtCore import QEventLoop, Qt, QTimer
from qgis.PyQt.QtWidgets import QInputDialog, QMessageBox

from lakefloor.algorithms._lake.facts import LakeFacts, write_facts
from lakefloor.algorithms._lake.states import StepState
from lakefloor.algorithms._lake.steps import STEPS
from lakefloor.plugin.door import texts
from lakefloor.plugin.door.lake_page import LakePage
from lakefloor.plugin.door.logs_field import LogsField
from lakefloor.plugin.door.new_lake import NewLakeDialog
from lakefloor.plugin.door.run_view import LogView, RunView
from lakefloor.plugin.door.said_view import SaidView
from lakefloor.plugin.door.step_form import StepForm
from lakefloor.plugin.door.steps_view import next_step
from lakefloor.plugin.door.visits_view import VisitsView
from lakefloor.plugin.door.work import LakeWork

TIME = "2026-06-20T14:00:00+00:00"


def wait_for(condition, seconds=10):
    loop, looks = QEventLoop(), [0]

    def look():
        looks[0] += 1
        if condition() or looks[0] > 100 * seconds:
            loop.quit()

    timer = QTimer()
    timer.timeout.connect(look)
    timer.start(10)
    loop.exec_() if hasattr(loop, "exec_") else loop.exec()
    assert condition()


@pytest.fixture
def lake(tmp_path):
    folder = tmp_path / "Lake Marrowby"
    folder.mkdir()
    write_facts(folder, LakeFacts(name="Lake Marrowby", unit="feet"))
    return folder


# -- words --------------------------------------------------------------------


@pytest.mark.parametrize("step", STEPS, ids=lambda step: step.key)
def test_each_step_has_its_words(step):
    assert texts.step_title(step.key)
    assert texts.step_action(step.key)
    for source in (*step.needs, *step.uses):
        assert texts.source_name(source) != source or source == "logs"
    if step.algorithm:
        assert texts.step_run_title(step.key)


@pytest.mark.parametrize(
    ("state", "words"),
    [
        (StepState("map", "ready"), "Ready"),
        (StepState("map", "not yet", why=("database",)), "needs the visits"),
        (StepState("map", "out of date", TIME, ("shoreline",)), "the shoreline changed"),
        (StepState("map", "failed", TIME, ("No soundings.",)), "Failed: No soundings."),
        (StepState("map", "done", TIME), "Done "),
    ],
)
def test_a_state_in_words(state, words):
    assert words in texts.state_text(state)


def test_a_step_is_dated_by_the_clocks_of_the_lake(qgis_app):
    state = StepState("map", "done", "2026-12-01T01:05:08+00:00")
    facts = LakeFacts("Lake Marrowby", time_zone="America/Chicago")
    # US Central Standard Time is UTC-6 (IANA time zone database).
    assert "30 Nov 2026 19:05" in texts.state_text(state, facts)


def states(**found):
    return [StepState(s.key, found.get(s.key, "not yet")) for s in STEPS]


@pytest.mark.parametrize(
    ("found", "wanted"),
    [
        ({"shoreline": "ready", "visits": "ready"}, "shoreline"),
        ({"shoreline": "done", "visits": "ready"}, "visits"),
        ({"shoreline": "done", "visits": "done", "map": "out of date"}, "map"),
        ({"shoreline": "done", "visits": "done", "map": "failed"}, "map"),
        (dict.fromkeys([s.key for s in STEPS], "done"), "visits"),
    ],
)
def test_the_next_step_is_the_first_that_can_be_taken(found, wanted):
    assert next_step(states(**found)) == wanted


# -- views --------------------------------------------------------------------


def visit(name="2025-05-17", **changed):
    row = {
        "name": name,
        "date": "2025-05-17",
        "soundings": 1000,
        "accepted": 990,
        "rejected": 10,
        "level_m": 0.3048,
        "on": True,
    }
    return SimpleNamespace(**{**row, **changed})


def test_the_table_of_visits(qgis_app):
    view = VisitsView()
    view.show_visits([visit(), visit("spring", on=False, level_m=None)], None, "feet")
    cells = [[view.table.item(row, c).text() for c in range(1, 5)] for row in range(2)]
    assert cells == [
        ["2025-05-17", "1,000", "1.00 ft", "1.0%"],
        ["spring (2025-05-17)", "1,000", "", "1.0%"],
    ]
    assert [view.table.item(r, 0).checkState() for r in range(2)] == [
        Qt.CheckState.Checked,
        Qt.CheckState.Unchecked,
    ]


def test_what_is_done_to_a_visit_is_asked_for(qgis_app, monkeypatch):
    view, asked = VisitsView(), []
    view.turned.connect(lambda *given: asked.append(given))
    view.renamed.connect(lambda *given: asked.append(given))
    view.removed.connect(lambda *given: asked.append(given))
    view.show_visits([visit("a"), visit("b")], None, "meters")
    assert asked == []
    view.table.item(1, 0).setCheckState(Qt.CheckState.Unchecked)
    view.table.selectRow(0)
    monkeypatch.setattr(QInputDialog, "getText", lambda *_, **__: (" c ", True))
    view._rename.click()
    buttons = QMessageBox.StandardButton
    monkeypatch.setattr(QMessageBox, "question", lambda *_, **__: buttons.Cancel)
    view._remove.click()
    monkeypatch.setattr(QMessageBox, "question", lambda *_, **__: buttons.Ok)
    view._remove.click()
    assert asked == [("b", False), ("a", "c"), ("a",)]


def test_undo_names_what_it_undoes(qgis_app):
    view = VisitsView()
    change = SimpleNamespace(action="removed", visits=("2025-08-09",))
    view.show_visits([visit()], change, "feet")
    assert view._undo.isEnabled()
    assert view._undo.accessibleName() == "Undo: 2025-08-09 removed"
    view.show_visits([visit()], change, "feet", writable=False)
    assert not view._undo.isEnabled()
    assert not view.table.item(0, 0).flags() & Qt.ItemFlag.ItemIsUserCheckable


def test_links_lead_to_layers_and_documents(qgis_app):
    view, asked = SaidView(), []
    view.layer_asked.connect(asked.append)
    view.document_asked.connect(asked.append)
    view.weakest_asked.connect(lambda role: asked.append(("weakest", role)))
    record = SimpleNamespace(
        step="map",
        numbers={
            "smoothsurface:AREA_M2": 1e5,
            "smoothsurface:MAX_DEPTH": 9.0,
            "smoothsurface:MEDIAN_UNCERTAINTY": 0.1,
            "smoothsurface:P95_UNCERTAINTY": 0.4,
        },
        outputs={"map_sheet": "map/1/map_sheet.pdf", "surface": "map/1/surface.tif"},
        documents={"map_sheet": "sheets/Map sheet.pdf"},
    )
    view.show_run(record, "meters")
    assert "10.0 ha down to 9.0 m" in view.text()
    view.linkActivated.emit("layer:surface")
    view.linkActivated.emit("document:sheets/Map sheet.pdf")
    assert view.text().count("weakest:surface") == 1
    view.linkActivated.emit("weakest:surface")
    assert asked == ["surface", "sheets/Map sheet.pdf", ("weakest", "surface")]
    assert view.text().count("Map sheet.pdf") == 1


def run(state, **changed):
    given = {
        "title": "Mapping",
        "state": state,
        "progress": 0.4,
        "text": "<b>& line",
        "log": [],
        "is_over": state in ("done", "failed", "cancelled"),
    }
    return SimpleNamespace(**{**given, **changed})


def test_the_run_that_goes_on_is_shown_and_canceled(qgis_app):
    view, canceled = RunView(), []
    view.canceled.connect(canceled.append)
    view.show_runs([run("done")])
    assert view.isHidden()
    going = run("running")
    view.show_runs([run("done"), going, run("waiting")])
    assert not view.isHidden()
    assert "1 waiting" in view._title.text()
    view.canceled.emit(view._run)
    assert canceled == [going]


def test_a_log_shows_text_as_it_is_and_adds_what_is_new(qgis_app):
    view, going = LogView(), run("running", log=[("heading", "Clean"), ("fact", "<i>5</i>")])
    view.show_run(going)
    going.log.append(("warning", "Look."))
    view.show_run(going)
    assert view.toPlainText().splitlines() == ["Clean", "<i>5</i>", "Warning: Look."]


def test_every_button_of_the_page_can_be_read_aloud(qgis_app):
    from qgis.PyQt.QtWidgets import QAbstractButton

    page = LakePage()
    nameless = [
        b
        for b in page.findChildren(QAbstractButton)
        if not (b.accessibleName() or b.text() or b.toolTip())
        and not b.objectName().startswith("qt_")
        and "collapse" not in b.objectName().lower()
        and type(b).__name__ == "QToolButton"
    ]
    assert nameless == []


# -- forms --------------------------------------------------------------------


def test_logs_are_files_or_a_folder(qgis_app, tmp_path):
    field = LogsField()
    files = [tmp_path / "a b.nmea", tmp_path / "c.csv"]
    field.set_paths(files)
    assert field.paths() == files
    field.set_paths([tmp_path])
    assert field.paths() == [tmp_path]
    field.line.clear()
    assert field.paths() == []


def test_a_new_lake_is_asked_for_in_the_users_unit(qgis_app, tmp_path):
    dialog = NewLakeDialog()
    dialog.unit.setCurrentText("meters")
    dialog.name.setText("Étang")
    dialog.folder.setFilePath(str(tmp_path))
    dialog.draft.setValue(0.3)
    dialog.unit.setCurrentText("feet")
    assert dialog.draft.value() == 0.98  # 0.3 m, to the hundredth of a foot
    asked = dialog.asked()
    assert asked.facts.boat.draft_m == pytest.approx(0.3, abs=0.002)
    assert asked.facts.unit == "feet"
    assert asked.facts.datum_reading is None
    assert asked.shoreline is None
    assert asked.logs == []


def test_a_lake_that_is_there_is_not_made_again(qgis_app, lake):
    dialog = NewLakeDialog()
    dialog.accept()
    assert dialog.result() == 0
    dialog.name.setText("Lake Marrowby")
    dialog.folder.setFilePath(str(lake.parent))
    dialog.accept()
    assert dialog.result() == 0
    dialog.name.setText("Another")
    dialog.accept()
    assert dialog.result() == 1


@pytest.mark.parametrize("step", [s for s in STEPS if s.algorithm], ids=lambda s: s.key)
def test_a_form_shows_seven_fields_at_most(step, provider, qgis_app):
    algorithm = QgsApplication.processingRegistry().createAlgorithmById(step.algorithm)
    form = StepForm(algorithm, {"DATABASE": "x.gpkg", "SHORELINE": "s.gpkg"}, "title", "Run")
    assert form.form.rowCount() <= 7
    hidden = QgsProcessingParameterDefinition.Flag.FlagHidden
    inputs = {
        d.name()
        for d in algorithm.parameterDefinitions()
        if not d.isDestination() and not d.flags() & hidden
    }
    assert set(form._wrappers) == inputs - {"DATABASE", "SHORELINE"}


# -- the lake that is open ----------------------------------------------------


def test_a_lake_is_opened_and_looked_at(qgis_app, lake):
    work = LakeWork()
    assert work.read_only
    assert work.open(lake)
    wait_for(lambda: work.seen is not None)
    assert work.facts.name == "Lake Marrowby"
    assert not work.read_only
    assert [state.key for state in work.seen.states] == [step.key for step in STEPS]
    work.stop()
    assert not (lake / "lake.lock").exists()
    assert work.folder is None


def test_a_folder_that_is_no_lake_is_refused(qgis_app, tmp_path):
    work, told = LakeWork(), []
    work.told.connect(lambda text, warning: told.append((text, warning)))
    assert not work.open(tmp_path)
    assert told[0][1]
    assert "lake.json" in told[0][0]
    work.stop()


def test_a_lake_that_another_computer_holds_is_read_only(qgis_app, lake):
    from datetime import datetime, timezone

    now = datetime.now(timezone.utc).isoformat(timespec="seconds")
    held = {"machine": "elsewhere", "process": 1, "time": now, "token": "theirs"}
    (lake / "lake.lock").write_text(json.dumps(held), encoding="utf-8")
    work = LakeWork()
    work.open(lake)
    assert work.read_only
    assert work.holder.machine == "elsewhere"
    page = LakePage()
    page.show_lake(work)
    assert not page.notice.isHidden()
    assert "elsewhere" in page.notice._text.text()
    work.take_over()
    assert not work.read_only
    page.show_lake(work)
    assert page.notice.isHidden()
    work.stop()


def test_a_change_of_the_files_is_seen(qgis_app, lake):
    work = LakeWork()
    work.open(lake)
    wait_for(lambda: work.seen is not None)
    facts = replace(work.facts, name="Renamed")
    write_facts(lake, facts)
    wait_for(lambda: work.facts.name == "Renamed")
    work.stop()


def test_the_lake_database_is_changed_beside_the_window_which_says_so(qgis_app, lake):
    import threading

    work, page, said, order = LakeWork(), LakePage(), [], []
    work.open(lake)
    wait_for(lambda: work.seen is not None)
    page.visits.show_visits([visit()], None, "feet")
    work.changing.connect(said.append)
    leave = threading.Event()

    def change(path):
        order.append((threading.current_thread() is threading.main_thread(), path))
        leave.wait(10)

    work.change(change, lambda: order.append("then"))
    assert work.is_changing
    page.show_seen(work, [], {})
    page.visits.wait()
    assert not page.next.isEnabled()
    assert not page.visits.table.isEnabled()
    assert page.visits._last.text() == "Writing to the lake database…"
    leave.set()
    wait_for(lambda: not work.is_changing)
    assert order == [(False, lake / "lake_database.gpkg"), "then"]
    assert said == [True, False]
    page.show_seen(work, [], {})
    assert page.next.isEnabled()
    assert page.visits.table.isEnabled()
    work.stop()


def test_a_change_that_fails_is_told(qgis_app, lake):
    work, told, then = LakeWork(), [], []
    work.told.connect(lambda text, warning: told.append((text, warning)))
    work.open(lake)

    def change(path):
        raise OSError("The disk is full.")

    work.change(change, lambda: then.append(True))
    wait_for(lambda: not work.is_changing)
    assert (told, then) == ([("The disk is full.", True)], [])
    work.stop()


def test_closing_while_files_are_looked_at_waits(qgis_app, lake):
    for _ in range(20):
        work = LakeWork()
        work.open(lake)
        work.stop()
        assert work.folder is None
        assert not Path(lake / "lake.lock").exists()
