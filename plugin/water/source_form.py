"""The form with which a person chooses the sources of an outing, and listens to them."""

from __future__ import annotations

from qgis.core import QgsApplication
from qgis.PyQt.QtCore import pyqtSignal
from qgis.PyQt.QtWidgets import QGridLayout, QHBoxLayout, QLabel, QPushButton, QVBoxLayout, QWidget

from ...algorithms import _settings
from ...algorithms._i18n import tr
from .heard_view import HeardView
from .source_row import SourceRow
from .sources.opening import can_serial, no_serial_text, possible_sources
from .sources.spec import KINDS, SourceSpec


class SourceForm(QWidget):
    """Rows of sources, and what comes from them while the button "Listen" is down.

    A source that is listened to is closed when the form hides, so that a recorder gets it.
    """

    #: What is chosen has changed.
    changed = pyqtSignal()

    def __init__(self, parent=None):
        super().__init__(parent)
        self.rows, self._grid = [], QGridLayout()
        self.add = QPushButton(tr("&Add source"))
        self.add.setIcon(QgsApplication.getThemeIcon("/symbologyAdd.svg"))
        self.listen = QPushButton(tr("&Listen"))
        self.listen.setCheckable(True)
        self.listen.setToolTip(tr("Show the sentences that arrive. Nothing is recorded."))
        self.heard = HeardView()
        self.note = QLabel()
        self.note.setWordWrap(True)
        self.note.setAccessibleName(tr("What is missing"))
        self._lay_out()
        self.set_specs(kept_specs())
        self.add.clicked.connect(lambda *_: self.add_row())
        self.listen.toggled.connect(self._on_listen)

    # -- what is chosen --------------------------------------------------------------

    def specs(self) -> list:
        """Return the sources that are chosen, a :class:`SourceSpec` each."""
        return [row.spec() for row in self.rows]

    def problem(self) -> str:
        """Return what is wrong with the choice and what to do, or nothing."""
        specs = self.specs()
        for spec in specs:
            if spec.kind == "serial" and not can_serial():
                return no_serial_text()
            if spec.problem():
                return spec.problem()
        places = [(spec.kind, spec.place) for spec in specs]
        twice = next((spec for spec in specs if places.count((spec.kind, spec.place)) > 1), None)
        return tr("{} is there twice. Remove one.").format(twice.title) if twice else ""

    def set_specs(self, specs):
        """Show these sources."""
        while self.rows:
            self._take_out(self.rows[-1])
        for spec in specs:
            self._put_in(spec)
        self._on_rows()

    def remember(self):
        """Keep the choice for the next outing."""
        _settings.keep_sources(spec.to_dict() for spec in self.specs())

    def add_row(self, spec: SourceSpec | None = None):
        """Add a source: of what is given, else a port that is not chosen yet."""
        row = self._put_in(spec or self._next())
        self._on_rows()
        row.kind.show()
        row.kind.setFocus()

    def stop(self):
        """Listen no more; the devices are free then."""
        self.listen.setChecked(False)

    def hideEvent(self, event):
        self.stop()
        super().hideEvent(event)

    # -- rows --------------------------------------------------------------------------

    def _lay_out(self):
        self._grid.setColumnStretch(1, 1)
        for column, text in enumerate((tr("Kind"), tr("Port, address or file"), tr("Baud rate"))):
            self._grid.addWidget(QLabel(text), 0, column)
        buttons = QHBoxLayout()
        buttons.addWidget(self.add)
        buttons.addWidget(self.listen)
        buttons.addStretch(1)
        column = QVBoxLayout(self)
        column.setContentsMargins(0, 0, 0, 0)
        column.addLayout(self._grid)
        column.addLayout(buttons)
        column.addWidget(self.heard, 100)
        column.addWidget(self.note)
        column.addStretch(1)
        self.heard.hide()
        self.note.hide()

    def _put_in(self, spec):
        row = SourceRow(self, spec)
        line = self._grid.rowCount()
        for column, widget in enumerate(row.widgets()):
            self._grid.addWidget(widget, line, column)
        row.changed.connect(self._on_change)
        row.remove.clicked.connect(lambda *_: self._on_remove(row))
        self.rows.append(row)
        return row

    def _take_out(self, row):
        self.rows.remove(row)
        for widget in row.widgets():
            self._grid.removeWidget(widget)
            widget.hide()
            widget.deleteLater()
        row.deleteLater()

    def _on_remove(self, row):
        self._take_out(row)
        self._on_rows()

    def _on_rows(self):
        for number, row in enumerate(self.rows, 1):
            row.set_number(number)
            row.remove.setEnabled(len(self.rows) > 1)
        order = [widget for row in self.rows for widget in row.tab_order()]
        order += [self.add, self.listen, self.heard]
        for one, other in zip(order, order[1:]):
            self.setTabOrder(one, other)
        self._on_change()

    def _on_change(self):
        self.stop()
        self.changed.emit()

    def _next(self):
        chosen = {spec.place for spec in self.specs()}
        ports = [spec for spec in possible_sources() if spec.place not in chosen]
        return ports[0] if ports else SourceSpec("tcp")

    # -- listening -----------------------------------------------------------------------

    def _on_listen(self, is_on):
        self.heard.setVisible(is_on)
        self.note.setVisible(is_on)
        if is_on:
            self.remember()
            self.heard.listen(self.specs(), self.note.setText)
        else:
            self.heard.stop()


def kept_specs() -> list:
    """Return the sources of the last outing, else the first port, else an address to fill in."""
    kept = []
    for each in _settings.sources():
        try:
            kept.append(SourceSpec.from_dict(each))
        except TypeError:
            continue  # written by hand
    known = [spec for spec in kept if spec.kind in KINDS]
    return known or possible_sources()[:1] or [SourceSpec("tcp")]
