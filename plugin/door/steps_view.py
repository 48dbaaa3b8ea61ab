"""The steps of the work, each with its state and a button."""

from __future__ import annotations

from qgis.core import QgsApplication
from qgis.PyQt.QtCore import QSize, Qt, pyqtSignal
from qgis.PyQt.QtWidgets import (
    QGridLayout,
    QLabel,
    QMenu,
    QSizePolicy,
    QToolButton,
    QVBoxLayout,
    QWidget,
)

from ...algorithms._i18n import tr
from ...algorithms._lake import states
from ...algorithms._lake.steps import STEPS
from . import texts

RUNNING = "running"
#: Letters of a state that are shown; what went wrong ends with what to do.
_READ = 500

_ICONS = {
    states.NOT_YET: "/mTaskOnHold.svg",
    states.READY: "/mActionArrowRight.svg",
    states.DONE: "/mTaskComplete.svg",
    states.OUT_OF_DATE: "/mIconWarning.svg",
    states.FAILED: "/mTaskTerminated.svg",
    RUNNING: "/mTaskRunning.svg",
}


def next_step(found) -> str:
    """Return the key of the next sensible step: the first that can be taken, else more visits."""
    wanted = (states.READY, states.OUT_OF_DATE, states.FAILED)
    return next((state.key for state in found if state.state in wanted), "visits")


class StepsView(QWidget):
    """Rows of steps. A button asks for a step, its menu for one of the step's options."""

    #: Key of the step, key of the option ("" for the step itself).
    asked = pyqtSignal(str, str)

    def __init__(self, parent=None):
        super().__init__(parent)
        grid = QGridLayout(self)
        grid.setContentsMargins(0, 0, 0, 0)
        grid.setColumnStretch(1, 1)
        grid.setVerticalSpacing(6)
        self._rows = {}
        for number, step in enumerate(STEPS):
            self._rows[step.key] = _Row(grid, number, step.key, self.asked.emit)

    def show_states(self, found, running=None, writable=True, facts=None):
        """Show states of steps.

        Parameters
        ----------
        found : list of StepState
        running : mapping of str to float, optional
            Steps that run -> how far they are, 0 to 1.
        writable : bool
            Whether steps can be taken.
        facts : LakeFacts, optional
            Of the lake, whose clocks say when a step was taken.
        """
        running = running or {}
        for state in found:
            row = self._rows[state.key]
            if state.key in running:
                share = int(100 * running[state.key])
                row.show(RUNNING, tr("Running, {}%").format(share), False)
            else:
                can = writable and state.state != states.NOT_YET
                row.show(state.state, texts.state_text(state, facts), can)


class _Row:
    def __init__(self, grid, number, key, ask):
        self._key = key
        self._icon, self._state = QLabel(), QLabel()
        title = QLabel(texts.step_title(key))
        font = title.font()
        font.setBold(True)
        title.setFont(font)
        self._state.setWordWrap(True)
        self._state.setTextFormat(Qt.TextFormat.PlainText)
        self._state.setSizePolicy(QSizePolicy.Policy.Ignored, QSizePolicy.Policy.Preferred)
        words = QWidget()
        column = QVBoxLayout(words)
        column.setContentsMargins(0, 0, 0, 0)
        column.setSpacing(0)
        column.addWidget(title)
        column.addWidget(self._state)
        self.button = _button(words, key, ask)
        grid.addWidget(self._icon, number, 0, Qt.AlignmentFlag.AlignTop)
        grid.addWidget(words, number, 1)
        grid.addWidget(self.button, number, 2, Qt.AlignmentFlag.AlignTop)

    def show(self, state, text, enabled):
        size = self._icon.fontMetrics().height() + 2
        icon = QgsApplication.getThemeIcon(_ICONS[state])
        self._icon.setPixmap(icon.pixmap(QSize(size, size)))
        self._icon.setAccessibleName(text)
        self._icon.setToolTip(text)
        short = text if len(text) < _READ else f"{text[: _READ - 3]}…"
        self._state.setText(short)
        self._state.setToolTip(text)
        self.button.setEnabled(enabled)
        self.button.setAccessibleDescription(text)


def _button(parent, key, ask):
    button = QToolButton(parent)
    button.setAutoRaise(True)
    button.setIcon(QgsApplication.getThemeIcon(_ACTION_ICONS[key]))
    button.setToolTip(texts.step_action(key).rstrip("…"))
    button.setAccessibleName(texts.step_action(key).rstrip("…"))
    button.setFocusPolicy(Qt.FocusPolicy.StrongFocus)
    button.clicked.connect(lambda: ask(key, ""))
    options = _options(key)
    if options:
        menu = QMenu(button)
        for option, text in options.items():
            menu.addAction(text).triggered.connect(lambda _=False, o=option: ask(key, o))
        button.setMenu(menu)
        button.setPopupMode(QToolButton.ToolButtonPopupMode.MenuButtonPopup)
    return button


_ACTION_ICONS = {
    "shoreline": "/mActionAddPolygon.svg",
    "visits": "/mActionAdd.svg",
    "map": "/mActionStart.svg",
    "structure": "/mActionStart.svg",
    "outing": "/mActionStart.svg",
}


def _options(key) -> dict:
    """Return the options of a step: key -> text."""
    if key == "shoreline":
        return {"file": tr("Take the shoreline from a file…")}
    if key == "visits":
        return {"gauge": tr("Add gauge readings…")}
    if key == "map":
        return {
            "sheet": tr("Open the map sheet"),
            "report": tr("Open the lake report"),
            "form": tr("Map with other settings…"),
        }
    if key in ("structure", "outing"):
        return {"form": tr("Run with other settings…")}
    return {}
