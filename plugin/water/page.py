"""The page of the panel on the water: what is measured now, what is recorded, the next lane, marks.

Others put their lines into it by :meth:`WaterPage.say`: the next lane, how today's level fits, what
the map on the water leaves out. It does nothing by itself.
"""

from __future__ import annotations

import time

from qgis.core import QgsApplication
from qgis.gui import QgsCollapsibleGroupBox
from qgis.PyQt.QtCore import Qt, QTimer, pyqtSignal
from qgis.PyQt.QtWidgets import (
    QCheckBox,
    QComboBox,
    QFormLayout,
    QHBoxLayout,
    QLabel,
    QPushButton,
    QSizePolicy,
    QToolButton,
    QVBoxLayout,
    QWidget,
)

from ...algorithms._i18n import in_local_numbers, tr
from ...algorithms.core.cautions import ON_THE_WATER
from ..door.wrong import Wrong
from ..tools.marks import mark_kinds
from . import said
from .figures import NOTHING, Figures

#: How often what is shown is looked at for its age, ms.
_LOOK_MS = 500
#: Keys of lines that others write: where they stand, from the top.
LINES = ("lane", "cross_line", "level", "map", "mark")


class WaterPage(QWidget):
    """Shows an outing while it is recorded, and says what is asked."""

    #: Kind of the mark, as it is kept.
    mark_asked = pyqtSignal(str)
    undo_asked = pyqtSignal()
    #: The next lane is asked for.
    lane_asked = pyqtSignal()
    end_asked = pyqtSignal()
    #: Other sources for the outing.
    sources_asked = pyqtSignal()
    #: Back to the steps of the lake; the outing goes on.
    lake_asked = pyqtSignal()
    #: Whether the map follows the boat.
    view_asked = pyqtSignal(bool)

    def __init__(self, parent=None):
        super().__init__(parent)
        self._unit, self._draft, self._now, self._hardness = "feet", 0.0, None, None
        self._state, self._soundings, self._began = None, 0, None
        self.name, self.figures, self.wrong = _label(), Figures(), Wrong()
        self.lines = {key: _label() for key in LINES}
        self.place, self.temperature, self.depth_from = _label(), _label(), _label()
        self.offset = _label()
        self.sources, self.recorded, self.caution = _label(), _label(), _label(tr(ON_THE_WATER[0]))
        self._make_buttons()
        self._lay_out()
        self._looks = QTimer(self)
        self._looks.setInterval(_LOOK_MS)
        self._looks.timeout.connect(self._show_ages)

    def _make_buttons(self):
        self.kind, self.mark = QComboBox(), QPushButton(tr("&Mark"))
        for kept, shown in mark_kinds().items():
            self.kind.addItem(shown, kept)
        self.kind.setAccessibleName(tr("Kind of the mark"))
        self.mark.setAccessibleName(tr("Mark the place of the boat"))
        tall = 3 * self.fontMetrics().height()
        self.mark.setMinimumHeight(tall)
        self.kind.setMinimumHeight(tall)
        large = 1.4 * self.fontMetrics().height()
        self.mark.setStyleSheet(f"font-size: {large:.0f}px;")
        self.undo = _tool(tr("Undo the last mark"), "/mActionUndo.svg")
        self.undo.setMinimumHeight(tall)
        self.undo.setEnabled(False)
        self.back = _tool(tr("Steps of the lake. The outing goes on."), "/mActionArrowLeft.svg")
        self.view = QCheckBox(tr("Keep the boat in view"))
        self.view.setChecked(True)
        self.where = QPushButton(tr("Where next?"))
        self.where.setToolTip(tr("Plan the next lane from where the boat is."))
        self.where.clicked.connect(lambda: self.lane_asked.emit())
        self.change = QPushButton(tr("Change the sources…"))
        self.change.clicked.connect(lambda: self.sources_asked.emit())
        self.end = QPushButton(tr("End of outing…"))
        self.end.setMinimumHeight(2 * self.fontMetrics().height())
        self.mark.clicked.connect(lambda: self.mark_asked.emit(self.kind_chosen()))
        self.undo.clicked.connect(lambda: self.undo_asked.emit())
        self.back.clicked.connect(lambda: self.lake_asked.emit())
        self.view.toggled.connect(self.view_asked)
        self.end.clicked.connect(lambda: self.end_asked.emit())

    def _lay_out(self):
        column = QVBoxLayout(self)
        column.setContentsMargins(6, 6, 6, 6)
        head = QHBoxLayout()
        head.addWidget(self.name, 1)
        head.addWidget(self.back)
        column.addLayout(head)
        column.addWidget(self.wrong)
        column.addWidget(self.figures)
        marks = QHBoxLayout()
        marks.addWidget(self.mark, 2)
        marks.addWidget(self.kind, 1)
        marks.addWidget(self.undo)
        column.addLayout(marks)
        for key in LINES:
            column.addWidget(self.lines[key])
            self.lines[key].hide()
        row = QHBoxLayout()
        row.addWidget(self.view, 1)
        row.addWidget(self.where)
        column.addLayout(row)
        column.addWidget(self.recorded)
        column.addWidget(self.sources)
        column.addWidget(self._more())
        column.addStretch(1)
        column.addWidget(self.end)
        column.addWidget(self.caution)

    def _more(self):
        """What is seldom looked at is folded, so that the end of the outing is in sight."""
        box = QgsCollapsibleGroupBox(tr("More"))
        form = QFormLayout(box)
        form.setContentsMargins(4, 4, 4, 4)
        form.addRow(self.change)
        form.addRow(tr("Measured from"), self.depth_from)
        form.addRow(tr("Position"), self.place)
        form.addRow(tr("Water"), self.temperature)
        form.addRow(tr("Time offset"), self.offset)
        box.setSaveCollapsedState(False)
        box.setCollapsed(True)
        return box

    # -- what is shown --------------------------------------------------------

    @in_local_numbers
    def begin(self, facts, given, began):
        """Show the outing of a lake from its beginning.

        Parameters
        ----------
        facts : LakeFacts
        given : dict
            ``draft_m``, and ``time_offset_s`` of the last visit, 0 where none is known.
        began : float
            When it began, s since 1970, UTC.
        """
        self._unit, self._draft, self._began = facts.unit, given["draft_m"], began
        self.offset.setText(said.offset_text(given.get("time_offset_s", 0.0)))
        self._now = self._state = self._hardness = None
        self._soundings = 0
        self.name.setText(tr("On the water: {}").format(facts.name))
        for key in LINES:
            self.say(key, "")
        self.wrong.hide()
        self.undo.setEnabled(False)
        self._looks.start()
        self._show_ages()

    def end_now(self):
        """Show that nothing is recorded any more."""
        self._looks.stop()

    def show_heard(self, now, soundings, hardness):
        """Show what was heard.

        Parameters
        ----------
        now : Now
        soundings : int
            Of the outing so far.
        hardness : float or None
            Of the last seconds.
        """
        self._now, self._soundings, self._hardness = now, soundings, hardness
        self._show_ages()

    def show_state(self, state):
        """Show how the sources and the recording are (RecorderState)."""
        self._state = state
        self.sources.setText("\n".join(text for _, text in state.sources.values()))
        if state.problem:
            self.wrong.say(state.problem)
        else:
            self.wrong.hide()
        self._show_recorded()

    def say(self, key, text):
        """Write one of the lines of :data:`LINES`, "" for none."""
        self.lines[key].setText(text)
        self.lines[key].setVisible(bool(text))

    def kind_chosen(self) -> str:
        """Return the kind of the next mark, as it is kept."""
        return self.kind.currentData()

    def choose_kind(self, kind):
        """Choose the kind of the next mark."""
        index = self.kind.findData(kind)
        if index >= 0:
            self.kind.setCurrentIndex(index)

    def show_key(self, key):
        """Name the key that sets a mark (text of a QKeySequence)."""
        self.mark.setText(tr("&Mark ({})").format(key) if key else tr("&Mark"))

    @in_local_numbers
    def _show_ages(self):
        self._show_depth()
        self._show_motion()
        self._show_recorded()

    def _show_depth(self):
        now, figures = self._now, self.figures
        age = _age(now and now.depth_us)
        depth = said.below_surface(now, self._draft) if now else None
        fresh = age is not None and age <= said.FRESH_S and depth is not None
        if fresh:
            figures.depth.show_value(said.depth_text(depth, self._unit))
        elif age is None:
            figures.depth.show_value(NOTHING, tr("none yet"))
        else:
            figures.depth.show_value(NOTHING, _since(age))
        figures.bottom.show_value(said.bottom_text(self._hardness if fresh else None))
        self.depth_from.setText(NOTHING if age is None else said.measured_from(now))
        celsius = now.water_temp_c if now else None
        self.temperature.setText(said.temperature_text(celsius, self._unit))

    def _show_motion(self):
        now, figures = self._now, self.figures
        age = _age(now and now.fix_us)
        if age is None or age > said.FRESH_S or not now.fix_ok:
            figures.speed.show_value(NOTHING, "" if age is None else _since(age))
            figures.course.show_value(NOTHING)
            self.place.setText(tr("none yet") if age is None else _since(age))
            return
        figures.speed.show_value(said.speed_text(now.speed_ms, self._unit))
        figures.course.show_value(said.course_text(now.course_deg))
        self.place.setText(said.place_text(now.lon, now.lat))

    @in_local_numbers
    def _show_recorded(self):
        if self._state is not None and self._began is not None:
            since = time.time() - self._began
            self.recorded.setText(said.recorded_text(since, self._soundings, self._state))


def _age(monotonic_us):
    """Return how long ago something was, s; None where it never was."""
    if monotonic_us is None:
        return None
    return max(time.monotonic() - monotonic_us / 1e6, 0.0)


def _since(age) -> str:
    return tr("last {}").format(said.age_text(age))


def _label(text=""):
    label = QLabel(text)
    label.setTextFormat(Qt.TextFormat.PlainText)
    label.setWordWrap(True)
    label.setSizePolicy(QSizePolicy.Policy.Ignored, QSizePolicy.Policy.Preferred)
    return label


def _tool(tip, icon):
    button = QToolButton()
    button.setIcon(QgsApplication.getThemeIcon(icon))
    button.setAutoRaise(True)
    button.setToolTip(tip)
    button.setAccessibleName(tip)
    button.setFocusPolicy(Qt.FocusPolicy.StrongFocus)
    return button
