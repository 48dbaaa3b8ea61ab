"""The visits in the lake database, as a table with what can be done to them."""

from __future__ import annotations

from qgis.core import QgsApplication
from qgis.PyQt.QtCore import Qt, pyqtSignal
from qgis.PyQt.QtWidgets import (
    QAbstractItemView,
    QHBoxLayout,
    QHeaderView,
    QInputDialog,
    QLabel,
    QMessageBox,
    QSizePolicy,
    QTableWidget,
    QTableWidgetItem,
    QToolButton,
    QVBoxLayout,
    QWidget,
)

from ...algorithms._i18n import tr
from . import texts

_ON, _VISIT, _PINGS, _LEVEL, _REJECTED = range(5)


class VisitsView(QWidget):
    """Date, pings, level and share rejected of each visit; on or off, rename, remove, undo."""

    #: Name of the visit and the new value.
    renamed = pyqtSignal(str, str)
    turned = pyqtSignal(str, bool)
    removed = pyqtSignal(str)
    undone = pyqtSignal()

    def __init__(self, parent=None):
        super().__init__(parent)
        self._visits, self._unit, self._filling = [], "feet", False
        self.table = _table()
        self.table.itemChanged.connect(self._changed)
        self.table.itemSelectionChanged.connect(self._enable)
        self._rename = _tool("/mActionToggleEditing.svg", tr("Rename visit…"), self._ask_name)
        self._remove = _tool("/mActionDeleteSelected.svg", tr("Remove visit…"), self._ask_removal)
        self._undo = _tool("/mActionUndo.svg", tr("Undo"), self.undone.emit)
        self._last = QLabel()
        self._last.setTextFormat(Qt.TextFormat.PlainText)
        self._last.setWordWrap(True)
        self._last.setSizePolicy(QSizePolicy.Policy.Ignored, QSizePolicy.Policy.Preferred)
        tools = QHBoxLayout()
        tools.setSpacing(0)
        for button in (self._rename, self._remove, self._undo):
            tools.addWidget(button)
        tools.addWidget(self._last, 1)
        column = QVBoxLayout(self)
        column.setContentsMargins(0, 0, 0, 0)
        column.setSpacing(2)
        column.addWidget(self.table)
        column.addLayout(tools)
        self._writable = True

    def show_visits(self, visits, undo, unit, writable=True):
        """Show visits and the change that can be undone, None for none."""
        chosen = self.chosen()
        self._visits, self._unit, self._writable = visits, unit, writable
        self._filling = True
        self.table.setRowCount(len(visits))
        for row, visit in enumerate(visits):
            self._fill(row, visit)
            if visit.name == chosen:
                self.table.selectRow(row)
        self.table.setEnabled(True)
        self._filling = False
        words = change_text(undo)
        undo_text = tr("Undo: {}").format(words) if words else tr("Undo")
        self._undo.setToolTip(undo_text)
        self._undo.setAccessibleName(undo_text)
        self._undo.setEnabled(bool(words) and writable)
        self._last.setText(undo_text if words else "")
        self._enable()

    def wait(self):
        """Let nothing be done until the visits are shown again, and say why."""
        self.table.setEnabled(False)
        for button in (self._rename, self._remove, self._undo):
            button.setEnabled(False)
        self._last.setText(tr("Writing to the lake database…"))

    def chosen(self) -> str:
        """Return the name of the selected visit, or ""."""
        rows = {index.row() for index in self.table.selectedIndexes()}
        return self._visits[rows.pop()].name if len(rows) == 1 else ""

    def _fill(self, row, visit):
        level = "" if visit.level_m is None else texts.length(visit.level_m, self._unit)
        cells = {
            _ON: "",
            _VISIT: visit_label(visit),
            _PINGS: tr("{:,}").format(visit.soundings),
            _LEVEL: level,
            _REJECTED: tr("{:.1f}%").format(100 * visit.rejected / max(visit.soundings, 1)),
        }
        said = tr("{}: {} pings, {} accepted").format(
            visit_label(visit), visit.soundings, visit.accepted
        )
        for column, text in cells.items():
            item = QTableWidgetItem(text)
            item.setFlags(Qt.ItemFlag.ItemIsEnabled | Qt.ItemFlag.ItemIsSelectable)
            item.setToolTip(said)
            if column > _VISIT:
                item.setTextAlignment(
                    int(Qt.AlignmentFlag.AlignRight) | int(Qt.AlignmentFlag.AlignVCenter)
                )
            self.table.setItem(row, column, item)
        switch = self.table.item(row, _ON)
        if self._writable:
            switch.setFlags(switch.flags() | Qt.ItemFlag.ItemIsUserCheckable)
        switch.setCheckState(Qt.CheckState.Checked if visit.on else Qt.CheckState.Unchecked)
        switch.setToolTip(tr("Use this visit for the map"))

    def _changed(self, item):
        if not self._filling and item.column() == _ON:
            on = item.checkState() == Qt.CheckState.Checked
            self.turned.emit(self._visits[item.row()].name, on)

    def _enable(self):
        for button in (self._rename, self._remove):
            button.setEnabled(self._writable and bool(self.chosen()))

    def _ask_name(self):
        name = self.chosen()
        new, given = QInputDialog.getText(
            self, tr("Rename visit"), tr("New name of visit '{}'").format(name), text=name
        )
        if given and new.strip() not in ("", name):
            self.renamed.emit(name, new.strip())

    def _ask_removal(self):
        name = self.chosen()
        buttons = QMessageBox.StandardButton
        question = tr(
            "Visit '{}' and its soundings leave the lake database. Undo brings them back."
        ).format(name)
        answer = QMessageBox.question(
            self, tr("Remove visit"), question, buttons.Ok | buttons.Cancel, buttons.Cancel
        )
        if answer == buttons.Ok:
            self.removed.emit(name)


def visit_label(visit) -> str:
    """Return the name of a visit, with its day unless that is in the name."""
    if not visit.date or visit.date in visit.name:
        return visit.name
    return f"{visit.name} ({visit.date})"


def change_text(change) -> str:
    """Return what a change of the lake database was, "" for none."""
    if change is None:
        return ""
    names = ", ".join(name for name in change.visits if name)
    short = names if len(names) <= 40 else f"{names[:39]}…"
    words = {
        "added": tr("{} added"),
        "extended": tr("{} extended"),
        "replaced": tr("{} replaced"),
        "removed": tr("{} removed"),
        "switched on": tr("{} turned on"),
        "switched off": tr("{} turned off"),
        "renamed": tr("{} renamed"),
        "edited": tr("log-book of {} edited"),
    }
    return words.get(change.action, f"{{}}: {change.action}").format(short or tr("the database"))


def _table():
    table = QTableWidget(0, 5)
    table.setHorizontalHeaderLabels(
        [tr("On"), tr("Visit"), tr("Pings"), tr("Level"), tr("Rejected")]
    )
    table.verticalHeader().hide()
    table.setSelectionBehavior(QAbstractItemView.SelectionBehavior.SelectRows)
    table.setSelectionMode(QAbstractItemView.SelectionMode.SingleSelection)
    table.setAlternatingRowColors(True)
    table.setAccessibleName(tr("Visits in the lake database"))
    table.setMinimumHeight(110)
    header = table.horizontalHeader()
    header.setSectionResizeMode(QHeaderView.ResizeMode.ResizeToContents)
    header.setSectionResizeMode(_VISIT, QHeaderView.ResizeMode.Stretch)
    return table


def _tool(icon, text, then):
    button = QToolButton()
    button.setAutoRaise(True)
    button.setIcon(QgsApplication.getThemeIcon(icon))
    button.setText(text)
    button.setToolTip(text.rstrip("…"))
    button.setAccessibleName(text.rstrip("…"))
    button.setFocusPolicy(Qt.FocusPolicy.StrongFocus)
    button.clicked.connect(lambda: then())
    return button
