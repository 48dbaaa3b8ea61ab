"""The page of the panel with a lake: its steps, the run, its visits and what the last run said."""

from __future__ import annotations

from qgis.core import QgsApplication
from qgis.gui import QgsCollapsibleGroupBox
from qgis.PyQt.QtCore import Qt, pyqtSignal
from qgis.PyQt.QtWidgets import (
    QFrame,
    QHBoxLayout,
    QLabel,
    QMenu,
    QPushButton,
    QSizePolicy,
    QToolButton,
    QVBoxLayout,
    QWidget,
)

from ...algorithms._i18n import tr
from . import texts
from .open_outing import OpenOuting
from .run_view import LogView
from .said_view import SaidView
from .steps_view import StepsView, next_step
from .visits_view import VisitsView


class LakePage(QWidget):
    """Shows a lake, and says what is asked of it; does nothing by itself."""

    #: Key of what the menu of the lake was asked for.
    menu_asked = pyqtSignal(str)
    take_over_asked = pyqtSignal()
    #: On the water, or back to the outing that is recorded.
    water_asked = pyqtSignal()
    #: An outing that was not ended (Recording), and whether it goes on: else it ends.
    open_outing_asked = pyqtSignal(object, bool)

    def __init__(self, parent=None):
        super().__init__(parent)
        self.name, self.about = QLabel(), QLabel()
        self.notice = _Notice(self.take_over_asked.emit)
        self.steps, self.visits = StepsView(), VisitsView()
        self.said, self.log = SaidView(), LogView()
        self.next = QPushButton()
        self.next.clicked.connect(lambda: self.steps.asked.emit(self._next, ""))
        self.water = QPushButton(tr("Go on the water…"))
        self.water.setToolTip(tr("Record an outing, and see the map grow."))
        self.water.clicked.connect(lambda: self.water_asked.emit())
        self.open_outing = OpenOuting()
        self.open_outing.asked.connect(self.open_outing_asked)
        self._next = "visits"
        column = QVBoxLayout(self)
        column.setContentsMargins(6, 6, 6, 6)
        column.addLayout(self._head())
        column.addWidget(self.notice)
        column.addWidget(self.open_outing)
        column.addWidget(self.steps)
        column.addWidget(self.next)
        column.addWidget(self.water)
        self._tools = QVBoxLayout()
        column.addLayout(self._tools)
        self.said_box = _box(tr("Results of the last run"), self.said)
        self.visits_box = _box(tr("Visits"), self.visits)
        self.log_box = _box(tr("Log"), self.log, collapsed=True)
        for box in (self.said_box, self.visits_box, self.log_box):
            column.addWidget(box)
        column.addStretch(1)

    def _head(self):
        font = self.name.font()
        font.setPointSizeF(1.25 * font.pointSizeF())
        font.setBold(True)
        self.name.setFont(font)
        for label in (self.name, self.about):
            label.setTextFormat(Qt.TextFormat.PlainText)
            label.setSizePolicy(QSizePolicy.Policy.Ignored, QSizePolicy.Policy.Preferred)
            label.setWordWrap(True)
        menu = QMenu(self)
        for key, text in _menu().items():
            if key.startswith("-"):
                menu.addSeparator()
            else:
                menu.addAction(text).triggered.connect(
                    lambda _=False, k=key: self.menu_asked.emit(k)
                )
        button = QToolButton()
        button.setIcon(QgsApplication.getThemeIcon("/mActionOptions.svg"))
        button.setAutoRaise(True)
        button.setMenu(menu)
        button.setPopupMode(QToolButton.ToolButtonPopupMode.InstantPopup)
        button.setToolTip(tr("Lake"))
        button.setAccessibleName(tr("Menu of the lake"))
        button.setFocusPolicy(Qt.FocusPolicy.StrongFocus)
        words = QVBoxLayout()
        words.setSpacing(0)
        words.addWidget(self.name)
        words.addWidget(self.about)
        row = QHBoxLayout()
        row.addLayout(words, 1)
        row.addWidget(button, 0, Qt.AlignmentFlag.AlignTop)
        return row

    def put_in(self, readout, actions):
        """Put in what reads the map under the cursor, and the tools on the map."""
        row = QHBoxLayout()
        row.setSpacing(0)
        for action in actions:
            button = QToolButton()
            button.setAutoRaise(True)
            button.setDefaultAction(action)
            button.setFocusPolicy(Qt.FocusPolicy.StrongFocus)
            row.addWidget(button)
        row.addStretch(1)
        readout.setSizePolicy(QSizePolicy.Policy.Ignored, QSizePolicy.Policy.Preferred)
        self._tools.addLayout(row)
        self._tools.addWidget(readout)

    # -- what is shown --------------------------------------------------------

    def show_lake(self, work):
        """Show which lake is open, and whether it may be written to."""
        facts = work.facts
        self.name.setText(facts.name)
        self.name.setToolTip(str(work.folder.path))
        self.about.setText(facts.place)
        self.about.setVisible(bool(facts.place))
        self.notice.show_holder(work.holder, work.barred)

    def show_water(self, recording, can):
        """Show whether an outing is recorded, and whether one can be begun."""
        self.water.setText(tr("Back to the outing") if recording else tr("Go on the water…"))
        self.water.setEnabled(recording or can)
        if recording:
            self.open_outing.hide()  # it is the one that is not ended

    def show_seen(self, work, runs, running):
        """Show what the files say, and which steps run.

        Parameters
        ----------
        work : LakeWork
        runs : list of Run
            Of this lake.
        running : dict of str to float
            Steps that run -> how far they are.
        """
        if runs:
            self.log.show_run(runs[-1])
        self.log_box.setVisible(bool(runs))
        seen = work.seen
        ready = seen is not None
        self.steps.setEnabled(ready)
        if not ready:
            self.next.setEnabled(False)
            return
        writable = not work.read_only and not work.is_changing
        self.steps.show_states(seen.states, running, writable, seen.facts)
        self._next = next_step([s for s in seen.states if s.key not in running])
        self.next.setText(texts.step_action(self._next))
        self.next.setVisible(not any(not run.is_over for run in runs))
        self.next.setEnabled(writable)
        unit = seen.facts.unit
        can = writable and all(run.is_over for run in runs)
        self.visits.show_visits(seen.visits, seen.undo, unit, can)
        self.visits_box.setVisible(bool(seen.visits) or seen.undo is not None)
        self.said.show_run(seen.newest, unit)
        self.said_box.setVisible(bool(self.said.text()))
        self.open_outing.show_outings(seen.outings if can else [], seen.facts)


class _Notice(QFrame):
    """Says that a lake is read-only, with the choice to work on it here."""

    def __init__(self, take_over):
        super().__init__()
        self.setFrameShape(QFrame.Shape.StyledPanel)
        self._text = QLabel()
        self._text.setWordWrap(True)
        self._text.setTextFormat(Qt.TextFormat.PlainText)
        self.button = QPushButton(tr("Work on it here"))
        self.button.setToolTip(
            tr("The other window becomes read-only. Do this only when nobody is working there.")
        )
        self.button.clicked.connect(lambda: take_over())
        column = QVBoxLayout(self)
        column.addWidget(self._text)
        column.addWidget(self.button, 0, Qt.AlignmentFlag.AlignLeft)

    def show_holder(self, holder, barred):
        self.setVisible(holder is not None or bool(barred))
        self.button.setVisible(holder is not None)
        if holder is not None:
            self._text.setText(
                tr("Read-only: open in another window on '{}', last heard of {}.").format(
                    holder.machine or tr("an unknown computer"), texts.moment(holder.time)
                )
            )
        else:
            self._text.setText(barred)


def _menu() -> dict:
    return {
        "new": tr("New lake…"),
        "open": tr("Open another lake…"),
        "example": tr("Open the example lake"),
        "-1": "",
        "folder": tr("Show its folder"),
        "backup": tr("Back up the lake…"),
        "-2": "",
        "close": tr("Close the lake"),
    }


def _box(title, widget, collapsed=False):
    box = QgsCollapsibleGroupBox(title)
    column = QVBoxLayout(box)
    column.setContentsMargins(4, 4, 4, 4)
    column.addWidget(widget)
    box.setSaveCollapsedState(False)
    box.setCollapsed(collapsed)
    return box
