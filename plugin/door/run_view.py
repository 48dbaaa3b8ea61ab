"""The run that goes on: how far it is, its last line, and its log."""

from __future__ import annotations

from html import escape

from qgis.core import QgsApplication
from qgis.PyQt.QtCore import Qt, pyqtSignal
from qgis.PyQt.QtGui import QTextCursor
from qgis.PyQt.QtWidgets import (
    QHBoxLayout,
    QLabel,
    QProgressBar,
    QSizePolicy,
    QTextBrowser,
    QToolButton,
    QVBoxLayout,
    QWidget,
)

from ...algorithms._i18n import tr


class RunView(QWidget):
    """Title, progress and cancel of a run; hidden where none goes on."""

    canceled = pyqtSignal(object)

    def __init__(self, parent=None):
        super().__init__(parent)
        self._run = None
        self._title, self._text, self._bar = QLabel(), QLabel(), QProgressBar()
        self._text.setSizePolicy(QSizePolicy.Policy.Ignored, QSizePolicy.Policy.Preferred)
        self._text.setTextFormat(Qt.TextFormat.PlainText)
        self._bar.setRange(0, 1000)
        self._bar.setTextVisible(False)
        self._bar.setAccessibleName(tr("Progress"))
        cancel = QToolButton()
        cancel.setAutoRaise(True)
        cancel.setIcon(QgsApplication.getThemeIcon("/mTaskCancel.svg"))
        cancel.setToolTip(tr("Cancel"))
        cancel.setAccessibleName(tr("Cancel the run"))
        cancel.setFocusPolicy(Qt.FocusPolicy.StrongFocus)
        cancel.clicked.connect(lambda: self.canceled.emit(self._run))
        line = QHBoxLayout()
        line.addWidget(self._bar, 1)
        line.addWidget(cancel)
        column = QVBoxLayout(self)
        column.setContentsMargins(6, 2, 6, 6)
        column.setSpacing(2)
        column.addWidget(self._title)
        column.addLayout(line)
        column.addWidget(self._text)
        self.hide()

    def show_runs(self, runs):
        """Show the run that goes on, and how many wait behind it."""
        active = [run for run in runs if run.state in ("waiting", "running")]
        self._run = next((run for run in active if run.state == "running"), None)
        self._run = self._run or (active[0] if active else None)
        self.setVisible(self._run is not None)
        if self._run is None:
            return
        waiting = len(active) - 1
        title = self._run.title
        self._title.setText(tr("{} ({} waiting)").format(title, waiting) if waiting else title)
        self._bar.setValue(int(1000 * self._run.progress))
        self._text.setText(self._run.text)
        self._text.setToolTip(self._run.text)


class LogView(QTextBrowser):
    """The log of the newest run."""

    def __init__(self, parent=None):
        super().__init__(parent)
        self.setOpenExternalLinks(True)
        self.setAccessibleName(tr("Log of the run"))
        self.setMinimumHeight(120)
        self._shown = (None, 0)

    def show_run(self, run):
        """Show the log of a run; lines that are there already stay."""
        shown, count = self._shown
        if shown is not run:
            self.clear()
            count = 0
        for kind, text in run.log[count:]:
            self._add(kind, text)
        self._shown = (run, len(run.log))

    def _add(self, kind, text):
        html = escape(text).replace("\n", "<br>")
        mark = {"warning": tr("Warning:"), "error": tr("Error:")}.get(kind, "")
        if kind == "heading":
            html = f"<b>{html}</b>"
        elif mark:
            html = f"<b>{escape(mark)}</b> {html}"
        at_end = self.verticalScrollBar().value() >= self.verticalScrollBar().maximum() - 4
        cursor = QTextCursor(self.document())
        cursor.movePosition(QTextCursor.MoveOperation.End)
        if not self.document().isEmpty():
            cursor.insertBlock()
        cursor.insertHtml(html)
        if at_end:
            self.verticalScrollBar().setValue(self.verticalScrollBar().maximum())
