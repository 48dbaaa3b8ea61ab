"""Outings in the window: asked for, shown while they are recorded, ended and brought in."""

from __future__ import annotations

from qgis.core import QgsSettings
from qgis.PyQt.QtCore import QObject, pyqtSignal

from ...algorithms._i18n import in_local_numbers, tr
from ...algorithms._lake.facts import read_facts
from ...algorithms.core.errors import LakefloorError
from . import said
from .boat import BoatOnMap
from .end_form import EndForm
from .levels import visit_levels
from .next_lane import lane_texts
from .page import WaterPage
from .session import Session
from .source_form import kept_specs
from .start_form import SourcesForm, StartForm

_KIND, _VIEW = "lakefloor/mark_kind", "lakefloor/keep_boat_in_view"


class Outing(QObject):
    """Joins the page on the water with what records.

    Parameters
    ----------
    iface : QgisInterface
    work : LakeWork
        The open lake.
    taker : StepTaker
        Brings the visit in.
    key : MarkKey
    recorder : Recorder, optional
    mapping : GrowingLayers, optional
        Those of the plugin, where none is given.
    """

    #: A sentence for the user, and whether it is a warning.
    told = pyqtSignal(str, bool)
    #: A form is to be shown.
    form_made = pyqtSignal(object)
    #: Recording has begun or ended.
    changed = pyqtSignal()

    def __init__(self, iface, work, taker, key, parent=None, recorder=None, mapping=None):
        super().__init__(parent)
        self._iface, self._work, self._taker, self._key = iface, work, taker, key
        self._tee = None
        if recorder is None:
            recorder = _recorder(self)
        if mapping is None:
            mapping = _mapping(self, iface.mapCanvas())
        self.session = Session(work, recorder, mapping, self)
        self.page, self.boat = WaterPage(), BoatOnMap(iface.mapCanvas(), self)
        self.page.choose_kind(QgsSettings().value(_KIND, "Fish"))
        self.page.view.setChecked(QgsSettings().value(_VIEW, True, type=bool))
        self._keep_in_view(self.page.view.isChecked())
        self._connect()

    def _connect(self):
        session, page = self.session, self.page
        session.told.connect(self.told)
        session.mapping.told.connect(self.told)
        session.mapping.leveled.connect(self._show_level)
        session.mapping.planned.connect(self._show_lane)
        session.heard.connect(self._show_heard)
        session.state_changed.connect(page.show_state)
        session.changed.connect(self._show_change)
        session.marking.changed.connect(self._show_marks)
        page.mark_asked.connect(self._mark)
        page.undo_asked.connect(session.marking.undo)
        page.end_asked.connect(self.ask_end)
        page.sources_asked.connect(self.ask_sources)
        page.lane_asked.connect(lambda: session.mapping.plan())
        page.view_asked.connect(self._keep_in_view)
        self._key.pressed.connect(self._press)

    @property
    def lake(self):
        """The lake whose outing is recorded (LakeFolder), or None."""
        return self.session.lake

    def put_away(self):
        """Let go of the layers of a project that was closed; the outing goes on."""
        self.session.mapping.put_away()

    def bring_back(self):
        """Show the map on the water again, in a project that was opened."""
        if self._work.folder == self.lake:
            self.session.mapping.bring_back()

    def stop(self):
        """Leave an outing open, and take the boat from the map."""
        self.session.leave()
        self.boat.clear()

    # -- start and end --------------------------------------------------------

    def ask_start(self):
        """Ask for what an outing needs, and begin it."""
        if self._work.read_only:
            self.told.emit(tr("The lake is read-only here, so no outing can be recorded."), True)
            return
        lake, facts = self._work.folder, self._work.facts
        form = StartForm(facts, self._iface.mainWindow())
        form.accepted.connect(lambda: self._begin(lake, facts, form))
        self.form_made.emit(form)

    def resume(self, recording):
        """Go on with an outing that was not ended."""
        lake, facts = self._work.folder, self._work.facts
        specs = _specs(recording) or kept_specs()
        given = {"draft_m": facts.boat.draft_m, **_given(recording)}
        self._start(lake, facts, specs, given, recording)

    def _begin(self, lake, facts, form):
        specs = form.sources.specs()
        if self._start(lake, facts, specs, form.given()) and form.tee.isChecked():
            self._feed_gps_panel(specs)

    def _feed_gps_panel(self, specs):
        """Let QGIS's own GPS panel see the position, unless it comes from there."""
        from .sources import Tee

        if all(spec.kind != "qgis" for spec in specs):
            self._tee = Tee(self)
            self.session.recorder.raw.connect(self._tee.feed)
            self._tee.start()

    def _stop_feeding(self):
        if self._tee is not None:
            self.session.recorder.raw.disconnect(self._tee.feed)
            self._tee.stop()
            self._tee.deleteLater()
            self._tee = None

    def _start(self, lake, facts, specs, given, resume=None):
        try:
            self.session.start(lake, facts, specs, given, resume)
        except (LakefloorError, OSError) as error:
            self.told.emit(str(error), True)
        return self.session.is_recording

    def ask_sources(self):
        """Ask for other sources, with which the outing goes on."""
        if self.session.is_recording:
            form = SourcesForm(self.session.specs, self._iface.mainWindow())
            form.accepted.connect(lambda: self._change_sources(form.sources.specs()))
            self.form_made.emit(form)

    def _change_sources(self, specs):
        session = self.session
        if not session.is_recording or specs == session.specs:
            return
        lake, facts, given = session.lake, session.facts, session.given
        recording = session.recorder.recording
        session.leave()
        self._start(lake, facts, specs, given, recording)

    def ask_end(self):
        """Ask for the lake level at the end, and end the outing."""
        if not self.session.is_recording:
            return
        lines = self.page.lines
        form = EndForm(self.session.facts, lines["cross_line"].text(), self._iface.mainWindow())
        form.accepted.connect(lambda: self._end(form))
        self.form_made.emit(form)

    def _end(self, form):
        if not self.session.is_recording:
            return
        lake = self.session.lake
        recording, given = self.session.end(form.levels())
        self.close(lake, recording, given, form.brings_in)

    def end_open(self, recording):
        """End an outing that was left open, and bring it in."""
        from ...algorithms._lake.recording import RecordingWriter

        lake, draft = self._work.folder, self._work.facts.boat.draft_m
        try:
            writer = RecordingWriter.resume(recording)
            writer.end()
        except (LakefloorError, OSError) as error:
            self.told.emit(str(error), True)
            return
        self.close(lake, recording, {"draft_m": draft, **_given(recording)}, True)

    def close(self, lake, recording, given, brings_in):
        """Add the readings of an outing to those of the lake, and its soundings to the database.

        Parameters
        ----------
        lake : LakeFolder
        recording : Recording
            That was ended.
        given : dict
            As of :meth:`.Session.start`.
        brings_in : bool
        """
        options = {"LOG_FOLDER": str(recording.path), "DRAFT": given["draft_m"]}
        if given.get("time_offset_s"):
            options["TIME_OFFSET"] = given["time_offset_s"]
        levels, wrong = visit_levels(lake, read_facts(lake.path), given.get("levels", []))
        if wrong:
            self.told.emit(wrong, True)
        if brings_in:
            self._taker.take("visits", lake, {**options, **levels})
        self._work.look()

    # -- while it is recorded -------------------------------------------------

    def _mark(self, kind):
        QgsSettings().setValue(_KIND, kind)
        self.session.mark(kind)

    def _press(self):
        if self.session.is_recording:
            self._mark(self.page.kind_chosen())

    def _keep_in_view(self, on):
        QgsSettings().setValue(_VIEW, on)
        self.boat.keep_in_view = on

    def _show_heard(self):
        session = self.session
        self.page.show_heard(session.now, session.soundings, session.hardness)
        self.boat.show_track(session.marking.track.places)

    @in_local_numbers
    def _show_level(self, found):
        self.page.say("level", said.level_text(found, self.session.facts.unit))

    @in_local_numbers
    def _show_lane(self, plan):
        facts = self.session.facts
        for key, text in lane_texts(plan, facts, bool(self.session.given.get("levels"))).items():
            self.page.say(key, text)

    def _show_marks(self):
        marks = self.session.marking.marks
        self.page.undo.setEnabled(bool(marks))
        text = (
            tr("Marked: {}. Marks on this outing: {}.").format(marks[-1].name, len(marks))
            if (marks)
            else ""
        )
        self.page.say("mark", text)

    def _show_change(self):
        session = self.session
        self._key.listen(session.is_recording)
        if session.is_recording:
            self.page.begin(session.facts, session.given, session.began)
            self.page.show_key(self._key.text())
            self.page.say(
                "map", tr("The map is drawn quickly. The careful map at home may differ a little.")
            )
        else:
            self.page.end_now()
            self.boat.clear()
            self._stop_feeding()
        self.changed.emit()


def _recorder(parent):
    from .recorder import Recorder

    return Recorder(parent)


def _mapping(parent, canvas):
    from .mapping.growing_layers import GrowingLayers

    return GrowingLayers(parent, canvas)


def _specs(recording) -> list:
    from .sources import SourceSpec

    return [SourceSpec.from_dict(source) for source in recording.sources.values()]


def _given(recording) -> dict:
    """Return what was said at the start of an outing."""
    facts = recording.facts
    names = ("draft_m", "time_offset_s", "levels", "back_by")
    return {name: facts[name] for name in names if name in facts}
